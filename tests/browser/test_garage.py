"""What is used in the garage: the card fits its paper, and the bench page follows recorder and worker."""

import re

import pytest
from playwright.sync_api import Page, expect

from logger.event import CAUSES
from tests.browser.conftest import Site
from tests.browser.test_way_of_a_user import both, word
from tests.web.example import findings
from tests.web.test_garage import pulled

pytestmark = pytest.mark.browser


def sheets(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page[^s]", pdf))


@pytest.mark.parametrize("cause", CAUSES)
def test_a_card_prints_on_one_side_of_a5(page: Page, site: Site, cause: str) -> None:
    page.goto(f"{site.base}/cards/{cause}")
    pdf = page.pdf(prefer_css_page_size=True)
    (box,) = set(re.findall(rb"/MediaBox\s*\[([^\]]*)\]", pdf))
    assert [round(float(side)) for side in box.split()] == [0, 0, 420, 595]  # 148 x 210 mm in points of 1/72 inch
    assert sheets(pdf) == 1


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_report_prints_on_either_paper_without_cutting_anything_off(page: Page, site: Site, paper: str) -> None:
    page.goto(f"{site.event}/report")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 900})  # the width of A4 between its margins
    assert page.evaluate("document.documentElement.scrollWidth") <= 680
    assert sheets(page.pdf(format=paper)) > 1


def test_the_bench_page_shows_live_values_and_each_new_pull(own_site: Site, page: Page) -> None:
    word(own_site, engine_rpm=4321.0)
    page.goto(f"{own_site.base}/bench")
    expect(page.locator('[data-channel="engine_speed"] dd')).to_have_text("4321 1/min")
    expect(page.locator("#sl-bench")).to_contain_text("No pull yet.")
    word(own_site, engine_rpm=1234.0)
    expect(page.locator('[data-channel="engine_speed"] dd')).to_have_text("1234 1/min")
    store, event_id = own_site.store, own_site.event_id
    document = {**findings().as_json(), "pulls": pulled(1.0)}
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    expect(page.locator("#sl-bench")).to_contain_text("the best of its gear so far.")
    expect(page.locator("#sl-bench polyline")).to_have_count(1)


@both
def test_the_big_values_are_whole(own_site: Site, page: Page) -> None:
    word(own_site, engine_rpm=10500.0)
    page.goto(f"{own_site.base}/bench")
    speed = page.locator('[data-channel="engine_speed"] dd')
    expect(speed).to_have_text("10500 1/min")
    fits = "e => e.scrollWidth <= e.clientWidth && e.clientHeight < 1.5 * parseFloat(getComputedStyle(e).fontSize)"
    assert speed.evaluate(fits)


def test_a_repair_is_placed_by_the_devices_own_time(own_site: Site, page: Page) -> None:
    """Dublin is an hour ahead of UTC in May: 09:12 there is 589 s after the event began at 08:02:11 UTC."""
    page.goto(own_site.event)
    page.get_by_text("Write down a repair").click()
    page.get_by_label("What was done").fill("new rotor")
    page.get_by_label("or at (this device's time)").fill("2026-05-09T09:12")
    page.locator("form[action$='/repairs'] button", has_text="Save").click()
    expect(page.locator(".sl-repair", has_text="new rotor")).to_be_visible()
    assert own_site.store.repairs(own_site.event_id)[-1].offset_ns == 589 * 10**9
