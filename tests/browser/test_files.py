"""An export asked for in a real browser: made with progress, then downloaded, and it opens."""

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

import logger.store
from tests.browser.conftest import Site

pytestmark = pytest.mark.browser


def test_a_bundle_is_made_and_downloaded_from_the_event_page(page: Page, site: Site, tmp_path: Path) -> None:
    page.goto(site.event)
    page.get_by_role("link", name="Recorded values as files").click()
    expect(page.get_by_role("radio", checked=True)).to_have_value("bundle")
    with page.expect_download() as begun:
        page.get_by_role("button", name="Make it").click()
    assert begun.value.suggested_filename == f"{site.event_id}.zip"
    expect(page.locator("#sl-said")).to_have_text("Ready. The download begins.")
    expect(page.get_by_role("button", name="Make it")).to_be_enabled()
    begun.value.save_as(tmp_path / "event.zip")
    with logger.store.open_event(tmp_path / "event.zip") as event:
        assert (event.event_id, len(event.stumbles)) == (site.event_id, 3)


def test_a_refusal_is_said_on_the_page(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/files")
    page.evaluate("document.getElementById('sl-files').dataset.event = 'nobody'")
    page.get_by_role("button", name="Make it").click()
    expect(page.locator("#sl-said")).to_contain_text("no such event", ignore_case=True)
    page.said.clear()  # the browser itself notes every 404
