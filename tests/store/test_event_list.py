"""What a list of events tells without opening their findings, and how it sees files come and go."""

from pathlib import Path

import pytest
from sqlite_utils import Database

from logger.store import logbook as logbook_module
from logger.store.capture_out import write_folder
from logger.store.logbook import Logbook
from logger.store.store import Store
from tests.store.events import small_event

TWO = {"stumbles": [{"onset_s": 1.0}, {"onset_s": 2.0}], "main_cause": "fuel_delivery"}


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def event_id(store: Store, tmp_path: Path) -> str:
    write_folder(small_event(), tmp_path / "folder")
    return store.import_folder(tmp_path / "folder")


def in_short(store: Store) -> list[tuple[int | None, str | None]]:
    return [(entry.n_stumbles, entry.main_cause) for entry in store.events()]


def test_an_event_that_was_never_analysed_has_no_number_of_stumbles(store, event_id):
    assert in_short(store) == [(None, None)]


def test_an_analysed_event_has_its_number_of_stumbles_and_main_cause(store, event_id):
    store.save_findings(event_id, TWO, "x")
    assert in_short(store) == [(2, "fuel_delivery")]
    store.save_findings(event_id, {"stumbles": [], "main_cause": None}, "y")
    assert in_short(store) == [(0, None)]


def test_what_the_season_tells_of_an_event_leaves_them_alone(store, event_id):
    store.save_findings(event_id, TWO, "x")
    store.save_season(event_id, {"proof_ahead": "two more runs"})
    assert in_short(store) == [(2, "fuel_delivery")]


def test_findings_of_an_older_logbook_are_counted_when_it_is_brought_up_to_date(tmp_path):
    path = tmp_path / "logbook.sqlite"
    database = Database(path)
    logbook_module.migrations.apply(database, stop_before="let_a_list_of_events_do_without_the_findings")
    database.execute(f"PRAGMA application_id = {logbook_module.APPLICATION_ID}")
    database["events"].insert({"id": "a", "name": "A", "kind": "road", "engine": "{}", "created_utc": "2026"})
    database["findings"].insert({
        "event_id": "a", "findings": TWO, "analysis_version": "0", "input_fingerprint": "x", "computed_utc": "2026",
    })  # fmt: skip
    database.close()
    with Logbook(path) as opened:
        assert opened.rows("SELECT n_stumbles, main_cause FROM findings") == [
            {"n_stumbles": 2, "main_cause": "fuel_delivery"}
        ]


def test_a_list_is_read_from_the_index_alone_since_findings_are_large(store):
    from logger.store.store import _EVENTS

    plan = store.logbook.rows(f"EXPLAIN QUERY PLAN {_EVENTS} GROUP BY e.id")
    assert any("USING COVERING INDEX findings_in_short" in row["detail"] for row in plan)


def test_an_imported_file_that_is_gone_is_missing_until_it_is_back(store, event_id):
    (recording, *_) = store.recordings(event_id)
    path = store.data_dir / recording.file
    kept = path.read_bytes()
    path.unlink()
    store.scan()
    assert store.recordings(event_id)[0].state == "missing"
    path.write_bytes(kept)
    store.scan()
    assert store.recordings(event_id)[0].state == "closed"


def test_a_stray_file_in_the_folder_of_an_import_is_no_recording(store, event_id):
    (recording, *_) = store.recordings(event_id)
    path = store.data_dir / recording.file
    path.with_name("stray.sqlite").write_bytes(path.read_bytes())
    n = len(store.recordings(event_id))
    store.scan()
    assert len(store.events()) == 1
    assert len(store.recordings(event_id)) == n


def test_a_folder_of_an_import_that_is_gone_makes_its_recordings_missing(store, event_id):
    files = [store.data_dir / recording.file for recording in store.recordings(event_id)]
    for path in files:
        path.unlink()
    files[0].parent.rmdir()
    store.scan()
    assert {recording.state for recording in store.recordings(event_id)} == {"missing"}
