"""What goes wrong in a paddock, each said in words: a busy logbook, half a recording, no event, no clock, no net."""

import re
import sqlite3
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from logger.event import NS_PER_S
from logger.recorder.place import boot_id
from logger.store.blocks import Series
from logger.store.description import RecordingMeta, stored_channel
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.store import Store
from tests.browser.conftest import Site, serve
from tests.browser.test_way_of_a_user import loaded, wait_for_load_after, word
from tests.web.example import ENGINE
from tests.web.starts import talking

pytestmark = pytest.mark.browser
LOCK_S = 0.3
SETTINGS = {"engine": {"cylinders": ENGINE.cylinders, "tach_pulses_per_revolution": 3.0}, "event": {"name": ""}}


@contextmanager
def writing(site: Site):
    """Another program in the middle of writing to the logbook; the page waits LOCK_S for it instead of 5 s."""
    site.store.logbook.rows(f"PRAGMA busy_timeout = {round(LOCK_S * 1000)}")
    other = sqlite3.connect(site.store.logbook.path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    try:
        yield other
    finally:
        other.close()


def expected_errors(page: Page) -> None:
    """The browser reports every refusal that a test asked for; leave the page first, so that none comes later."""
    page.goto("about:blank")
    page.said.clear()


def write_note(page: Page, text: str) -> None:
    page.get_by_text("Add a note").click()
    page.locator("#sl-note").fill(text)
    page.locator("form[action$=notes]").get_by_role("button", name="Save").click()


def begin(store: Store, n_seconds: int, *, is_set: bool = True, started_ns: int = 0) -> RecordingWriter:
    """A recording that nobody has closed: battery and pulses for so many seconds."""
    channels = (stored_channel("battery_voltage"), stored_channel("tach_pulses"))
    utc = "2026-05-09T08:02:11+00:00" if is_set else "1970-01-01T00:00:42+00:00"
    meta = RecordingMeta(
        "half", channels, boot_id=boot_id(), power_up=7, started_monotonic_ns=started_ns, started_utc=utc,
        clock_is_set=is_set, settings=SETTINGS,
    )  # fmt: skip
    writer = RecordingWriter(store.data_dir / "recordings" / "half.sqlite", meta)
    for second in range(n_seconds):
        at = second * NS_PER_S + np.arange(0, NS_PER_S, NS_PER_S // 50, dtype=np.int64)
        writer.append(Second(second, [Series(0, at, np.full(at.size, 13.5)), Series(1, at + 7)]))
    return writer


def test_a_logbook_that_is_busy_for_a_moment_keeps_the_entry(own_site: Site, page: Page) -> None:
    page.goto(own_site.event)
    with writing(own_site) as other:
        own_site.store.logbook.rows("PRAGMA busy_timeout = 5000")
        threading.Timer(0.5, lambda: other.execute("COMMIT")).start()
        write_note(page, "smelt of fuel")
        expect(page.locator(".sl-repair", has_text="smelt of fuel")).to_be_visible()


def test_a_logbook_that_stays_locked_is_said_and_what_was_written_is_not_lost(own_site: Site, page: Page) -> None:
    page.goto(own_site.event)
    with writing(own_site):
        write_note(page, "smelt of fuel")
        expect(page.get_by_role("heading", level=1)).to_contain_text("kept the logbook locked")
        expect(page.get_by_text("Nothing is lost by waiting: try again in a moment.")).to_be_visible()
        page.goto(own_site.event)
        expect(page.get_by_role("heading", level=1)).to_have_text("Larkfold Hill, spring meeting")  # reading goes on
        write_note(page, "smelt of fuel")
    page.get_by_role("button", name="Back to where you were").click()
    if not page.locator("#sl-note").is_visible():
        page.get_by_text("Add a note").click()
    expect(page.locator("#sl-note")).to_have_value("smelt of fuel")
    page.locator("form[action$=notes]").get_by_role("button", name="Save").click()
    expect(page.locator(".sl-repair", has_text="smelt of fuel")).to_be_visible()
    expected_errors(page)


def test_live_values_go_on_while_the_logbook_is_locked(own_site: Site, page: Page) -> None:
    word(own_site)
    with writing(own_site), talking(own_site.run_dir):
        page.goto(f"{own_site.base}/now")
        expect(page.locator("#sl-values")).to_contain_text("2400 1/min")
        word(own_site, engine_rpm=3100.0)
        expect(page.locator("#sl-values")).to_contain_text("3100 1/min")


def test_a_recording_half_written_is_shown_as_far_as_it_goes(own_site: Site, page: Page) -> None:
    writer = begin(own_site.store, 12)
    page.goto(f"{own_site.base}/events")
    page.locator(".sl-row", has_not_text="Larkfold").click()
    expect(page.get_by_text("A recording is running.")).to_be_visible()
    page.get_by_role("link", name="r01").click()
    loaded(page)
    expect(page.locator("#sl-span")).to_contain_text("12.0 s shown")
    writer.close()


def test_a_recording_that_was_torn_off_is_named_with_what_is_wrong(own_site: Site, page: Page) -> None:
    begin(own_site.store, 5).close()
    event_id = own_site.store.events()[0].event_id
    path = own_site.store.data_dir / "recordings" / "half.sqlite"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    page.goto(f"{own_site.base}/events/{event_id}/r01/whole")
    expect(page.get_by_text("Not readable: r01.")).to_be_visible()


def forget(site: Site) -> None:
    """Remove the event the way somebody does who deletes it elsewhere."""
    with site.store.logbook.transaction() as database:
        for table in ("findings", "recordings", "repairs", "notes", "circumstances", "run_corrections", "changes"):
            database.execute(f"DELETE FROM {table} WHERE event_id = ?", [site.event_id])
        database.execute("DELETE FROM events WHERE id = ?", [site.event_id])


def test_an_event_deleted_elsewhere_is_said_on_the_open_page(own_site: Site, page: Page) -> None:
    page.goto(own_site.event)
    expect(page.get_by_role("heading", level=1)).to_have_text("Larkfold Hill, spring meeting")
    forget(own_site)
    expect(page.get_by_role("heading", level=1)).to_have_text("No such event.")
    expect(page.get_by_text("It may have been removed in another window.")).to_be_visible()
    expected_errors(page)


def test_traces_and_entries_of_a_deleted_event_say_so(own_site: Site, page: Page) -> None:
    page.goto(f"{own_site.event}/r02/at/20.000")
    before = loaded(page)
    forget(own_site)
    page.get_by_role("button", name="Whole", exact=True).click()
    expect(page.locator("#sl-span")).to_have_text(re.compile("could not be loaded. No such recording in this event"))
    assert page.locator("#sl-charts").get_attribute("data-loaded") == before
    write_note(page, "too late")
    expect(page.get_by_role("heading", level=1)).to_have_text("No such event.")
    expected_errors(page)


def test_a_pi_that_thinks_it_is_1970_is_dated_by_one_tap(own_site: Site, page: Page) -> None:
    begin(own_site.store, 5, is_set=False, started_ns=time.monotonic_ns() - 60 * NS_PER_S).close()
    word(own_site, clock_is_set=False)
    page.goto(f"{own_site.base}/events")
    line = page.locator(".sl-row", has_not_text="Larkfold")
    expect(line).to_contain_text("date not known")
    with talking(own_site.run_dir):
        page.goto(f"{own_site.base}/now")
        expect(page.locator("#sl-clock")).to_contain_text("not known: one tap below sets it in the logbook")
        page.get_by_role("button", name="Take the time from this device").click()
        expect(page.locator("#sl-said")).to_have_text("The logbook's clock is set from this device.")
    page.goto(f"{own_site.base}/events")
    expect(line).not_to_contain_text("date not known")
    today = page.evaluate("new Date(Date.now() - new Date().getTimezoneOffset() * 60000).toISOString().slice(0, 10)")
    expect(line).to_contain_text(today)


def test_a_device_whose_own_clock_is_at_1970_is_not_believed(own_site: Site, page: Page) -> None:
    word(own_site)
    page.clock.install(time=0)
    page.goto(f"{own_site.base}/now")
    page.get_by_role("button", name="Take the time from this device").click()
    expect(page.locator("#sl-said")).to_contain_text("That time cannot be right. Set this device's clock first")
    expected_errors(page)


def test_a_logger_switched_off_and_on_again_is_noticed_by_every_page(page: Page, tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store, talking(tmp_path / "run"):
        first = serve(store, "", tmp_path / "run")
        site = next(first)
        word(site)
        page.goto(f"{site.base}/now")
        expect(page.locator("#sl-values")).to_contain_text("2400 1/min")
        first.close()
        expect(page.locator("#sl-lost")).to_have_text("No connection to the logger. Trying again…")
        again = serve(store, "", tmp_path / "run", port=int(site.base.rsplit(":", 1)[1]))
        next(again)
        word(site, engine_rpm=950.0)
        expect(page.locator("#sl-lost")).to_be_hidden()
        expect(page.locator("#sl-values")).to_contain_text("950 1/min")
        expected_errors(page)
        again.close()


def test_a_chart_out_of_reach_loads_by_itself_once_the_net_is_back(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000")
    before = loaded(page)
    page.context.set_offline(True)
    page.get_by_role("button", name="Whole", exact=True).click()
    expect(page.locator("#sl-lost")).to_be_visible()
    expect(page.locator("#sl-span")).to_have_text("These traces could not be loaded.")
    page.context.set_offline(False)
    wait_for_load_after(page, before)
    expect(page.locator("#sl-lost")).to_be_hidden()
    expected_errors(page)


def test_the_page_answers_at_a_plain_address_as_the_cable_has_it(page: Page, site: Site) -> None:
    """Loopback stands for the cable: a numeric address of its own, not the name that tests use elsewhere."""
    cable = serve(site.store, site.event_id, site.run_dir, host="127.0.0.2")
    page.goto(next(cable).event)
    expect(page.locator("#sl-sentence")).to_be_visible()
    page.goto("about:blank")
    cable.close()
