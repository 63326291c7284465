"""Limits that the analysis and the bench tests use, against published values; each check names its source."""

import numpy as np
import pytest

from logger.analysis.channels import electrical, sensor_faults
from logger.analysis.channels.plausible import PLAUSIBLE
from logger.analysis.failure.procedures import procedures
from logger.event import NS_PER_S, Engine, Recording, Trace

ENGINE = Engine(cylinders=4, idle_rpm=850)

# A car maker's service manual, charging system: regulated voltage against regulator temperature
# (auto-manuals.com, page M116100030162600).
CHARGING = {20: (13.7, 14.6), 60: (13.2, 14.3), 80: (12.9, 14.1)}
# A car maker's workshop manual, battery load test: least voltage after 15 s at half the cold-crank rating
# (lemon-manuals.org.ua, "Load Test").
LOAD_TEST = {20: 9.6, 10: 9.4, -1: 9.1}
# ISO 16750-2, 4.2, supply voltage code A: 6 V to 16 V (read in a text fragment of the 2010 edition).
CODE_A_V = (6.0, 16.0)
# A car maker's workshop manual of 2020, coolant sensor of 2.5 kOhm at 20 °C (lemon-manuals.la, "Sensor, Coolant
# Temperature"): the table's ends.
COOLANT_TABLE_DEGC = (-40.0, 140.0)
# IEC 60028, standard of resistance for copper: 0.00393 per kelvin at 20 °C (from memory).
COPPER_PER_K = 0.00393


def passes(key: str) -> str:
    (procedure,) = [procedure for procedure in procedures() if procedure.key == key]
    return " ".join(limit.passes for limit in procedure.limits)


@pytest.mark.parametrize(("degc", "volts"), CHARGING.items())
def test_the_charging_test_asks_for_the_published_voltage(degc: int, volts: tuple[float, float]) -> None:
    assert f"{volts[0]}-{volts[1]} V" in passes("charging")
    assert f"{degc} °C" in passes("charging")


def test_the_published_charging_voltage_falls_by_about_ten_millivolts_a_degree() -> None:
    # Another maker states -0.1 V per 10 °C; the table's ends agree within a third.
    for end in (0, 1):
        slope = (CHARGING[80][end] - CHARGING[20][end]) / 60
        assert slope == pytest.approx(-0.010, rel=0.35)


@pytest.mark.parametrize(("degc", "volts"), LOAD_TEST.items())
def test_the_battery_test_asks_for_the_published_voltage_under_load(degc: int, volts: float) -> None:
    assert f"{volts} V" in passes("battery_load")
    assert f"{degc} °C" in passes("battery_load")


def test_the_coil_test_expects_coppers_rise_with_heat() -> None:
    assert "about 0.4 % per degree" in passes("coil_primary")
    assert pytest.approx(100 * COPPER_PER_K, abs=0.01) == 0.4


def test_no_battery_voltage_within_the_supply_standard_is_called_a_lie() -> None:
    assert CODE_A_V[0] > electrical.COIL_DEAD_V
    assert PLAUSIBLE["battery_voltage"].high > CODE_A_V[1]


def test_the_coolant_limits_leave_every_running_temperature_of_the_published_sensor_inside() -> None:
    limits = PLAUSIBLE["coolant_temperature"]
    # An open wire reads the cold end of the table or below it; a running engine never does.
    assert COOLANT_TABLE_DEGC[0] < limits.low < 0
    assert limits.high > COOLANT_TABLE_DEGC[1]


@pytest.mark.parametrize("full_scale_kpa", [100.0, 400.0, 689.4757293168, 1000.0])
def test_an_open_wire_on_a_ratiometric_transducer_is_found_whatever_its_range(full_scale_kpa: float) -> None:
    # onlinesensors.co.uk, "ratiometric pressure sensor": output 10 % to 90 % of supply, so P = Pfs (V/Vs - 0.1)/0.8.
    open_kpa = full_scale_kpa * (0.0 / 5.0 - 0.1) / 0.8
    assert open_kpa == pytest.approx(-0.125 * full_scale_kpa)
    usual_kpa = 0.35 * full_scale_kpa
    time_ns = np.arange(3000, dtype=np.int64) * (NS_PER_S // 100)
    value = usual_kpa + 0.01 * usual_kpa * np.random.default_rng(1).standard_normal(time_ns.size)
    value[1000:1500] = open_kpa
    pulses = np.arange(0, 30 * NS_PER_S, NS_PER_S // 100)
    recording = Recording("r01", 30 * NS_PER_S, {"fuel_pressure": Trace(time_ns, value)}, {"tach_pulses": pulses})
    (fault,) = sensor_faults.find(recording, ENGINE)
    assert (fault.channel, fault.kind, fault.from_s) == ("fuel_pressure", "open", 10.0)


# ISO 16750-2, starting profile, 12 V (level I read in a generator's preset; II to IV from memory):
# least voltage, voltage while cranking, s at the least, s to rise, s of cranking, s to recover.
STARTING = {
    "I": (8.0, 9.5, 0.015, 0.050, 1.0, 0.040),
    "II": (4.5, 6.5, 0.015, 0.050, 10.0, 0.100),
    "III": (3.0, 5.0, 0.015, 0.050, 1.0, 0.100),
    "IV": (6.0, 6.5, 0.015, 0.050, 10.0, 0.100),
}


@pytest.mark.parametrize("level", STARTING)
def test_the_starting_profile_of_the_supply_standard_is_no_sensor_fault(level: str) -> None:
    least, crank, hold_s, rise_s, crank_s, recover_s = STARTING[level]
    bends_s = np.cumsum([1.0, 0.005, hold_s, rise_s, crank_s, recover_s])
    time_s = np.arange(0.0, bends_s[-1] + 20.0, 0.01)
    ripple = np.sin(2 * np.pi * 2.0 * time_s) * ((time_s > bends_s[3]) & (time_s < bends_s[4]))
    noise = 0.01 * np.random.default_rng(2).standard_normal(time_s.size)
    volts = np.interp(time_s, bends_s, [12.0, least, least, crank, crank, 12.0]) + ripple + noise
    cranking_s = np.arange(1.05, bends_s[4], 0.15)  # 200 rpm of four cylinders
    running_s = np.arange(bends_s[5], time_s[-1], 0.035)  # 850 rpm
    pulses = (np.concatenate([cranking_s, running_s]) * NS_PER_S).astype(np.int64)
    time_ns = np.rint(time_s * NS_PER_S).astype(np.int64)
    traces = {"battery_voltage": Trace(time_ns, volts), "ignition_feed_voltage": Trace(time_ns, volts - 0.4)}
    recording = Recording("r01", int(time_ns[-1]), traces, {"tach_pulses": pulses})
    assert sensor_faults.find(recording, ENGINE) == []
    # Not even where cranking is taken for running.
    assert sensor_faults.find(recording, ENGINE, running=[(1.0, float(time_s[-1]))]) == []
