"""Runs as people corrected them: one recording of 100 s in which the engine ran from 10 s to 90 s."""

import pytest

from logger.analysis.repair.runs import sentences, split
from logger.event import NS_PER_S, Correction, Engine, Event, Recording

RAN = [(10.0, 90.0)]


def said(action: str, from_s: float, to_s: float | None = None) -> Correction:
    return Correction("r01", action, round(from_s * NS_PER_S), None if to_s is None else round(to_s * NS_PER_S))


def test_without_corrections_every_stretch_of_running_stands() -> None:
    found = split(100.0, [(10.0, 40.0), (50.0, 90.0)], [])
    assert (found.counted, found.cuts, found.counts_whole) == ([(0.0, 100.0)], [], True)
    assert found.runs == [(10.0, 40.0), (50.0, 90.0)]


@pytest.mark.parametrize(
    ("corrections", "runs", "counted", "cuts"),
    [
        ([said("practice", 0, 30)], [(30, 90)], [(30, 100)], [30]),
        ([said("practice", 40, 60)], [(10, 40), (60, 90)], [(0, 40), (60, 100)], [40, 60]),
        ([said("practice", 40)], [(10, 40)], [(0, 40)], [40]),
        ([said("practice", 0)], [], [], []),
        ([said("split", 50)], [(10, 50), (50, 90)], [(0, 100)], [50]),
        ([said("split", 50), said("join", 40, 60)], [(10, 90)], [(0, 100)], []),
        ([said("run", 20, 60)], [(10, 20), (20, 60), (60, 90)], [(0, 100)], [20, 60]),
        ([said("practice", 0), said("run", 50, 70)], [(50, 70)], [(50, 70)], [50, 70]),
        ([said("run", 50, 70), said("practice", 0)], [], [], []),
        ([said("practice", 0, 50), said("run", 30, 100)], [(30, 90)], [(30, 100)], [30]),
    ],
)
def test_what_people_say_later_outweighs_what_they_said_before(
    corrections: list[Correction], runs: list[object], counted: list[object], cuts: list[object]
) -> None:
    found = split(100.0, RAN, corrections)
    assert (found.runs, found.counted, found.cuts) == (runs, counted, cuts)


@pytest.mark.parametrize("action", ["join", "run"])
def test_a_stall_within_one_run_does_not_make_two(action: str) -> None:
    found = split(100.0, [(10.0, 40.0), (50.0, 90.0)], [said(action, 5, 95)])
    assert found.runs == [(10.0, 90.0)]


def test_a_split_within_what_was_joined_is_a_split_again() -> None:
    found = split(100.0, RAN, [said("join", 0, 100), said("split", 50)])
    assert found.runs == [(10.0, 50.0), (50.0, 90.0)]


@pytest.mark.parametrize(
    ("corrections", "stretches"),
    [
        ([said("practice", 0, 30)], ["r01, 0.0 s to 30.0 s"]),
        ([said("practice", 40)], ["r01, 40.0 s to its end"]),
        ([said("practice", 0), said("run", 0)], []),
        ([said("practice", 0), said("run", 50, 70)], ["r01, 0.0 s to 50.0 s", "r01, 70.0 s to its end"]),
        ([said("run", 50, 70), said("split", 30)], []),
    ],
)
def test_only_what_is_still_practice_is_said_not_to_count(corrections: list[Correction], stretches: list[str]) -> None:
    event = Event("Day", Engine(cylinders=4), (Recording("r01", 100 * NS_PER_S),), corrections=tuple(corrections))
    assert [sentence.split(":")[0] for sentence in sentences(event)] == stretches
