"""Firings lost at idle: a drop of the crank's speed at a stroke, and what else lets an idle sag."""

import numpy as np
import pytest

from logger.analysis.signs import idle_drops
from logger.analysis.signs.sign import Sign
from logger.event import Trace
from tests.analysis.array_car import nanoseconds
from tests.analysis.small_car import drawn, seen, turned

S = 1_000_000_000


def found(
    *,
    falls_s: float = 0.12,
    to_rpm: float = 640.0,
    back_s: float = 0.5,
    back_rpm: float = 900.0,
    throttle: float = 1.0,
    moves_g: float | None = 0.0,
) -> list[Sign]:
    """An idle at 900 rev/min that falls at 10 s. throttle: in % from then on; moves_g: of the car, half a second;
    None: no accelerometer."""
    low = 10.0 + falls_s
    tach = turned((0.0, 900.0), (10.0, 900.0), (low, to_rpm), (low + back_s, back_rpm), (20.0, back_rpm))
    traces = {"throttle_position": drawn(20.0, (0, 1.0), (9.95, 1.0), (10.05, throttle), (20.0, throttle))}
    if moves_g is not None:
        time = np.arange(0.0, 20.0, 0.0025)
        shakes = 0.05 * np.sin(2.0 * np.pi * 30.0 * time)  # twice a turn
        pushed = np.where((time > 10.1) & (time < 10.6), moves_g, 0.0)
        value = np.column_stack((shakes + pushed, shakes, 1.0 + shakes))
        traces["acceleration"] = Trace(nanoseconds(time), value)
    return idle_drops.signs(seen(tach, 20.0, traces))


def test_an_idle_that_falls_at_a_stroke_and_comes_back_lost_firings() -> None:
    (sign,) = found()
    assert sign.from_ns / S == pytest.approx(10.0, abs=0.05)
    assert sign.to_ns / S == pytest.approx(10.2, abs=0.08)
    assert 2.0 <= sign.lost <= 7.0  # a firing each 33 to 47 ms


def test_a_drop_that_nearly_stopped_the_engine_counts_too() -> None:
    assert len(found(to_rpm=350.0, falls_s=0.25, back_s=0.8)) == 1


@pytest.mark.parametrize(
    "innocent",
    [
        {"falls_s": 0.6},  # a clutch let in gently, or an idle that hunts
        {"to_rpm": 820.0},
        {"to_rpm": 790.0, "falls_s": 0.03},  # at a stroke, but one firing may do that
        {"back_s": 3.0},  # another load on the engine
        {"back_rpm": 1300.0, "back_s": 0.4},  # the driver's foot
        {"throttle": 20.0},
        {"moves_g": 0.2},
    ],
)
def test_what_sags_otherwise_lost_none(innocent: dict[str, float]) -> None:
    assert found(**innocent) == []


def test_without_an_accelerometer_nobody_knows_of_the_clutch() -> None:
    assert found(moves_g=None) == []
