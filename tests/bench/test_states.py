"""The engine's states against the virtual car's controls, on few drives; python -m tests.bench.states for figures."""

import numpy as np
import pytest

from logger.analysis.crank.states import State
from logger.virtualcar.generated import HEALTHY, build_case
from tests.bench.states import WORDS, Tally, event_of, truth_at, views_of


@pytest.fixture(scope="module")
def tallies() -> dict[str, Tally]:
    """One day of a car, seen with a throttle, with a rail that shows load, and with neither."""
    case = build_case("case", 5, HEALTHY, "six_injected")
    spans = {drive.name: drive.truth["doing"] for drive in case.drives}
    found = {}
    for load, without in (
        ("throttle_position", ()),
        ("fuel_pressure", ("throttle_position",)),
        ("no load channel", ("throttle_position", "fuel_pressure")),
    ):
        tally = Tally()
        for view in views_of(event_of(case, 5, without)):
            tally.add(view, spans[view.recording.name])
        found[load] = tally
    return found


@pytest.mark.parametrize("load", ["throttle_position", "fuel_pressure", "no load channel"])
def test_gear_changes_are_found_and_little_else_is_taken_for_one(tallies: dict[str, Tally], load: str) -> None:
    counts = {how: n for (word, how), n in tallies[load].changes.items() if word == "gear_change"}
    assert counts["found"] >= 8
    assert counts["found"] >= 0.85 * (counts["found"] + counts.get("missed", 0))
    assert counts["true"] >= 0.75 * sum(n for how, n in counts.items() if how not in ("found", "missed"))


@pytest.mark.parametrize(
    ("load", "word", "least"),
    [
        ("throttle_position", State.PULLING, 0.97),
        ("throttle_position", State.OVERRUN, 0.97),
        ("throttle_position", State.STEADY, 0.95),
        ("throttle_position", State.CLUTCH_IN, 0.5),
        ("fuel_pressure", State.PULLING, 0.9),
        ("fuel_pressure", State.OVERRUN, 0.95),
        ("no load channel", State.OVERRUN, 0.85),
        ("no load channel", State.IDLE, 0.9),
    ],
)
def test_firings_get_the_state_that_they_had(tallies: dict[str, Tally], load: str, word: State, least: float) -> None:
    row = tallies[load].firings[load][word]
    assert row.sum() > 50
    assert row[word] / row.sum() > least


def test_the_report_gives_the_counts() -> None:
    tally = Tally()
    tally.changes.update({("gear_change", "found"): 3, ("gear_change", "missed"): 1, ("gear_change", "true"): 3})
    tally.at_stumbles.update({("pulling", "pulling"): 4, ("pulling", "steady"): 1})
    said = tally.report()
    for part in ("found 0.7500", "(3/4)", "at stumbles: 0.8000", "pulling said to be steady: 1"):
        assert part in said


def test_the_truth_at_a_time_is_that_of_the_span_it_lies_in() -> None:
    spans = [{"from_s": 0.0, "to_s": 2.0, "state": "idle"}, {"from_s": 2.0, "to_s": 3.0, "state": "pulling"}]
    assert [WORDS[k] for k in truth_at(spans, np.array([1.9, 2.1])).tolist()] == ["idle", "pulling"]
