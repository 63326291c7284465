"""Settings in the paddock: an engine corrected with a thumb, what is wrong beside its field, and the way back."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Site
from tests.browser.test_way_of_a_user import both

pytestmark = pytest.mark.browser


@both
def test_what_is_wrong_stands_beside_its_field_and_what_was_written_stays(own_site: Site, page: Page) -> None:
    page.goto(f"{own_site.base}/settings")
    page.get_by_label("Warm idle speed").fill("950")
    page.get_by_label("Number of cylinders").fill("60")
    page.get_by_role("button", name="Save the engine").click()
    wrong = page.get_by_label("Number of cylinders")
    expect(wrong).to_have_attribute("aria-invalid", "true")
    expect(wrong).to_have_accessible_description("Not saved: it is 60; it must be a whole number from 1 to 16")
    expect(page.get_by_label("Warm idle speed")).to_have_value("950")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    wrong.fill("4")
    page.get_by_role("button", name="Save the engine").click()
    expect(page.get_by_text("Number of cylinders: 4 instead of 6")).to_be_visible()
    expect(page.get_by_text("Warm idle speed: 950 instead of 850")).to_be_visible()
    page.goto("about:blank")
    page.said.clear()  # the browser reports the 422 that was asked for


def test_a_change_is_taken_back_and_put_back(own_site: Site, page: Page) -> None:
    page.goto(f"{own_site.event}/engine")
    page.get_by_label("What drives the tach wire").select_option("control_unit")
    page.get_by_role("button", name="Save").click()
    line = page.locator(".sl-repair", has_text="What drives the tach wire: control_unit")
    assert own_site.store.outline(own_site.event_id).engine.tach_source == "control_unit"
    line.get_by_role("button", name="Take it back").click()
    expect(line).to_contain_text("Taken back")
    expect(page.get_by_label("What drives the tach wire")).to_have_value("coil_negative")
    line.get_by_role("button", name="Put it back").click()
    expect(page.get_by_label("What drives the tach wire")).to_have_value("control_unit")


def test_the_page_says_what_only_the_settings_file_can_change(page: Page, site: Site) -> None:
    page.goto(f"{site.base}/settings")
    page.get_by_text("Show them").click()
    expect(page.locator(".sl-file div", has_text="tach.pin")).to_have_text(re.compile(r"tach\.pin\s*17\s+GPIO number"))


def test_units_for_every_device_hold_on_this_one_too(own_site: Site, page: Page) -> None:
    page.goto(f"{own_site.base}/settings")
    page.get_by_label("Temperature").select_option("degF")
    page.get_by_role("button", name="For this device").click()
    page.get_by_label("Temperature").select_option("degC")
    page.get_by_label("Pressure").select_option("bar")
    page.get_by_role("button", name="For every device").click()
    expect(page.get_by_text("Unit of pressures: bar instead of kPa")).to_be_visible()
    expect(page.get_by_label("Temperature")).to_have_value("degC")
    expect(page.get_by_label("Pressure")).to_have_value("bar")
