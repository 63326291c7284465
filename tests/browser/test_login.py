"""The pass-phrase in a real browser: log in, read, log out; and a link given away that shows one event and no more."""

import json
import re
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.test_accessibility import RULES
from tests.conftest import Stored
from web.access_keys import Keys
from web.app import create_app
from web.pass_phrase import make_pass_phrase
from web.server import Server

pytestmark = pytest.mark.browser


@dataclass
class Locked:
    """A running server that asks for a pass-phrase."""

    base: str
    event_id: str
    pass_phrase: str
    once: str

    @property
    def event(self) -> str:
        return f"{self.base}/events/{self.event_id}"


@pytest.fixture
def locked(stored: Stored, tmp_path: Path) -> Iterator[Locked]:
    store, event_id = stored(tmp_path / "data")
    with store, socket.create_server(("127.0.0.1", 0)) as listening:
        pass_phrase, once = make_pass_phrase(store.data_dir, time.time())
        server = Server(create_app(store, tmp_path / "run", keys=Keys(store.data_dir)))
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        try:
            yield Locked(f"http://127.0.0.1:{listening.getsockname()[1]}", event_id, pass_phrase, once)
        finally:
            server.should_exit = True
            thread.join()


def log_in(page: Page, locked: Locked) -> None:
    page.goto(locked.event)
    page.get_by_label("Pass-phrase").fill(locked.pass_phrase)
    page.get_by_role("button", name="Log in").click()
    expect(page).to_have_url(locked.event)


@pytest.mark.parametrize("page", ["desktop", "phone"], indirect=True)
def test_the_way_from_the_log_in_to_the_page_and_out_again(locked: Locked, page: Page) -> None:
    page.goto(locked.event)
    expect(page.get_by_role("heading", name="Log in")).to_be_visible()
    expect(page.get_by_role("link", name="Settings")).to_be_hidden()
    page.get_by_label("Pass-phrase").fill("aaaa-aaaa-aaaa")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("alert")).to_contain_text("That is not the pass-phrase")
    page.said.clear()  # the browser reports the 401 that was asked for
    page.get_by_label("Pass-phrase").fill(locked.pass_phrase)
    page.keyboard.press("Enter")
    expect(page).to_have_url(locked.event)
    expect(page.locator("#sl-sentence")).to_contain_text("coil")
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_role("heading", name="Log in")).to_be_visible()
    page.goto(locked.event)
    expect(page.get_by_role("heading", name="Log in")).to_be_visible()


def test_what_is_entered_and_live_values_work_once_logged_in(locked: Locked, page: Page) -> None:
    log_in(page, locked)
    page.get_by_text("Add a note").click()
    page.get_by_label("Note", exact=True).fill("wet grass")
    page.locator("form[action$='/notes'] button").click()
    expect(page.locator("#sl-main")).to_contain_text("wet grass")
    page.goto(f"{locked.event}/r02/at/20.000")
    expect(page.locator("#sl-charts")).to_have_attribute("data-loaded", re.compile(r"\S"))
    page.goto(f"{locked.base}/now")
    expect(page.get_by_role("heading", name="Now")).to_be_visible()


def test_the_scanned_code_logs_in_by_one_press(locked: Locked, page: Page) -> None:
    page.goto(f"{locked.base}/log-in?once={locked.once}")
    expect(page.get_by_label("Pass-phrase")).to_have_count(0)
    page.get_by_role("button", name="Log in").click()
    expect(page).to_have_url(locked.event)  # the only event there is


def test_a_link_shows_a_reader_one_event_until_it_is_withdrawn(locked: Locked, page: Page, browser: Browser) -> None:
    log_in(page, locked)
    page.get_by_role("link", name="Share this event, to read only").click()
    page.get_by_label("For whom").fill("the garage")
    page.get_by_label("It holds for").select_option("1")
    page.get_by_role("button", name="Make a link").click()
    address = page.locator("#sl-address").inner_text()
    expect(page.get_by_alt_text("The link as a code to scan")).to_be_visible()
    assert page.get_by_alt_text("The link as a code to scan").evaluate("each => each.naturalWidth") > 100

    context = browser.new_context()
    reader, said = context.new_page(), []
    reader.on("console", lambda message: said.append(message.text) if message.type in ("error", "warning") else None)
    reader.goto(address)
    expect(reader).to_have_url(locked.event)
    expect(reader.locator("#sl-sentence")).to_contain_text("coil")
    expect(reader.get_by_text("Shared link: this event only, to read, until")).to_be_visible()
    expect(reader.locator("form:visible, summary:has-text('note'):visible, .sl-nav:visible")).to_have_count(0)
    expect(reader.get_by_role("link", name="Share this event, to read only")).to_be_hidden()
    with reader.expect_response("**/revision") as asked:
        pass
    assert asked.value.ok
    reader.locator("#sl-first").click()
    expect(reader.locator("#sl-charts")).to_have_attribute("data-loaded", re.compile(r"\S"))
    reader.goto(f"{locked.base}/events")
    expect(reader).to_have_url(locked.event)
    assert said == []
    assert reader.goto(f"{locked.base}/now").status == 403

    page.get_by_role("button", name="Withdraw").click()
    expect(page.get_by_text("the garage")).to_have_count(0)
    reader.goto(locked.event)
    expect(reader.get_by_role("heading", name="Log in")).to_be_visible()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_log_in_and_on_links(locked: Locked, page: Page, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python")
    page.emulate_media(color_scheme=scheme)
    page.goto(f"{locked.base}/log-in")
    expect(page.get_by_label("Pass-phrase")).to_be_focused()
    reports = [axe.Axe().run(page, options=RULES).response]
    log_in(page, locked)
    page.goto(f"{locked.base}/links/{locked.event_id}")
    page.get_by_role("button", name="Make a link").click()
    expect(page.locator("#sl-address")).to_be_visible()
    reports.append(axe.Axe().run(page, options=RULES).response)
    for report in reports:
        assert len(report["passes"]) > 10, "axe-core did not look"
        assert not report["violations"], json.dumps(report["violations"], indent=1)
