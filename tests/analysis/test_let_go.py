"""Torque that goes at a stroke behind a throttle held still."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank.states import View
from logger.analysis.signs.let_go import signs
from logger.analysis.signs.motion import LOAD_CENTRES, STEP_NS, Law, Motion
from logger.event import FloatArray
from tests.analysis.small_car import drawn, seen, turned

UNTIL_S, AT = 6.0, 150  # the loss begins at grid step AT, 3 s
LAW = Law(
    axis=np.array([1.0, 0.0, 0.0]), gravity=np.array([0.0, 0.0, 1.0]), c=0.005, open_level=0.3, coast_level=-0.1,
    spread=0.02, levels=np.linspace(-0.1, 0.3, LOAD_CENTRES.size),
)  # fmt: skip


def view(*lies_s: float) -> View:
    """Behind a throttle whose sensor lies from one second to another, if so told."""
    throttle = drawn(UNTIL_S, (0, 60.0), (UNTIL_S, 60.0))
    if lies_s:
        begin, end = np.searchsorted(throttle.time_ns, np.array(lies_s) * 1e9)
        throttle.value[begin:end] = np.nan
    return seen(turned((0.0, 3000.0), (UNTIL_S, 3000.0)), UNTIL_S, {"throttle_position": throttle})


def ride(crank: FloatArray, car: FloatArray, load: FloatArray, weight: FloatArray) -> Motion:
    n = crank.size
    acceleration = np.column_stack((car, np.zeros(n), weight))
    return Motion(
        np.arange(n) * STEP_NS, acceleration, crank, load > 0.5, load < 0.05, np.ones(n, bool), load, np.full(n, 50.0)
    )


def lost(**changes: float) -> Motion:
    """A car that pushes with 0.2 g behind a throttle at 0.6, and is let go for a fifth of a second, swinging on.

    crank: what its acceleration then changes by, rev/s2; car: the car's, g. unrest: of the crank before, rev/s2.
    before, load: of the throttle until and from then on; weight: what the box weighs there, g.
    """
    change = {"crank": -30.0, "car": -0.2, "unrest": 0.5, "before": 0.6, "load": 0.6, "weight": 1.0} | changes
    n = round(UNTIL_S * 1e9) // STEP_NS - 20
    k = np.arange(n)
    crank = change["unrest"] * np.where(k % 4 < 2, 1.0, -1.0)
    car, load, weight = np.full(n, 0.2), np.full(n, change["before"]), np.ones(n)
    crank[AT : AT + 5] += change["crank"]
    crank[AT + 5 : AT + 12] -= 0.7 * change["crank"]
    car[AT : AT + 10] += change["car"]
    load[AT:] = change["load"]
    weight[AT - 10 : AT + 10] = change["weight"]
    return ride(crank, car, load, weight)


def test_a_car_let_go_behind_a_throttle_that_stays_has_lost_its_torque() -> None:
    (found,) = signs(view(), lost(), LAW)
    assert found.kind == "weak_torque"
    assert found.from_ns == pytest.approx(AT * STEP_NS, abs=STEP_NS)
    assert found.earliest_ns is not None
    assert found.earliest_ns <= AT * STEP_NS
    assert found.to_ns == pytest.approx((AT + 6) * STEP_NS, abs=STEP_NS)  # from then on the shafts swing back
    assert found.lost == pytest.approx(10, abs=2)  # 100 firings a second


@pytest.mark.parametrize(
    "changes",
    [
        {"load": 0.3},  # a foot
        {"crank": 30.0},  # a tyre that loses grip
        {"car": 0.2},  # one that finds it again
        {"unrest": 12.0},  # a crank that was swinging before
        {"weight": 0.1},  # in the air
        {"crank": -12.0, "unrest": 2.0},  # a foot on the brake
        {"before": 0.05, "load": 0.05},  # too little throttle for anything to be lost
        {"crank": -6.0},
        {"car": -0.01},
    ],
)
def test_what_else_lets_a_car_go_is_none(changes: dict[str, float]) -> None:
    assert signs(view(), lost(**changes), LAW) == []


def test_what_is_little_against_what_the_load_promises_is_none() -> None:
    light, heavy = lost(crank=-12.0, car=-0.03), replace(LAW, c=0.001, levels=np.linspace(-0.1, 0.5, LOAD_CENTRES.size))
    assert len(signs(view(), light, LAW)) == 1
    assert signs(view(), light, heavy) == []


def test_where_pulses_are_missing_or_the_engine_hardly_runs_the_crank_tells_nothing() -> None:
    tach = turned((0.0, 3000.0), (UNTIL_S, 3000.0))
    gappy = tach[(tach < 3.02e9) | (tach > 3.2e9)]
    assert signs(seen(gappy, UNTIL_S, dict(view().traces)), lost(), LAW) == []
    motion = lost()
    assert signs(view(), replace(motion, running=np.zeros_like(motion.running)), LAW) == []


def test_a_lift_soon_after_is_no_part_of_the_loss() -> None:
    motion = lost()
    motion.acceleration[AT + 20 :, 0] = -0.1
    (found,) = signs(view(), motion, LAW)
    assert found.to_ns < (AT + 10) * STEP_NS


def test_what_came_before_the_recording_is_not_known() -> None:
    motion = lost()
    begun = [np.roll(value, 3 - AT, axis=0) for value in (motion.crank, motion.acceleration)]
    assert signs(view(), replace(motion, crank=begun[0], acceleration=begun[1]), LAW) == []


def test_a_throttle_that_is_not_recorded_is_not_known_to_have_stayed() -> None:
    bare = seen(turned((0.0, 3000.0), (UNTIL_S, 3000.0)), UNTIL_S, {})
    assert signs(bare, lost(), LAW) == []


def test_a_throttle_whose_sensor_lied_is_not_either() -> None:
    assert len(signs(view(), lost(), LAW)) == 1
    assert signs(view(2.5, 3.5), lost(), LAW) == []
    assert signs(view(0.0, UNTIL_S), lost(), LAW) == []


def test_one_edge_out_of_place_on_a_wire_with_few_is_none() -> None:
    """A single gives a pulse in two turns: a tenth of a second at 2,200 rev/min is two of them."""
    single = seen(turned((0.0, 550.0), (UNTIL_S, 550.0)), UNTIL_S, dict(view().traces))
    motion = lost(car=-0.2)
    motion.acceleration[AT + 5 :, 0] = 0.2
    assert signs(single, motion, LAW) == []
