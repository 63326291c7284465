"""Interval and speed arithmetic of the tach wire, against numbers worked out by hand.

A four-stroke fires cylinders / 2 times a revolution, a two-stroke cylinders times (any textbook on engines, from
memory). An engine without combustion loses at most about 530 rad/s2 (fmep after Barnes-Moss in J. B. Heywood,
"Internal Combustion Engine Fundamentals", 1988, ch. 13, from memory), so that for a four-cylinder engine at 3000 rpm
the next interval is longer by less than a fiftieth: far from the factor two of a lost pulse.
"""

import numpy as np
import pytest

from logger.analysis.crank.pulses import LONG, clean
from logger.event import Engine


@pytest.mark.parametrize(
    ("cylinders", "strokes", "rpm", "interval_ms"),
    [
        (4, 4, 3000, 10.0),  # two firings in 20 ms
        (4, 4, 900, 33.333),
        (6, 4, 6000, 3.333),  # three in 10 ms
        (8, 4, 700, 21.429),  # four in 85.714 ms
        (1, 4, 1200, 100.0),  # one in two turns
        (1, 2, 1200, 50.0),
        (3, 2, 6000, 3.333),
    ],
)
def test_speed_from_intervals(cylinders: int, strokes: int, rpm: float, interval_ms: float) -> None:
    engine = Engine(cylinders=cylinders, strokes=strokes, idle_rpm=900)
    at = np.rint(np.arange(100) * interval_ms * 1e6).astype(np.int64)
    assert clean(at, engine).speed_rps * 60 == pytest.approx(np.full(100, rpm), rel=1e-3)


def test_the_fastest_slowing_of_an_engine_lies_far_from_a_lost_pulse() -> None:
    # alpha = 531 rad/s2 at 3000 rpm, segments of half a turn: T2 / T1 from w^2 = w0^2 - 2 alpha phi.
    speed = np.sqrt((3000 * np.pi / 30) ** 2 - 2 * 531 * np.pi * np.arange(3))
    time = 2 * np.pi / (speed[:-1] + speed[1:])  # mean speed of each segment under constant deceleration
    assert time[1] / time[0] == pytest.approx(1.017, abs=0.003)
    assert time[1] / time[0] < LONG
