"""The input circuits under the stresses a car gives them, in ngspice.

Stress levels: ISO 16750-2 and ISO 7637-2 as quoted in secondary sources (load dump 79-101 V, 40-400 ms; clamped 35 V;
starting level III down to 3 V is from memory; pulses 1, 2a, 3a, 3b: -112/+55/-165/+112 V are from memory).
Absolute limits of the input pins: 0.3 V beyond ground and supply (ADS1115 data sheet SBAS444).
"""

import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hardware import circuits as c
from logger import settings

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
@pytest.mark.parametrize(
    ("name", "source"),
    [("strap open while cranking", "12"), ("another battery's reversed leads", "-14"),
     ("pulse 1", c.pwl([(0, 0), (1e-3, 0), (1.001e-3, -112), (3e-3, 0)]))],
)  # fmt: skip
def test_no_stress_on_the_engine_ground_tap_takes_the_adc_pin_past_its_absolute_maximum(name, source, tmp_path):
    _, volts = simulate(c.divider_netlist(name, c.GROUND_DROP, source), 0.2, 5e-5, tmp_path)
    assert volts.min() > c.PIN_LOW_V
    assert volts.max() < c.PIN_HIGH_V


@needs_ngspice
@pytest.mark.parametrize("car_v", [0.1, 0.5, 2.5, 6.0])
def test_the_engine_ground_tap_reads_what_cranking_and_the_coil_lift_the_block_by(car_v, tmp_path):
    _, volts = simulate(c.divider_netlist("steady", c.GROUND_DROP, str(car_v)), 0.1, 1e-4, tmp_path)
    assert volts[-1] * c.GROUND_DROP.ratio == pytest.approx(car_v, abs=0.02)


@needs_ngspice
def test_the_engine_ground_tap_shows_of_a_charging_alternators_drop_only_that_it_is_there(tmp_path):
    # The lower clamp diode begins to conduct: -0.3 V reads as about half of it, as the wiring page says.
    _, volts = simulate(c.divider_netlist("charging", c.GROUND_DROP, "-0.3"), 0.1, 1e-4, tmp_path)
    assert -0.3 < volts[-1] * c.GROUND_DROP.ratio < -0.1


# Key sense: a key that stays on must not look like one turned off.


@needs_ngspice
@pytest.mark.parametrize("pull_down", c.PI_PULL_DOWN_OHM)
@pytest.mark.parametrize(("lowest_v", "plateau_v"), [(8.0, 9.5), (4.5, 6.5), (3.0, 5.0), (6.0, 6.5)])
def test_the_key_sense_stays_high_through_every_starting_profile(lowest_v, plateau_v, pull_down, tmp_path):
    source = c.pwl(c.cranking_profile(lowest_v, plateau_v, 1.0))
    _, volts = simulate(c.divider_netlist("start", c.KEY_SENSE, source, pull_down), 1.3, 3e-4, tmp_path)
    assert volts.min() > c.PI_HIGH_V
    assert volts.max() < c.PIN_HIGH_V


@needs_ngspice
def test_a_key_that_is_turned_off_is_seen_within_a_tenth_of_a_second(tmp_path):
    source = c.pwl([(0, 14.4), (0.05, 14.4), (0.051, 0)])
    time_s, volts = simulate(c.divider_netlist("off", c.KEY_SENSE, source, 73e3), 0.3, 1e-4, tmp_path)
    assert time_s[volts < c.PI_LOW_V][0] - 0.051 < 0.1


@needs_ngspice
@pytest.mark.parametrize("source", [c.pwl(c.load_dump(101.0, 0.4)), "-14"])
def test_load_dump_and_reverse_battery_leave_the_key_sense_pin_within_its_limits(source, tmp_path):
    _, volts = simulate(c.divider_netlist("stress", c.KEY_SENSE, source, 33e3), 0.9, 3e-4, tmp_path)
    assert volts.min() > c.PIN_LOW_V
    assert volts.max() < c.PIN_HIGH_V


# Supply of the Pi


@needs_ngspice
@pytest.mark.parametrize("source_ohm", [0.5, 4.0])
def test_an_unclamped_load_dump_stays_below_the_ratings_behind_the_suppressor(source_ohm, tmp_path):
    deck = c.supply_netlist("dump", c.SUPPLY, c.pwl(c.load_dump(101.0, 0.4)), source_ohm)
    _, volts = simulate(deck, 0.9, 3e-4, tmp_path)
    assert volts.max() < c.SUPPLY.converter_high_v


