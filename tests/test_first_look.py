"""A run that has just ended is looked at by itself before the whole day."""

from dataclasses import asdict
from pathlib import Path

import pytest

from logger.first_look import LEAST_KNOWN, added, first_look
from logger.store.compaction import meta_of, write_recording
from logger.store.store import Store
from logger.work import Worker, analyse_event
from tests.web.example import ENGINE, recording

QUIET, STUMBLING = 1, 2
"""Numbers of the example's runs: one without a stumble, one with two."""


def drive(store: Store, number: int, kind: int) -> None:
    """One more power-up of the day."""
    driven = recording(kind)
    engine = {key: value for key, value in asdict(ENGINE).items() if value is not None}
    settings = {"engine": engine, "event": {"name": "Larkfold Hill"}}
    meta = meta_of(driven, f"uuid-{number}", power_up=number, origin="virtual", settings=settings)
    path = store.data_dir / "recordings" / f"boot-{number:06d}.sqlite"
    write_recording(path, meta, driven)


@pytest.fixture
def day(tmp_path: Path):
    """A store whose event has five quiet runs, analysed."""
    with Store(tmp_path / "data") as store:
        for number in range(1, LEAST_KNOWN + 1):
            drive(store, number, QUIET)
        analyse_event(store, store.find("latest"))
        yield store


def test_the_stumbles_of_a_new_run_are_added_and_the_rest_stays_out_of_date(day):
    event_id = day.find("latest")
    before = day.findings(event_id)
    drive(day, 6, STUMBLING)
    day.scan()
    assert first_look(day, event_id)
    after = day.findings(event_id)
    newest = day.recordings(event_id)[-1].name
    onsets = [round(s["onset_s"], 1) for s in after["stumbles"] if s["recording"] == newest]
    assert onsets == [20.0, 41.5]
    assert after["stumbles"][: len(before["stumbles"])] == before["stumbles"]
    assert after["links"] == before["links"]
    assert not day.has_fresh_findings(event_id)


def test_a_day_without_stumbles_takes_its_main_cause_from_the_run_that_has_some(day):
    event_id = day.find("latest")
    assert day.findings(event_id)["main_cause"] is None
    drive(day, 6, STUMBLING)
    day.scan()
    first_look(day, event_id)
    assert day.findings(event_id)["main_cause"] == "ignition_primary"


def test_nothing_new_and_a_day_copied_here_are_left_to_the_whole_analysis(day):
    event_id = day.find("latest")
    assert not first_look(day, event_id)
    for number in (6, 7, 8):
        drive(day, number, QUIET)
    day.scan()
    assert not first_look(day, event_id)


def test_an_event_that_was_never_analysed_is_left_to_the_whole_analysis(tmp_path):
    with Store(tmp_path / "data") as store:
        drive(store, 1, QUIET)
        assert not first_look(store, store.find("latest"))


def test_the_worker_looks_at_the_run_first_and_then_at_the_whole_day(day):
    event_id = day.find("latest")
    looked: list[int] = []

    def analyse_whole(store: Store, event_id: str):
        looked.append(len(store.findings(event_id)["stumbles"]))
        return analyse_event(store, event_id)

    drive(day, 6, STUMBLING)
    Worker(day, analyse=analyse_whole).round()
    assert looked == [2]
    assert day.has_fresh_findings(event_id)


def test_bursts_go_on_counting():
    known = {"stumbles": [{"burst": 1}, {"burst": 3}], "runs": [1], "main_cause": "mixture", "links": {"p": 1}}
    new = {"stumbles": [{"burst": 1}, {"burst": 2}], "runs": [2], "main_cause": "fuel_delivery"}
    new |= {key: [] for key in ("sensor_faults", "failed_starts", "gaps", "rejected")}
    both = added(known, new)
    assert [stumble["burst"] for stumble in both["stumbles"]] == [1, 3, 4, 5]
    assert (both["runs"], both["main_cause"], both["links"]) == ([1, 2], "mixture", {"p": 1})
