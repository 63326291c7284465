"""The demo as a newcomer meets it: recorded through the real drivers, analysed, and read in a real browser."""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from logger.virtualcar.scenario import demo_event
from tests.browser.conftest import Site, serve
from tests.browser.pictures import prepare
from tests.browser.test_way_of_a_user import both, loaded, view, wait_for_load_after
from tests.demo_truth import true_onsets

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def demo_site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("demo")
    store, event_id = prepare(folder / "data")
    with store:
        yield from serve(store, event_id, folder / "run")


@both
def test_the_demo_leads_to_its_first_stumble_and_names_the_coil_feed(page: Page, demo_site: Site) -> None:
    page.goto(demo_site.base)
    expect(page.locator("#sl-sentence")).to_contain_text("the coil was no longer switched or fed")
    page.get_by_role("link", name="Show the first moment").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(r"Stumble 1 of \d+"))
    expect(page.locator("#sl-sentence")).to_contain_text("first to move: ignition feed voltage")

    before = loaded(page)
    low, high = view(page)
    page.get_by_role("button", name="Closer").click()
    wait_for_load_after(page, before)
    closer_low, closer_high = view(page)
    assert closer_high - closer_low < high - low


def test_the_moment_shown_is_one_the_virtual_car_really_had(page: Page, demo_site: Site) -> None:
    page.goto(demo_site.base)
    page.get_by_role("link", name="Show the first moment").click()
    place = re.search(r"/(r\d+)/at/([\d.]+)", page.url)
    assert place
    happened = true_onsets(demo_site.store, demo_site.event_id, demo_event(1))
    assert min(abs(onset_s - float(place[2])) for name, onset_s in happened if name == place[1]) < 0.1
