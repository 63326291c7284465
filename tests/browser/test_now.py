"""The page before a run: the start check beside the live values, with a healthy car, a dead sensor and no recorder."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from logger.store.store import Store
from tests.browser.conftest import Site, serve
from tests.web.starts import idling, say, talking

pytestmark = pytest.mark.browser


def idling_site(folder: Path, without: str | None = None) -> Iterator[Site]:
    """A site over a car that idles, whose recorder goes on saying so."""
    idling(folder / "data", folder / "run", without=without)
    with talking(folder / "run"), Store(folder / "data") as store:
        yield from serve(store, "", folder / "run")


@pytest.fixture
def healthy(tmp_path: Path) -> Iterator[Site]:
    yield from idling_site(tmp_path)


@pytest.fixture
def without_pressure(tmp_path: Path) -> Iterator[Site]:
    yield from idling_site(tmp_path, "fuel_pressure")


@pytest.mark.parametrize("page", ["desktop", "phone"], indirect=True)
def test_a_healthy_car_is_ready_for_the_run(healthy: Site, page: Page) -> None:
    page.goto(f"{healthy.base}/now")
    expect(page.locator("#sl-ready")).to_have_text("Ready for the run")
    page.get_by_text("15 of 15 lines are as they should be").click()
    expect(page.locator(".sl-check-line", has_text="Battery")).to_contain_text("expected: 12.00 to 15.00 V")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_a_dead_sensor_is_named_with_what_to_do_and_mended_by_checking_again(
    without_pressure: Site, page: Page
) -> None:
    site = without_pressure
    page.goto(f"{site.base}/now")
    expect(page.locator("#sl-ready")).to_have_text("Not ready for the run")
    stop = page.locator(".sl-check-stop")
    expect(stop).to_contain_text("✕ Stop")
    expect(stop).to_contain_text("Fuel pressure")
    expect(stop).to_contain_text("wire open, or short to ground")
    for entry in (site.store.data_dir / "recordings").iterdir():
        entry.unlink()
    idling(site.store.data_dir, site.run_dir)  # as if the plug had been pushed home and the engine started again
    page.get_by_role("link", name="Check again").click()
    expect(page.locator("#sl-ready")).to_have_text("Ready for the run")
    expect(stop).to_have_count(0)


def test_a_recorder_that_stops_is_a_stop_at_once(own_site: Site, page: Page) -> None:
    say(own_site.run_dir, {"state": "not_recording", "why": "the card is full", "sensors": []})
    with talking(own_site.run_dir):
        page.goto(f"{own_site.base}/now")
        expect(page.locator("#sl-ready")).to_have_text("Not ready for the run")
        expect(page.locator("#sl-reasons")).to_contain_text("Not recording: the card is full")
        expect(page.locator(".sl-check-stop")).to_contain_text(["The card is full."])
    (own_site.run_dir / "live.json").unlink()
    expect(page.locator("#sl-reasons")).to_contain_text("No word from the recorder.")
    page.get_by_role("link", name="Check again").click()
    expect(page.locator(".sl-check-stop")).to_contain_text(["systemctl start stumblelog-recorder"])


def test_without_scripts_the_check_is_a_page_of_its_own(browser: object, healthy: Site) -> None:
    context = browser.new_context(java_script_enabled=False)  # type: ignore[attr-defined]
    tab = context.new_page()
    tab.goto(f"{healthy.base}/now")
    tab.get_by_role("link", name="Check again").click()
    expect(tab.locator(".sl-check-says")).to_have_text("Ready for the run")
    context.close()
