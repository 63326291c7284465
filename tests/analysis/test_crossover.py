"""Conditions within runs, each with the others held."""

import numpy as np
import pytest

from logger.analysis.links.crossover import crossover
from logger.analysis.links.frames import Frame, frame
from tests.analysis.invented import ENGINE, run, stumble

KNOCKS = [(6.0, 3.0), (14.0, 2.4), (23.0, 3.0), (31.0, 2.6), (44.0, 4.0), (52.0, 3.0)]


def frames(onsets: dict[str, list[float]]) -> list[Frame]:
    """Runs with sideways g that swings slowly, and stumbles at the given times."""
    found = []
    for number, (name, times) in enumerate(onsets.items()):
        one = run(name, KNOCKS)
        shaken = one.traces["acceleration"]
        shaken.value[:, 1] = 0.5 * np.sin(2 * np.pi * (shaken.time_ns / 1e9 / 20.0 + number / 8))
        found.append(frame(one, ENGINE, [(0.0, 60.0)], [stumble(name, at_s) for at_s in times]))
    return found


def at_risk(found: list[Frame]) -> list[np.ndarray]:
    return [cells.at_risk & cells.driving for cells in found]


def test_struck_stumbles_and_the_odds_of_being_struck_anyway() -> None:
    found = frames({"r01": [6.04, 23.04, 38.0, 52.04], "r02": [6.04, 18.0, 31.04, 44.04]})
    shock = crossover(found, at_risk(found))["shock"]
    assert shock["low"] > 1.0
    assert shock["p"] < 0.01


def test_stumbles_that_are_always_struck_have_no_upper_limit() -> None:
    found = frames({"r01": [6.04, 23.04, 44.04], "r02": [6.04, 31.04, 52.04]})
    shock = crossover(found, at_risk(found))["shock"]
    assert (shock["odds_ratio"], shock["high"]) == (None, None)
    assert shock["p"] < 0.001


def test_too_few_bursts_are_not_taken_apart() -> None:
    found = frames({"r01": [6.04, 23.04, 44.04]})
    assert crossover(found, at_risk(found))["adjusted"] == []


def test_with_enough_bursts_shock_holds_and_what_only_goes_along_does_not() -> None:
    onsets = [6.04, 14.04, 20.0, 27.0, 36.0, 44.04, 52.04]
    found = frames({f"r{k}": onsets for k in range(4)})
    adjusted = {one["name"]: one for one in crossover(found, at_risk(found))["adjusted"]}
    assert adjusted["shock"]["low"] > 1.0
    assert adjusted["shock"]["p"] < 0.001
    assert adjusted["lateral_g"]["p"] > 0.05


def test_no_runs_and_no_stumbles_say_nothing() -> None:
    assert crossover([], [])["adjusted"] == []
    found = frames({"r01": []})
    assert crossover(found, at_risk(found))["shock"]["p"] == pytest.approx(1.0)


def test_a_condition_that_never_varied_is_left_out_and_disturbs_nothing() -> None:
    """A smooth road: nothing was ever struck, and 0 over 0 is not a number."""
    onsets = [5.0, 13.0, 20.0, 27.0, 36.0, 45.0, 52.0]
    found = [
        frame(run(f"r{k}"), ENGINE, [(0.0, 60.0)], [stumble(f"r{k}", at_s + k) for at_s in onsets]) for k in range(4)
    ]
    assert "shock" not in [one["name"] for one in crossover(found, at_risk(found))["adjusted"]]
