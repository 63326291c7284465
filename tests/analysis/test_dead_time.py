"""How late an exhaust probe reads, told by the crank."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank.states import View
from logger.analysis.signs.dead_time import by_the_crank
from logger.analysis.signs.lag import undo_lag
from logger.analysis.signs.probe import learn
from logger.event import NS_PER_S, Trace
from tests.analysis.small_car import FOUR, seen, turned
from tests.analysis.test_lean import STEP_S, TAU_S, driven, lagged

CARBURETTOR = replace(FOUR, fuel_system="carburettor")


def missing_now_and_then(dead_s: float, *, slows_before: float = 0.0, gap_s: float = 0.3) -> View:
    """Three minutes about 3,000 rev/min without a load channel; firings are lost for a fifth of a second at a time, in
    which the crank slows by a tenth. slows_before: by so much it also slows gap_s earlier, as a driver makes it."""
    random = np.random.default_rng(4)
    begins = np.cumsum(random.uniform(1.5, 4.0, 60))
    points = [(0.0, 3000.0)]
    for at in begins:
        if slows_before:
            earlier, slowed = at - gap_s, 3000.0 * (1.0 - slows_before)
            points += [(earlier, 3000.0), (earlier + 0.15, slowed)]
        points += [(at, 3000.0), (at + 0.2, 2700.0), (at + 0.4, 3000.0)]
    until_s = float(begins[-1]) + 2.0
    time = np.arange(0.0, until_s, STEP_S)
    ratio = np.full(time.size, 13.0)
    for at in begins:
        ratio[(time - dead_s >= at) & (time - dead_s < at + 0.2)] = 18.0
    reading = lagged(ratio) + 0.03 * random.standard_normal(time.size)
    probe = Trace(np.rint(time * NS_PER_S).astype(np.int64), reading)
    tach = turned(*points, (until_s, 3000.0), engine=CARBURETTOR)
    return seen(tach, until_s, {"air_fuel_ratio": probe}, CARBURETTOR)


def told_ms(view: View) -> float | None:
    told_ns = by_the_crank([view], [undo_lag(view.traces["air_fuel_ratio"], STEP_S, TAU_S)])
    return None if told_ns is None else told_ns / 1e6


@pytest.mark.parametrize("dead_s", [0.05, 0.18, 0.35])
def test_the_crank_that_slows_tells_when_the_air_set_out(dead_s: float) -> None:
    view = missing_now_and_then(dead_s)
    assert told_ms(view) == pytest.approx(1000.0 * dead_s, abs=20.0)
    probe = learn([view])
    assert probe is not None
    assert probe.dead_ns / NS_PER_S == pytest.approx(dead_s, abs=0.03)


def test_a_crank_that_slows_before_as_well_does_not_make_the_air_later() -> None:
    """The driver's doing is the stronger of the two, and lies further from the air."""
    assert told_ms(missing_now_and_then(0.05, slows_before=0.15)) == pytest.approx(50.0, abs=20.0)


@pytest.mark.parametrize("until_s", [20.0, 60.0])
def test_a_mixture_that_wanders_by_itself_tells_nothing_in_a_short_event(until_s: float) -> None:
    for seed in range(10):
        random = np.random.default_rng(seed)
        time = np.arange(0.0, until_s, STEP_S)
        wander = np.convolve(random.standard_normal(time.size), np.ones(15) / 4.0, "same")
        probe = Trace(np.rint(time * NS_PER_S).astype(np.int64), lagged(13.5 + wander))
        points = [(at, 3000.0 + 150.0 * random.standard_normal()) for at in np.arange(0.0, until_s + 0.3, 0.3)]
        view = seen(turned(*points, engine=CARBURETTOR), until_s, {"air_fuel_ratio": probe}, CARBURETTOR)
        assert told_ms(view) is None


def test_a_crank_that_keeps_its_speed_tells_nothing() -> None:
    assert told_ms(driven(0.1)) is None


def test_a_probe_whose_wire_was_off_for_a_while_tells_by_the_rest() -> None:
    view = missing_now_and_then(0.18)
    probe = view.traces["air_fuel_ratio"]
    there = (probe.time_ns < 30 * NS_PER_S) | (probe.time_ns > 50 * NS_PER_S)
    holed = replace(view, traces={"air_fuel_ratio": Trace(probe.time_ns[there], probe.value[there])})
    assert told_ms(holed) == pytest.approx(180.0, abs=20.0)
