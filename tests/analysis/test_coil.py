"""What a coil makes of a low supply."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank.states import View
from logger.analysis.signs import coil
from logger.event import Engine
from tests.analysis.small_car import FOUR, drawn, seen, turned

EIGHT = replace(FOUR, cylinders=8, tach_pulses_per_revolution=4.0, redline_rpm=6000.0)
SECONDS = 6.0


def held(volts: float, rpm: float, throttle: float | None = 100.0, engine: Engine = FOUR) -> View:
    """Six seconds at one speed, voltage and, where it is recorded, throttle."""
    traces = {"battery_voltage": drawn(SECONDS, (0, volts), (SECONDS, volts))}
    if throttle is not None:
        traces["throttle_position"] = drawn(SECONDS, (0, throttle), (SECONDS, throttle))
    return seen(turned((0.0, rpm), (SECONDS, rpm), engine=engine), SECONDS, traces, engine)


def as_at_redline(view: View) -> float:
    return float(np.median(coil.volts(view, view.traces["battery_voltage"])))


@pytest.mark.parametrize(("volts", "share"), [(9.3, 0.03), (8.3, 0.12), (7.3, 0.48), (5.0, 1.0)])
def test_the_share_missed_doubles_with_each_half_volt_less_until_none_is_left(volts: float, share: float) -> None:
    assert coil.missed(np.array([volts])) == pytest.approx([share])


@pytest.mark.parametrize(("rpm", "gain"), [(7000.0, 1.0), (6000.0, 1.0), (3000.0, 1.528), (1500.0, 1.528)])
def test_eight_cylinders_charge_their_coil_further_below_the_redline_until_its_dwell_is_full(
    rpm: float, gain: float
) -> None:
    """1.75 ms at 6,000 rev/min, 3.5 of which it takes 3 at 3,000: 1 - exp(-3/5) over 1 - exp(-1.75/5) is 1.528."""
    assert as_at_redline(held(8.0, rpm, engine=EIGHT)) == pytest.approx(8.0 * gain, rel=0.005)


def test_four_cylinders_leave_the_coil_its_dwell_at_any_speed() -> None:
    assert as_at_redline(held(8.0, 6000.0)) == pytest.approx(as_at_redline(held(8.0, 2000.0)), rel=1e-6)


def test_where_no_redline_is_given_the_fastest_of_the_day_stands_for_it() -> None:
    assert as_at_redline(held(8.0, 6000.0, engine=replace(EIGHT, redline_rpm=None))) == pytest.approx(8.0, rel=0.01)


@pytest.mark.parametrize(("throttle", "easier_v"), [(100.0, 0.0), (80.0, 0.0), (40.0, 2.0), (0.0, 4.0)])
def test_behind_a_throttle_that_is_not_open_the_spark_needs_less(throttle: float, easier_v: float) -> None:
    view = held(8.3, 4000.0, throttle)
    missed = coil.missed_at_load(view, 50, 150)
    assert missed is not None
    assert missed.shape == (100,)
    assert float(missed.mean()) == pytest.approx(0.12 * 2.0 ** (-easier_v / 0.5), rel=0.01)


@pytest.mark.parametrize(("rpm", "throttle"), [(900.0, 0.0), (4000.0, None)])
def test_an_idling_engine_needs_as_much_and_one_whose_throttle_nobody_saw_counts_as_pulling(
    rpm: float, throttle: float | None
) -> None:
    missed = coil.missed_at_load(held(8.3, rpm, throttle), 20, 60)
    assert missed is not None
    assert float(missed.mean()) == pytest.approx(0.12, rel=0.01)


def test_where_no_voltage_tells_nothing_is_expected() -> None:
    view = seen(turned((0.0, 4000.0), (SECONDS, 4000.0)), SECONDS, {})
    assert coil.missed_at_load(view, 20, 60) is None
