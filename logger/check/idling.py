"""The lines with the engine idling: charging, regular pulses, pressure while fuel is drawn, and noise."""

import numpy as np

from logger.channels import CHANNELS
from logger.check.line import CheckLine, Verdict, shown
from logger.check.observation import SUPPLY, TACH, USUAL_IDLE_RPM, Observation
from logger.check.reference import Reference
from logger.check.sensors import judged
from logger.event import FloatArray
from logger.settings import Settings

CHARGING_V = (13.0, 15.0)
"""Service manuals regulate to 13.7-14.6 V at 20 degC and 12.9-14.1 V at 80 degC and call 15.0 V too much."""

IDLE_LOW_V = 12.0
"""An old car's alternator or dynamo barely carries its loads at idle, with the battery just cranked (common practice,
no source); only above one and a half times idle speed is it asked to charge."""

RAISED = 1.5
DYING_V, BOILING_V = 11.0, 15.6
"""Common practice, no source: below, the ignition gives up soon; above, the battery gasses and lamps die."""

REGULAR_S = 4.0
MISSING, EXTRA = 1.6, 0.6
"""Of the usual interval; engines that fire unevenly on purpose stay inside."""

SOME_SHARE, MANY_SHARE = 0.02, 0.25

NOISE = {"battery_voltage": 0.3, "ignition_feed_voltage": 3.0, SUPPLY: 0.03, "throttle_position": 3.0}
"""From sample to sample, standard deviation; common practice, no source. The coil's dwell makes the feed restless."""

PRESSURE_NOISE_SHARE = 0.05


def battery(observation: Observation, settings: Settings, reference: Reference | None) -> CheckLine:
    """Charging voltage."""
    value = observation.now("battery_voltage")
    if value < 5.0:
        todo = "The engine runs, so there are volts: look at the tap's fuse, wire and divider."
        return judged(settings, "battery_voltage", value, IDLE_LOW_V, CHARGING_V[1], todo, "stop")
    raised = observation.rpm(settings.engine) > RAISED * (settings.engine.idle_rpm or USUAL_IDLE_RPM)
    low = CHARGING_V[0] if raised else IDLE_LOW_V
    known = float("nan") if reference is None else reference.idle.get("battery_voltage", float("nan"))
    if np.isfinite(known) and not raised:
        low = known - 0.5  # what this car gave at idle, whatever charges it
    verdict: Verdict = "look" if DYING_V <= value <= BOILING_V else "stop"
    todo = "Raise to 2,000 rpm and check again: does it charge?"
    if raised:
        todo = "Look at belt, alternator and its wires."
    if value > CHARGING_V[1]:
        todo = "Too much: measure with a meter, then look at the regulator and its ground."
    return judged(settings, "battery_voltage", value, low, CHARGING_V[1], todo, verdict)


def ignition_feed(observation: Observation, settings: Settings, reference: Reference | None) -> CheckLine:
    """The coil's supply while it is switched: its mean lies below the battery by the dwell's share of the drop."""
    feed, full = observation.now("ignition_feed_voltage"), observation.now("battery_voltage")
    full = full if full > 5.0 else 13.5
    if feed < 2.0:
        todo = "The engine runs, so the coil is fed: look at the tap."
        return judged(settings, "ignition_feed_voltage", feed, full - 2.0, full + 0.5, todo, "stop")
    drop = 2.0
    if reference is not None and np.isfinite(known := reference.idle.get("ignition_feed_voltage", float("nan"))):
        drop = max(drop, reference.idle.get("battery_voltage", known) - known + 1.0)
    todo = "Usual with a ballast resistor; else feel wire, switch and joints for warmth, and calibrate both taps."
    return judged(settings, "ignition_feed_voltage", feed, full - drop, full + 0.5, todo)


def fuel_pressure(observation: Observation, settings: Settings, reference: Reference | None) -> CheckLine:
    """Against this car's own idle; without one, an engine with injection cannot idle on nothing."""
    value = observation.now("fuel_pressure")
    known = float("nan") if reference is None else reference.idle.get("fuel_pressure", float("nan"))
    if np.isfinite(known) and known > 10.0:
        todo = f"It was {shown('fuel_pressure', known, settings.display)} at the last start: look at filter, pump and "
        todo += "the regulator's vacuum hose, and at the transducer."
        verdict: Verdict = "stop" if value < 0.1 * known else "look"
        return judged(settings, "fuel_pressure", value, 0.75 * known, 1.3 * known, todo, verdict)
    injected = settings.engine.fuel_system in ("port_injection", "single_point", "mechanical_injection")
    curve = settings.channels["fuel_pressure"].calibration.curve
    full_scale = float(curve.to_si(np.array(4.5), np.array(5.0)))
    low = 30.0 if injected else 1.0
    todo = "The engine runs, so there is pressure: look at the transducer, its wire, and a closed cock before it."
    return judged(settings, "fuel_pressure", value, low, 1.05 * full_scale, todo, "stop" if value < 1.0 else "look")


