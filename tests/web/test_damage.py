"""What is broken is said; what is sound is shown all the same."""

import sqlite3

import pytest

from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from tests.web.example import findings


@pytest.fixture
def damaged(own: tuple[Client, Store, str]) -> tuple[Client, Store, str]:
    """The event analysed, and then r02's file overwritten in its middle."""
    _, store, event_id = own
    store.save_findings(event_id, findings().as_json(), store.input_fingerprint(event_id))
    path = store.data_dir / store.recordings(event_id)[1].file
    content = bytearray(path.read_bytes())
    content[1000:-1000] = b"\x5a" * (len(content) - 2000)
    path.write_bytes(content)
    return own


def test_the_day_names_the_damaged_recording_and_shows_the_others(damaged: tuple[Client, Store, str]) -> None:
    client, _, event_id = damaged
    page = client.get(f"/api/events/{event_id}").json()
    assert [one["name"] for one in page["unreadable"]] == ["r02"]
    assert [bool(strip["heat"]) for strip in page["strips"]] == [True, False, True]
    assert "Not readable: r02." in client.get(f"/events/{event_id}").text


def test_its_moments_keep_their_words(damaged: tuple[Client, Store, str]) -> None:
    client, _, event_id = damaged
    answer = client.get(f"/events/{event_id}/r02/at/20.000")
    assert answer.status_code == 200
    assert "The coil lost its feed 30 ms after a knock" in answer.text
    assert "Not readable: r02." in answer.text
    assert_error(
        client.get(f"/api/events/{event_id}/recordings/r02/window?from_s=1&to_s=2&channels=battery_voltage"), 503
    )


def test_report_and_superposed_go_on_without_it(damaged: tuple[Client, Store, str]) -> None:
    client, _, event_id = damaged
    assert client.get(f"/events/{event_id}/report.html").status_code == 200
    rows = client.get(f"/api/events/{event_id}/superposed").json()["rows"]
    assert [row["recording"] for row in rows] == ["r03"]
    assert client.get(f"/api/events/{event_id}/superposed/values").status_code == 200


def test_a_file_that_is_gone_is_named(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    (store.data_dir / store.recordings(event_id)[2].file).unlink()
    client.get("/events")
    page = client.get(f"/api/events/{event_id}").json()
    assert [one["name"] for one in page["unreadable"]] == ["r03"]
    assert_error(client.get(f"/api/events/{event_id}/recordings/r03/window?from_s=1&to_s=2&channels=x"), 503)


def test_a_locked_logbook_is_said_in_words(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    store.logbook._database.conn.execute("PRAGMA busy_timeout = 1").fetchall()
    other = sqlite3.connect(store.logbook.path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        error = assert_error(client.post(f"/api/events/{event_id}/repairs", json={"what": "a new coil"}), 503)
    finally:
        other.close()
    assert "locked" in str(error["what"])
    assert client.post(f"/api/events/{event_id}/repairs", json={"what": "a new coil"}).status_code == 201
