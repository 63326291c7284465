"""Where the automatic split into runs is wrong: what is said on the page reaches runs, exposure, verdicts and season.

One minute of driving in which the coil's feed opens at 21, 27 and 44 s; a repair; the same minute without a stumble.
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger import season
from logger.event import Event, Repair
from logger.store.capture_out import write_folder
from logger.store.store import Store
from logger.work import analyse_event
from tests.analysis.array_car import NATURAL, Drive
from tests.web.client import Client
from web.app import create_app

FAILED = replace(Drive(silent=[(21.0, 21.2), (27.0, 27.12), (44.0, 44.5)]).recording(), name="r01")
CLEAN = replace(Drive().recording(), name="r02")


@pytest.fixture
def day(tmp_path: Path) -> Iterator[tuple[Client, Store, str]]:
    event = Event("Tallow Down", NATURAL, (FAILED, CLEAN), repairs=(Repair("new feed wire", after_recording="r01"),))
    write_folder(event, tmp_path / "captured")
    with Store(tmp_path / "data") as store:
        event_id = store.import_folder(tmp_path / "captured")
        yield Client(create_app(store)), store, event_id


def found(store: Store, event_id: str) -> dict[str, Any]:
    analyse_event(store, event_id)
    return store.findings(event_id) or {}


def bursts(findings: dict[str, Any]) -> list[tuple[str, float, int]]:
    return [(one["recording"], one["from_s"], one["bursts"]) for one in findings["exposure"]]


def enter(client: Client, event_id: str, recording: str, action: str, from_s: float, to_s: float | None = None) -> None:
    said = {"recording": recording, "action": action, "from_s": from_s, "to_s": to_s}
    assert client.post(f"/api/events/{event_id}/runs", json=said).status_code == 201


def test_what_was_practice_counts_no_more_and_counts_again_once_taken_back(day: tuple[Client, Store, str]) -> None:
    client, store, event_id = day
    before = found(store, event_id)
    assert bursts(before) == [("r01", 0.0, 3), ("r02", 0.0, 0)]
    rate_before = before["repairs"][0]["rate_before_per_h"]

    enter(client, event_id, "r01", "practice", 0.0, 35.0)
    assert not store.has_fresh_findings(event_id)
    after = found(store, event_id)
    assert bursts(after) == [("r01", 35.0, 1), ("r02", 0.0, 0)]
    assert [run["from_s"] for run in after["runs"] if run["recording"] == "r01"] == [35.0]
    assert len(after["stumbles"]) == 3, "they happened all the same"
    assert after["links"]["bursts"] == 1
    assert after["repairs"][0]["rate_before_per_h"] != rate_before
    assert any(sentence.startswith("r01, 0.0 s to 35.0 s: entered as practice") for sentence in after["not_judged"])
    (judged,) = season.of_car(store, event_id).repairs
    assert judged.verdict.rate_before_per_h == after["repairs"][0]["rate_before_per_h"]

    (entry,) = store.run_corrections(event_id)
    client.post(f"/events/{event_id}/entries/run_corrections/{entry.id}/remove")
    assert found(store, event_id) == before


def test_a_recording_that_was_all_practice_is_no_run(day: tuple[Client, Store, str]) -> None:
    client, store, event_id = day
    enter(client, event_id, "r02", "practice", 0.0)
    assert bursts(found(store, event_id)) == [("r01", 0.0, 3)]


def test_a_split_makes_two_runs_of_one_and_a_join_one_again(day: tuple[Client, Store, str]) -> None:
    client, store, event_id = day
    enter(client, event_id, "r01", "split", 35.0)
    assert bursts(found(store, event_id)) == [("r01", 0.0, 2), ("r01", 35.0, 1), ("r02", 0.0, 0)]
    enter(client, event_id, "r01", "join", 0.0)
    assert bursts(found(store, event_id)) == [("r01", 0.0, 3), ("r02", 0.0, 0)]


def test_the_page_shows_what_was_said_with_a_way_back_and_the_runs_as_corrected(day: tuple[Client, Store, str]) -> None:
    client, store, event_id = day
    enter(client, event_id, "r01", "practice", 34.0)
    found(store, event_id)
    for path in (f"/events/{event_id}", f"/events/{event_id}/r01/whole"):
        html = client.get(path).text
        assert "r01, 34.0 s to its end: practice, does not count" in html
        (entry,) = store.run_corrections(event_id)
        assert f"/entries/run_corrections/{entry.id}/remove" in html
    assert "practice, does not count" not in client.get(f"/events/{event_id}/r02/whole").text
    bars = re.findall(r'<rect x="([\d.]+)%" width="([\d.]+)%" y="40"', client.get(f"/events/{event_id}").text)
    ends = [float(x) + float(width) for x, width in bars]
    assert ends[0] == pytest.approx(100 * 34.0 / 68.0, abs=0.1)  # of 68 s


def test_a_correction_that_later_ones_outweigh_is_not_listed_as_if_it_counted(day: tuple[Client, Store, str]) -> None:
    client, _, event_id = day
    enter(client, event_id, "r01", "practice", 5.0, 20.0)
    enter(client, event_id, "r01", "split", 30.0)
    enter(client, event_id, "r01", "run", 0.0, 25.0)  # takes the practice back, leaves the split
    enter(client, event_id, "r02", "practice", 0.0)
    enter(client, event_id, "r02", "practice", 0.0)  # said twice: one of the two is enough
    lines = client.get(f"/api/events/{event_id}").json()["corrections"]
    assert [(line["recording"], line["action"], line["replaced"]) for line in lines] == [
        ("r01", "practice", True),
        ("r01", "split", False),
        ("r01", "run", False),
        ("r02", "practice", True),
        ("r02", "practice", False),
    ]
    assert client.get(f"/events/{event_id}").text.count("counts no more: replaced by a later one") == 2