@needs_ngspice
def test_a_reversed_battery_leaves_the_converter_without_volts(tmp_path):
    deck = c.supply_netlist("reversed", replace(c.SUPPLY, power_w=0.0), "-14", 0.05)
    _, volts = simulate(deck, 0.1, 1e-4, tmp_path)
    assert abs(volts).max() < 0.5


@needs_ngspice
@pytest.mark.parametrize(("lowest_v", "plateau_v"), [(8.0, 9.5), (4.5, 7.5)])
def test_the_hold_up_carries_the_pi_through_a_start_that_soon_recovers(lowest_v, plateau_v, tmp_path):
    deck = c.supply_netlist("start", c.SUPPLY, c.pwl(c.cranking_profile(lowest_v, plateau_v, 1.0)), 0.02)
    _, volts = simulate(deck, 1.3, 3e-4, tmp_path)
    assert volts.min() > c.SUPPLY.converter_low_v


def test_the_hold_up_lasts_for_a_tenth_of_a_second_and_no_longer():
    # 10 mF from 11.6 V to 6 V at 5 W: 0.01 * (134.56 - 36) / 2 / 5.
    assert c.SUPPLY.hold_up_s() == pytest.approx(0.0986, abs=1e-4)


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
    for part in (c.TRANSDUCER, c.HIGH_OHM, c.GROUND_DROP):
        assert 25.0 < part.corner_hz < 50.0
    assert c.COOLANT.corner_hz < 5.0


def test_every_capacitor_is_one_that_is_sold():
    for part in (c.BATTERY, c.TRANSDUCER, c.HIGH_OHM, c.COOLANT, c.GROUND_DROP, c.KEY_SENSE):
        assert c.preferred(part.capacitor, c.E6) == pytest.approx(part.capacitor)


def test_the_ratio_of_a_one_percent_divider_is_known_to_two_percent_before_calibration():
    low, high = c.BATTERY.worst_ratios()
    assert low == pytest.approx(c.BATTERY.ratio, rel=0.02)
    assert high == pytest.approx(c.BATTERY.ratio, rel=0.02)


def test_the_ratio_of_a_transducers_divider_is_known_to_a_thousandth():
    low, high = c.TRANSDUCER.worst_ratios()
    assert (low, high) == pytest.approx((2.0, 2.0), rel=0.0011)


def test_the_key_sense_resistor_survives_a_full_load_dump():
    # 0.5 W, 200 V: at 101 V the clamp holds the lower end at 3.6 V, for 0.4 s.
    assert (101.0 - 3.6) ** 2 / c.KEY_SENSE.upper < 0.7
    assert c.KEY_SENSE.upper_dissipation_w(14.8) < 0.01


def test_the_default_settings_have_the_ratios_of_the_circuits():
    channels = settings.default().channels
    parts = {
        "battery_voltage": c.BATTERY, "ignition_feed_voltage": c.BATTERY, "fuel_pressure": c.TRANSDUCER,
        "sensor_supply_voltage": c.TRANSDUCER, "coolant_temperature": c.COOLANT, "throttle_position": c.HIGH_OHM,
        "air_fuel_ratio": c.TRANSDUCER,
    }  # fmt: skip
    assert {name: channel.ratio for name, channel in channels.items()} == pytest.approx(
        {name: part.ratio for name, part in parts.items()}
    )
    assert channels["coolant_temperature"].load_ohm == c.COOLANT.upper + c.COOLANT.lower


def test_the_committed_drawings_are_those_the_functions_draw(tmp_path):
    schemdraw = pytest.importorskip("schemdraw", reason="schemdraw is not installed (pip install stumblelog[dev])")
    committed = Path(c.__file__).with_name("drawings")
    from hardware import draw

    draw.write(tmp_path)
    assert sorted(path.name for path in committed.iterdir()) == sorted(path.name for path in tmp_path.iterdir())
    for path in committed.iterdir():
        # Another version of the package may place a line elsewhere; what is written beside the parts may not differ.
        words = [re.findall(r"<tspan[^>]*>([^<]*)<|<text[^>]*>([^<]*)<", (where / path.name).read_text())
                 for where in (committed, tmp_path)]  # fmt: skip
        assert words[0] == words[1], (path.name, schemdraw.__version__)
        assert words[0]


def test_the_committed_netlists_are_those_the_functions_write(tmp_path):
    c.write(tmp_path)
    for path in sorted(Path(c.__file__).with_name("netlists").glob("*.cir")):
        assert (tmp_path / path.name).read_text() == path.read_text()
    assert len(list(tmp_path.iterdir())) == len(list(Path(c.__file__).with_name("netlists").glob("*.cir")))