def tach(observation: Observation, settings: Settings) -> list[CheckLine]:
    """Speed, and whether one pulse comes for each firing."""
    engine = settings.engine
    idle = engine.idle_rpm or USUAL_IDLE_RPM
    rpm = observation.rpm(engine)
    said, expected = f"{rpm:.0f} rpm", f"about {idle:.0f} rpm, more when cold"
    ratio = rpm / idle
    verdict: Verdict = "ok"
    todo = ""
    if ratio < 0.6 or ratio > 2.6:
        verdict = "look"
        todo = "If the car's own gauge shows another speed, tach_pulses_per_revolution in the settings is wrong."
    return [CheckLine(TACH, "Tach", said, expected, verdict, todo), _regularity(observation)]


def _regularity(observation: Observation) -> CheckLine:
    intervals = np.diff(observation.recent_pulses(seconds=REGULAR_S)).astype(np.float64)
    label, expected = "Pulses", "regular"
    if intervals.size < 8:
        return CheckLine(TACH, label, f"{intervals.size} intervals", expected, "look", "Too few; check again.")
    ratio = intervals / _usual(intervals, 50.0)
    missing = float((ratio > MISSING).mean())
    # Where most intervals are cut in two, the longer ones are the usual ones.
    extra = float((intervals / _usual(intervals, 75.0) < EXTRA).mean())
    scatter = float(np.median(np.abs(ratio - 1.0)) / 0.6745)
    said = f"± {100 * scatter:.1f} %, {100 * missing:.1f} % missing, {100 * extra:.1f} % too many"
    share = max(missing, extra)
    if share <= SOME_SHARE:
        return CheckLine(TACH, label, said, expected)
    todo = "Pulses are lost: look at the tach wire, its plug and the supply of the opto-coupler; or the engine misses."
    if extra > missing:
        todo = "Noise on the tach wire: lay it away from coil lead and alternator, look at its ground; else points."
    return CheckLine(TACH, label, said, expected, "stop" if share > MANY_SHARE else "look", todo)


def _usual(intervals: FloatArray, percentile: float) -> FloatArray:
    """That percentile of each interval and its eight neighbours, so that a speed that changes is no fault."""
    width = min(9, intervals.size)
    windows = np.lib.stride_tricks.sliding_window_view(intervals, width)
    place = np.clip(np.arange(intervals.size) - width // 2, 0, len(windows) - 1)
    return np.asarray(np.percentile(windows, percentile, axis=1)[place])


def noise(observation: Observation, settings: Settings) -> list[CheckLine]:
    """One line for all where none is restless, else one for each that is."""
    curve = settings.channels["fuel_pressure"].calibration.curve if "fuel_pressure" in settings.channels else None
    limits = dict(NOISE)
    if curve is not None:
        limits["fuel_pressure"] = PRESSURE_NOISE_SHARE * float(curve.to_si(np.array(4.5), np.array(5.0)))
    found = {name: observation.noise(name) for name in limits if name in settings.channels}
    lines = [
        CheckLine(
            name, f"{CHANNELS[name].label} noise", f"± {shown(name, value, settings.display)}",
            f"less than {shown(name, limits[name], settings.display)}", "look",
            "Look at the sensor's ground and at the route of its wire past coil lead and alternator.",
        )
        for name, value in found.items() if value > limits[name]
    ]  # fmt: skip
    return lines or [CheckLine("noise", "Noise", "low on every channel", "low")]


def vibration(observation: Observation) -> CheckLine | None:
    """A running engine shakes its car; None without an accelerometer."""
    value = observation.vibration_g
    if not np.isfinite(value):
        return None
    said, expected = f"{value:.3f} g RMS", "more than a standing car's"
    if value > 0.008:
        return CheckLine("acceleration", "Vibration", said, expected)
    todo = "The engine runs and the box feels nothing: screw it to structure, not to rubber or tape."
    return CheckLine("acceleration", "Vibration", said, expected, "look", todo)
