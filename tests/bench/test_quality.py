"""The matcher and the bounds of the quality benchmark, on cases small enough to work out by hand."""

from typing import Any

import pytest

from tests.bench.quality import Tally, bounds, cost, left_over, pair, rate_bounds


def true(onset: float, end: float, *, engine: float | None = None, scored: bool = True) -> dict[str, Any]:
    return {
        "recording": "r01", "onset_s": onset, "engine_onset_s": engine or onset, "end_s": end, "cause": "fuel_delivery",
        "accept": ["fuel_delivery"], "scored": scored, "effect": "cutout", "effective_lost": 9.0, "fault": "surge",
    }  # fmt: skip


def found(onset: float, end: float, cause: str = "fuel_delivery") -> dict[str, Any]:
    return {
        "recording": "r01", "onset_s": onset, "engine_onset_s": onset, "end_s": end, "cause": cause,
        "first_to_move": "fuel_pressure", "probability": {cause: 0.9, "undetermined": 0.1},
    }  # fmt: skip


def event(stumbles: list[dict[str, Any]], main: str | None = "fuel_delivery") -> dict[str, Any]:
    return {
        "stumbles": stumbles, "running_s": 3600.0, "sensor_faults": [], "repairs": [],
        "event": {"main_cause": main, "accept_main": [main], "linked_heat": False, "linked_shock": False,
                  "links_scored": {"heat": False, "shock": False}},
    }  # fmt: skip


def test_an_onset_between_signal_and_engine_costs_nothing() -> None:
    assert cost(true(10.0, 12.0, engine=10.4), found(10.2, 11.0)) == 0.0
    assert cost(true(10.0, 12.0, engine=10.4), found(10.7, 11.0)) == pytest.approx(0.3)


def test_an_overlap_counts_but_not_of_a_finding_that_covers_everything() -> None:
    assert cost(true(10.0, 12.0), found(11.0, 11.5)) == pytest.approx(11.0)
    assert cost(true(10.0, 10.1), found(0.0, 60.0)) is None
    assert cost(true(10.0, 10.1), found(20.0, 21.0)) is None


def test_each_finding_serves_one_stumble_and_scored_ones_first() -> None:
    truth = [true(10.0, 10.2, scored=False), true(10.1, 10.4)]
    assert pair(truth, [found(10.05, 10.3)]) == [(1, 0)]


def test_a_second_finding_inside_a_stumble_is_a_fragment() -> None:
    truth = [true(10.0, 12.0)]
    assert left_over(truth, found(11.0, 11.2)) == "fragment"
    assert left_over(truth, found(20.0, 20.1)) == "false"
    assert left_over([true(10.0, 12.0, scored=False)], found(11.0, 11.2)) == "neutral"


def test_counts_of_a_small_event() -> None:
    tally = Tally()
    wrong = tally.add(event([true(10.0, 11.0), true(20.0, 21.0)]), {"stumbles": [found(10.1, 10.9), found(50.0, 51.0)],
                                                                   "main_cause": "fuel_delivery"})  # fmt: skip
    assert (tally.stumbles, tally.hit, tally.false) == (2, 1, 1)
    assert tally.outside_ms == [pytest.approx(100.0)]
    assert [line.split()[0] for line in wrong] == ["onset", "missed", "false"]


def test_a_quiet_event_is_kept_quiet_only_without_a_cause() -> None:
    tally = Tally()
    tally.add(event([], None), {"stumbles": [], "main_cause": None})
    tally.add(event([], None), {"stumbles": [], "main_cause": "mixture"})
    assert tally.quiet == [True, False]


def test_exact_bounds_agree_with_the_rules_of_three() -> None:
    low, high = bounds(100, 100)
    assert low == pytest.approx(0.025 ** (1.0 / 100.0))
    assert high == 1.0
    # no event in 10 h: the upper bound is -ln(0.025) / 10
    assert rate_bounds(0, 10.0) == pytest.approx((0.0, 0.36889), abs=1e-5)


def test_calibration_error_is_the_gap_between_what_is_said_and_what_is_right() -> None:
    tally = Tally(chance=[(0.95, True)] * 8 + [(0.95, False)] * 2)
    assert tally.calibration_error() == pytest.approx(0.15)
