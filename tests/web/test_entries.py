"""What people enter, as forms and as JSON; nothing is deleted for good."""

from datetime import UTC, datetime

import pytest

from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error

Own = tuple[Client, Store, str]


def test_a_repair_by_form_leads_back_to_the_event(own: Own) -> None:
    client, store, event_id = own
    answer = client.post(
        f"/events/{event_id}/repairs", data={"what": " new rotor ", "after_recording": "r01", "suspect": ""}
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/events/{event_id}#sl-repairs-h"
    repair = store.repairs(event_id)[-1]
    assert (repair.what, repair.after_recording, repair.suspect) == ("new rotor", "r01", None)


def test_a_repair_without_a_place_stands_after_the_last_recording(own: Own) -> None:
    client, store, event_id = own
    entered = client.post(
        f"/api/events/{event_id}/repairs", json={"what": "new rotor", "suspect": "ignition_secondary"}
    )
    assert entered.status_code == 201
    repair = store.repairs(event_id)[-1]
    assert (repair.id, repair.after_recording) == (entered.json()["entry_id"], "r03")


@pytest.mark.parametrize(
    ("entry", "status"),
    [
        ({}, 422),
        ({"what": ""}, 422),
        ({"what": "   "}, 422),
        ({"what": "x" * 1001}, 422),
        ({"what": "new rotor", "suspect": "gremlins"}, 422),
        ({"what": "new rotor", "after_recording": "r09"}, 404),
        ({"what": ["new rotor"]}, 422),
        ({"what": "new rotor", "done_utc": "0785-03-15T16:30:48Z"}, 422),
    ],
)
def test_a_repair_that_makes_no_sense_is_refused(own: Own, entry: dict[str, object], status: int) -> None:
    client, store, event_id = own
    assert_error(client.post(f"/api/events/{event_id}/repairs", json=entry), status)
    assert len(store.repairs(event_id)) == 1


def test_an_entry_of_blanks_alone_is_refused_in_words(own: Own) -> None:
    client, _, event_id = own
    assert "what: nothing was written" in client.post(f"/events/{event_id}/repairs", data={"what": "   "}).text
    people = {"Accept": "text/html"}
    for entered in ({"what": "   "}, {}):
        page = client.post(f"/events/{event_id}/repairs", data=entered, headers=people)
        assert (page.status_code, "What was done: nothing was written" in page.text) == (422, True)


def test_a_repair_can_be_placed_by_the_clock(own: Own) -> None:
    client, store, event_id = own
    done = "2026-05-09T09:12:11+01:00"  # ten minutes after the start at 08:02:11 UTC
    assert client.post(f"/events/{event_id}/repairs", data={"what": "new rotor", "done_utc": done}).status_code == 303
    assert store.repairs(event_id)[-1].offset_ns == 600 * 10**9


def test_without_the_events_time_a_clock_places_nothing(own: Own) -> None:
    client, store, event_id = own
    with store.logbook.transaction() as database:
        database.execute("UPDATE events SET started_utc = NULL")
    entry = {"what": "new rotor", "done_utc": "2026-05-09T09:12:11Z"}
    assert_error(client.post(f"/api/events/{event_id}/repairs", json=entry), 422)


def test_an_entry_of_an_unknown_event_is_refused(own: Own) -> None:
    assert_error(own[0].post("/api/events/nobody/repairs", json={"what": "new rotor"}), 404)
    assert_error(own[0].post("/api/events/nobody/notes", json={"text": "wet"}), 404)


def test_what_was_taken_back_can_be_put_back(own: Own) -> None:
    client, store, event_id = own
    (repair,) = store.repairs(event_id)
    gone = client.post(f"/events/{event_id}/entries/repairs/{repair.id}/remove")
    assert gone.headers["location"] == f"/events/{event_id}?removed=repairs/{repair.id}#sl-removed"
    assert store.repairs(event_id) == []
    assert "Put it back" in client.get(f"/events/{event_id}?removed=repairs/{repair.id}").text
    client.post(f"/events/{event_id}/entries/repairs/{repair.id}/restore")
    assert store.repairs(event_id) == [repair]


def test_only_an_events_own_entries_can_be_taken_back(own: Own) -> None:
    client, _, event_id = own
    assert_error(client.request("DELETE", f"/api/events/{event_id}/entries/repairs/999"), 404)
    assert_error(client.request("DELETE", f"/api/events/{event_id}/entries/findings/1"), 422)


def test_a_note_belongs_to_its_moment(own: Own) -> None:
    client, store, event_id = own
    client.post(f"/api/events/{event_id}/notes", json={"text": "after the ford", "recording": "r02", "at_s": 20.0})
    (note,) = store.notes(event_id)
    assert (note.text, note.recording, note.at_ns) == ("after the ford", "r02", 20_000_000_000)
    near, far = (
        client.get(f"/api/events/{event_id}/recordings/r02", params={"at_s": at}).json() for at in (22.0, 40.0)
    )
    assert [one["text"] for one in near["notes"]] == ["after the ford"]
    assert far["notes"] == []


def test_what_somebody_writes_stays_text(own: Own) -> None:
    client, _, event_id = own
    client.post(f"/events/{event_id}/notes", data={"text": "<script>alert(1)</script>"})
    client.post(f"/events/{event_id}/name", data={"name": '"><img src=x>', "kind": "road"})
    for path in ("", "/report", "/report.html", "/r02/at/20.000"):
        page = client.get(f"/events/{event_id}{path}").text
        assert "<script>alert" not in page
        assert "<img src=x>" not in page


def test_an_event_is_renamed(own: Own) -> None:
    client, store, event_id = own
    answer = client.request("PUT", f"/api/events/{event_id}/name", json={"name": "Larkfold, wet", "kind": "bench"})
    assert answer.status_code == 204
    outline = store.outline(event_id)
    assert (outline.name, outline.kind) == ("Larkfold, wet", "bench")


def test_a_stretch_can_be_called_practice(own: Own) -> None:
    client, store, event_id = own
    entry = {"recording": "r02", "action": "practice", "from_s": 1.5, "to_s": 9.0}
    assert client.post(f"/api/events/{event_id}/runs", json=entry).status_code == 201
    (correction,) = store.run_corrections(event_id)
    assert (correction.action, correction.from_ns, correction.to_ns) == ("practice", 1_500_000_000, 9_000_000_000)
    assert_error(client.post(f"/api/events/{event_id}/runs", json=entry | {"to_s": 1.0}), 422)


def test_the_devices_clock_is_entered_with_its_offset(own: Own) -> None:
    client, store, _ = own
    assert client.post("/api/now/clock", json={"utc": "2026-05-09T10:02:11+02:00"}).status_code == 201
    (fix,) = store.logbook.rows("SELECT utc, source, plus_minus_s FROM clock_fixes")
    assert datetime.fromisoformat(fix["utc"]) == datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC)
    assert (fix["source"], fix["plus_minus_s"]) == ("browser", 1.0)


@pytest.mark.parametrize("utc", ["1970-01-01T00:10:00Z", "2026-05-09T10:02:11", "soon", ""])
def test_a_clock_that_cannot_be_right_is_refused(own: Own, utc: str) -> None:
    assert_error(own[0].post("/api/now/clock", json={"utc": utc}), 422)


@pytest.mark.parametrize("number", [0, -1, 2**63, -(2**63) - 1, 10**30])
def test_a_number_that_no_entry_can_have_is_refused(own: Own, number: int) -> None:
    client, _, event_id = own
    assert_error(client.request("DELETE", f"/api/events/{event_id}/entries/notes/{number}"), 422)
