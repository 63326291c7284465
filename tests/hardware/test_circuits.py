"""The input circuits under the stresses a car gives them, in ngspice.

Stress levels: ISO 16750-2 and ISO 7637-2 as quoted in secondary sources (load dump 79-101 V, 40-400 ms; clamped 35 V;
starting level III down to 3 V is from memory; pulses 1, 2a, 3a, 3b: -112/+55/-165/+112 V are from memory).
Absolute limits of the input pins: 0.3 V beyond ground and supply (ADS1115 data sheet SBAS444).
"""

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from hardware import circuits as c

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None and os.environ.get("CI") != "true",
    reason="ngspice is not installed (Debian package ngspice)",
)


def simulate(netlist: str, seconds: float, step: float, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Run a transient; times and volts at the pin."""
    deck = folder / "deck.cir"
    control = f".control\ntran {step:g} {seconds:g} 0 {step:g}\nwrdata out.txt v(pin)\n.endc\n.end\n"
    deck.write_text(netlist + control, encoding="utf-8")
    result = subprocess.run(["ngspice", "-b", "deck.cir"], cwd=folder, capture_output=True, text=True, timeout=120)
    out = folder / "out.txt"
    assert out.exists(), result.stdout + result.stderr
    table = np.loadtxt(out)
    return table[:, 0], table[:, 1]


@needs_ngspice
@pytest.mark.parametrize(
    ("name", "source", "seconds"),
    [
        ("unclamped load dump", c.pwl(c.load_dump(101.0, 0.4)), 0.9),
        ("clamped load dump", c.pwl(c.load_dump(101.0, 0.4, clamp_v=35.0)), 0.9),
        ("reverse battery", "-14", 0.3),
        ("starting profile down to 3 V", c.pwl(c.cranking_profile(3.0, 5.0, 1.0)), 1.3),
        ("pulse 1", c.pwl([(0, 13.5), (1e-3, 13.5), (1.001e-3, -112), (3e-3, 0), (4e-3, 13.5)]), 0.02),
        ("pulse 2a", c.pwl([(0, 13.5), (1e-3, 13.5), (1.001e-3, 68.5), (1.05e-3, 13.5)]), 0.02),
        ("pulses 3a and 3b", c.pwl([(0, 13.5), (1e-3, 13.5), (1.000005e-3, -165), (1.0001e-3, 13.5),
                                    (2e-3, 13.5), (2.000005e-3, 112), (2.0001e-3, 13.5)]), 0.005),
    ],
)  # fmt: skip
def test_no_stress_on_the_battery_tap_takes_the_adc_pin_past_its_absolute_maximum(name, source, seconds, tmp_path):
    _, volts = simulate(c.divider_netlist(name, c.BATTERY, source), seconds, seconds / 4000, tmp_path)
    assert volts.min() > c.PIN_LOW_V
    assert volts.max() < c.PIN_HIGH_V


@needs_ngspice
def test_a_transducer_wire_shorted_to_the_battery_leaves_the_adc_pin_within_its_limits(tmp_path):
    _, volts = simulate(c.divider_netlist("short", c.TRANSDUCER, "14.8"), 0.2, 1e-4, tmp_path)
    assert volts.max() < c.PIN_HIGH_V


@needs_ngspice
def test_the_divider_reads_a_steady_battery_to_one_percent_with_the_clamp_fitted(tmp_path):
    _, volts = simulate(c.divider_netlist("steady", c.BATTERY, "13.8"), 0.2, 1e-4, tmp_path)
    assert volts[-1] * c.BATTERY.ratio == pytest.approx(13.8, rel=0.01)


@needs_ngspice
@pytest.mark.parametrize(
    ("rpm", "pulses_per_revolution", "supply_v", "flyback_v"),
    [(150.0, 3.0, 8.0, 250.0), (150.0, 0.5, 8.0, 250.0), (850.0, 3.0, 13.8, 350.0), (3000.0, 2.0, 13.8, 400.0),
     (6500.0, 3.0, 13.8, 400.0), (7500.0, 4.0, 14.4, 400.0)],
)  # fmt: skip
def test_the_tach_input_gives_one_clean_falling_edge_for_each_firing(
    rpm, pulses_per_revolution, supply_v, flyback_v, tmp_path
):
    n_pulses = 6
    interval = 60.0 / rpm / pulses_per_revolution
    wave = c.coil_negative(rpm, pulses_per_revolution, supply_v, flyback_v, n_pulses)
    step = min(5e-6, interval / 400)
    time_s, volts = simulate(c.tach_netlist("tach", c.TACH, c.pwl(wave)), wave[-1][0], step, tmp_path)
    assert volts.min() > c.PIN_LOW_V
    assert volts.max() < c.PIN_HIGH_V
    # A Pi pin reads high from 2.0 V and low below 0.8 V (BCM2711): an edge is a fall through both.
    state, edges = 0, []
    for t, v in zip(time_s, volts, strict=True):
        if state == 0 and v > 2.0:
            state = 1
        elif state == 1 and v < 0.8:
            state = 0
            edges.append(t)
    fired = interval * np.arange(1, n_pulses + 1)
    assert len(edges) == n_pulses
    delay = np.array(edges) - fired
    assert delay.max() < 150e-6
    assert np.ptp(delay[1:]) < 10e-6


def test_the_tach_resistors_stay_within_half_their_power_and_voltage_ratings():
    # Parts list: 0.5 W, 350 V each; opto-coupler LED 50 mA.
    power = c.TACH.dissipation_each_w(pulses_hz=433.0, supply_v=14.4, flyback_v=410.0)
    assert power < 0.25
    assert 410.0 / c.TACH.n_series < 0.6 * 350.0
    assert c.TACH.peak_led_a(410.0) < 0.05


def test_the_battery_divider_survives_a_full_load_dump_without_overheating():
    # A quarter-watt part of 200 V working voltage.
    assert c.BATTERY.upper_dissipation_w(101.0) < 0.125


def test_the_filter_takes_what_would_alias_from_dwell_down_to_a_fifth():
    # Four cylinders at 3,000 rpm switch the coil 100 times a second: with 100 samples a second it would look like DC.
    assert c.BATTERY.attenuation(100.0) < 0.2
    assert c.BATTERY.corner_hz < 50.0
    assert c.TRANSDUCER.corner_hz < 50.0


def test_the_ratio_of_a_one_percent_divider_is_known_to_two_percent_before_calibration():
    low, high = c.BATTERY.worst_ratios()
    assert low == pytest.approx(c.BATTERY.ratio, rel=0.02)
    assert high == pytest.approx(c.BATTERY.ratio, rel=0.02)


def test_the_committed_netlists_are_those_the_functions_write(tmp_path):
    c.write(tmp_path)
    for path in sorted(Path(c.__file__).with_name("netlists").glob("*.cir")):
        assert (tmp_path / path.name).read_text() == path.read_text()
    assert len(list(tmp_path.iterdir())) == len(list(Path(c.__file__).with_name("netlists").glob("*.cir")))
