"""The limits of the start check against published ones: what manuals call healthy is never a stop."""

import numpy as np
import pytest

from logger.check import box, idling, sensors, standing
from logger.conversion import Thermistor

# Open-circuit voltage by state of charge: full, half, empty. Three published lists: a mailing list's rule of thumb
# (lists.ettus.com), a magazine's table with specific gravity (motorhome.com, without the empty row), and a vehicle
# maker's owner's manual for AGM batteries (publications.polaris.com).
RESTED_V = {"rule of thumb": (12.6, 12.2, 11.6), "flooded": (12.66, 12.30, None), "AGM": (13.2, 12.6, 12.0)}
# A car maker's service manual, regulated voltage by regulator temperature: lowest and highest
# (auto-manuals.com, page M116100030162600).
CHARGING_V = {-20: (14.0, 15.1), 20: (13.7, 14.6), 60: (13.2, 14.3), 80: (12.9, 14.1)}


@pytest.mark.parametrize("kind", RESTED_V)
def test_a_rested_battery_from_half_to_full_is_in_order(kind: str) -> None:
    full, half, empty = RESTED_V[kind]
    low, high = standing.REST_V
    assert low < half < full < high
    assert empty is None or empty > standing.EMPTY_V  # flat is to be charged, not yet a stop


@pytest.mark.parametrize("degc", [20, 60])
def test_a_charging_voltage_of_the_manual_is_in_order(degc: int) -> None:
    low, high = idling.CHARGING_V
    assert low <= CHARGING_V[degc][0]
    assert CHARGING_V[degc][1] <= high


@pytest.mark.parametrize("degc", CHARGING_V)
def test_no_charging_voltage_of_the_manual_is_a_stop(degc: int) -> None:
    assert idling.DYING_V < CHARGING_V[degc][0] < CHARGING_V[degc][1] < idling.BOILING_V


def test_fifteen_volts_are_the_published_alarm() -> None:
    # bekomcar.com: over-voltage alarm at 15.0 V and 2,500 rpm.
    assert idling.CHARGING_V[1] == 15.0


# Coolant sensor of a passenger car's workshop manual of 2020 (lemon-manuals.la), its table's ends: ohm at degC.
def test_a_coolant_sensor_anywhere_in_its_published_table_is_no_broken_wire() -> None:
    thermistor = Thermistor.from_points([(-20.0, 15971.0), (40.0, 1152.0), (120.0, 105.4)], 2490.0)
    for degc in (-40.0, 140.0):
        share = float(thermistor.to_volts(np.array(degc), np.array(5.0))) / 5.0
        assert sensors.SHORT_NTC < share < sensors.OPEN_NTC


def test_two_slopes_as_steep_as_roads_get_are_no_loose_box() -> None:
    # Common practice, no source: public hill roads reach 12 percent; facing up one and then down another.
    assert 2.0 * np.degrees(np.arctan(0.12)) < box.TILTED_DEG


def test_the_pis_high_level_is_what_the_key_sense_is_built_for() -> None:
    # Raspberry Pi documentation, BCM2711: VIL at most 0.8 V, VIH at least 2.0 V, pulls 33 to 73 kohm.
    from hardware import circuits as c

    assert (c.PI_LOW_V, c.PI_HIGH_V, c.PI_PULL_DOWN_OHM) == (0.8, 2.0, (33e3, 73e3))
