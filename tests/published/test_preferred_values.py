"""Preferred values and RC arithmetic of the input circuits against published tables."""

import math

import pytest

from hardware import circuits as c
from hardware.circuits import E6, E24, DividerFilter, preferred


def test_e24_has_the_values_of_iec_60063():
    # IEC 60063:2015, preferred number series for resistors, E24 column (from memory).
    table = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
    assert [round(value * 10) for value in E24] == [int(word) for word in table.split()]


@pytest.mark.parametrize(
    ("wanted", "value"), [(99e3, 1e5), (4.8e3, 4.7e3), (1.05, 1.1), (9.6, 10.0), (1.09e-6, 1.1e-6)]
)
def test_the_nearest_preferred_value_is_nearest_by_ratio(wanted, value):
    assert preferred(wanted) == pytest.approx(value)


def test_a_divider_and_its_pole_follow_the_textbook():
    # Any electronics textbook: 10 k over 10 k with 1 uF has ratio 2, source 5 k, corner 31.83 Hz.
    part = DividerFilter(10e3, 10e3, 1e-6)
    assert part.ratio == 2.0
    assert part.corner_hz == pytest.approx(31.83, abs=0.01)
    assert part.attenuation(part.corner_hz) == pytest.approx(1 / math.sqrt(2))


def test_e6_has_the_values_of_iec_60063():
    # IEC 60063:2015, E6 column (from memory).
    assert [round(value * 10) for value in E6] == [10, 15, 22, 33, 47, 68]


def test_every_resistor_of_the_circuits_is_an_e24_value_or_in_the_parts_list_as_e96():
    for part in (c.BATTERY, c.TRANSDUCER, c.HIGH_OHM, c.COOLANT, c.GROUND_DROP, c.KEY_SENSE):
        for ohm in (part.upper, part.lower):
            assert preferred(ohm) == pytest.approx(ohm)
    # IEC 60063, E96 (from memory): 249 is one of its values; it is round(100 * 10 ** (38 / 96)).
    assert round(100 * 10 ** (38 / 96)) == 249
