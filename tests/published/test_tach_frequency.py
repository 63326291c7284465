"""Pulses on the tach wire and crank speed for 1 to 8 cylinders.

Source of the law: one power stroke for each cylinder in two revolutions (ukcar.com, "four-stroke cycle"), so
rpm = 120 f / N with one pulse for each firing.
"""

import pytest

from logger.event import Engine

# Cylinders: pulses per revolution, Hz at 800 rpm, interval in ms at 800, 3000 and 6500 rpm.
TABLE = {
    1: (0.5, 6.667, (150.0, 40.0, 18.46)),
    2: (1.0, 13.333, (75.0, 20.0, 9.231)),
    3: (1.5, 20.0, (50.0, 13.33, 6.154)),
    4: (2.0, 26.667, (37.5, 10.0, 4.615)),
    5: (2.5, 33.333, (30.0, 8.0, 3.692)),
    6: (3.0, 40.0, (25.0, 6.667, 3.077)),
    7: (3.5, 46.667, (21.429, 5.714, 2.637)),
    8: (4.0, 53.333, (18.75, 5.0, 2.308)),
}


@pytest.mark.parametrize("cylinders", TABLE)
def test_a_four_stroke_gives_half_a_pulse_per_cylinder_and_revolution(cylinders: int) -> None:
    pulses, hertz, intervals = TABLE[cylinders]
    engine = Engine(cylinders)
    assert engine.pulses_per_revolution == pulses
    assert 800 / 60 * engine.pulses_per_revolution == pytest.approx(hertz, abs=0.001)
    for rpm, interval_ms in zip((800, 3000, 6500), intervals, strict=True):
        assert 60e3 / (rpm * engine.pulses_per_revolution) == pytest.approx(interval_ms, abs=0.005)


def test_a_two_stroke_fires_each_cylinder_every_revolution() -> None:
    # Common practice, no source: a two-stroke has no idle stroke.
    assert Engine(3, strokes=2).pulses_per_revolution == 3.0


def test_a_control_units_tach_output_keeps_its_own_pulses_per_revolution() -> None:
    # Owner's manuals of a 2004 6.0-litre V8 and a 2003 3.8-litre V6: 2 pulses per revolution whatever the cylinders.
    assert Engine(8, tach_pulses_per_revolution=2.0).pulses_per_revolution == 2.0
