"""The lines with the engine standing: battery at rest, coil feed, pressure after prime and its decay, silent tach."""

from dataclasses import replace

import numpy as np

from logger.check.line import CheckLine, Verdict, shown
from logger.check.observation import LOOK_S, TACH, Observation
from logger.check.reference import Reference
from logger.check.sensors import judged
from logger.event import NS_PER_S
from logger.settings import Settings

REST_V = (12.0, 13.4)
"""Key on. Published tables put a rested battery at 12.0 to 12.15 V a quarter full, and full at 12.65 to 12.8 V; the
rest is surface charge above and the key's loads below."""

EMPTY_V, TOO_MUCH_V = 11.0, 16.0
"""At 11 V no starter turns well (common practice, no source); 16 V is the upper end of supply code A of ISO 16750-2."""

FEED_DROP_V = 1.0
COIL_ON_S = 90.0
"""How long a coil may be fed with the engine still (common practice, no source)."""

SETTLE_S = 0.1
PRIME_S = 3.0
FELL_SHARE = 0.5
DECAY_S = 5.0
TACH_S = 3.0
STRAY_PULSES, MANY_PULSES = 2, 20
"""Switching the key on may itself give a pulse or two."""

STARTER_DIP_V = 0.8
SHAKES_G, CHARGED_V = 0.02, 13.3
"""An idling engine shakes the box by 0.02 g RMS and more (common practice, no source); a battery at rest stays below
13.3 V."""


def key(observation: Observation) -> CheckLine | None:
    """Whether the ignition is on, and not for too long."""
    on, for_s = observation.key()
    if on is None:
        return None
    if not on:
        return CheckLine("key_sense", "Key", "off", "on", "look", "Switch the ignition on and check again.")
    if for_s is not None and for_s > COIL_ON_S:
        todo = "Switch the ignition off: a coil left fed overheats."
        return CheckLine("key_sense", "Key", f"on for {for_s:.0f} s", f"less than {COIL_ON_S:.0f} s", "look", todo)
    return CheckLine("key_sense", "Key", "on" if for_s is None else f"on for {for_s:.0f} s", "on")


def battery(observation: Observation, settings: Settings, reference: Reference | None) -> CheckLine:
    """The battery under no more than the key's loads."""
    value = observation.now("battery_voltage")
    if value < 5.0:
        todo = "The logger runs, so there are volts: look at the tap's fuse, wire and divider."
        return judged(settings, "battery_voltage", value, *REST_V, todo, "stop")
    if not EMPTY_V <= value <= TOO_MUCH_V:
        low = "Charge or change the battery; it will not carry starter and ignition."
        high = "Measure with a meter: a wrong ratio in the settings, or a booster of 24 V."
        return judged(settings, "battery_voltage", value, *REST_V, low if value < EMPTY_V else high, "stop")
    low_v, high_v = REST_V
    known = float("nan") if reference is None else reference.standing.get("battery_voltage", float("nan"))
    if np.isfinite(known):
        low_v = max(low_v, known - 0.7)
    todo = "Charge it before the run." if value < low_v else "A charger or booster is on it? Take it off, check again."
    return judged(settings, "battery_voltage", value, low_v, high_v, todo)


def ignition_feed(observation: Observation, settings: Settings, reference: Reference | None) -> CheckLine:
    """The coil's supply terminal against the fuse box; a ballast resistor drops some volts there, and may."""
    on, for_s = observation.key()
    # Not what it read before the key was turned.
    seconds = LOOK_S if for_s is None else min(LOOK_S, max(0.1, for_s - SETTLE_S))
    feed, full = observation.now("ignition_feed_voltage", seconds), observation.now("battery_voltage", seconds)
    full = full if full > 5.0 else 12.0
    if feed < 2.0:
        verdict: Verdict = "stop" if on else "look"
        todo = "No voltage at the coil: look at its fuse, the wire to it, and the tap." if on else "Switch the key on."
        return judged(settings, "ignition_feed_voltage", feed, full - FEED_DROP_V, full + 0.5, todo, verdict)
    drop = FEED_DROP_V
    if reference is not None and np.isfinite(known := reference.standing.get("ignition_feed_voltage", float("nan"))):
        drop = max(drop, reference.standing.get("battery_voltage", known) - known + 1.0)
    if feed > full + 0.5:
        todo = "More than the battery gives: calibrate both against a meter."
    else:
        todo = "Usual with a ballast resistor and closed points; else feel the wire, switch and joints for warmth."
    return judged(settings, "ignition_feed_voltage", feed, full - drop, full + 0.5, todo)


def fuel_pressure(observation: Observation, settings: Settings, reference: Reference | None) -> CheckLine:
    """Never a stop: many pumps wait for the starter, and a hot rail keeps its pressure for hours."""
    value = observation.now("fuel_pressure", 1.0)
    low = -0.03 * _full_scale(settings)
    primed = float("nan") if reference is None else reference.peak_kpa
    highest = 1.4 * max(primed, reference.idle.get("fuel_pressure", primed)) if reference is not None else float("nan")
    high = highest if np.isfinite(highest) and highest > 20.0 else 1.05 * _full_scale(settings)
    line = judged(settings, "fuel_pressure", value, low, high, "Zero it against a gauge: stumblelog calibrate.")
    usual = (
        f"about {shown('fuel_pressure', primed, settings.display)}" if np.isfinite(primed) else "what the rail holds"
    )
    line = replace(line, expected=f"{shown('fuel_pressure', 0.0, settings.display)} up to {usual}")
    if line.verdict == "ok" and (todo := _after_prime(observation, settings, primed)):
        return replace(line, verdict="look", todo=todo)
    return line


def _after_prime(observation: Observation, settings: Settings, primed: float) -> str:
    """What is odd about the pressure since the key was turned; empty where nothing is."""
    on, for_s = observation.key()
    if not on or for_s is None:
        return ""
    trace = observation.traces["fuel_pressure"]
    since = trace.time_ns >= observation.end_ns - round(for_s * NS_PER_S)
    times, values = trace.time_ns[since], trace.value[since]
    if not np.isfinite(values).any():
        return ""
    value = observation.now("fuel_pressure", 1.0)
    top = int(np.nanargmax(values))
    peak, after_s = float(values[top]), (observation.end_ns - int(times[top])) / NS_PER_S
    rose = peak - float(np.nanmedian(values[: max(1, len(values) // 50)])) > max(10.0, 0.1 * peak)
    if rose and after_s <= DECAY_S and value < FELL_SHARE * peak:
        return (
            f"It fell from {shown('fuel_pressure', peak, settings.display)} within {after_s:.0f} s: a check valve, "
            "regulator or injector leaks, or a joint. Look for fuel first."
        )
    if for_s > PRIME_S and np.isfinite(primed) and primed > 20.0 and value < FELL_SHARE * primed:
        return "Last time the pump had primed by now. Listen for it; if it waits for the starter on this car, go on."
    return ""


def _full_scale(settings: Settings) -> float:
    """What the transducer reads at 4.5 V of 5 V, kPa."""
    curve = settings.channels["fuel_pressure"].calibration.curve
    return float(curve.to_si(np.array(4.5), np.array(5.0)))


def tach(observation: Observation) -> CheckLine:
    """No pulse with the engine standing."""
    times = observation.recent_pulses(seconds=TACH_S)
    if times.size <= STRAY_PULSES:
        return _silent(observation)
    said = f"{times.size} pulses in {TACH_S:.0f} s"
    if _cranked(observation) or observation.end_ns - int(times[-1]) > 0.5 * NS_PER_S:
        todo = "The engine was cranked or stopped just now: check again once it stands or idles."
        return CheckLine(TACH, "Tach", said, "silent", "look", todo)
    verdict: Verdict = "stop" if times.size > MANY_PULSES else "look"
    todo = "Noise on the tach wire: lay it away from coil lead and alternator, look at its ground and pull-up."
    return CheckLine(TACH, "Tach", said, "silent", verdict, todo)


def _cranked(observation: Observation) -> bool:
    """The starter pulls the battery down as nothing else does."""
    volts = observation.values("battery_voltage", TACH_S)
    volts = volts[np.isfinite(volts)]
    return bool(volts.size and np.percentile(volts, 90) - volts.min() > STARTER_DIP_V)


def _silent(observation: Observation) -> CheckLine:
    if not observation.vibration_g > SHAKES_G:
        return CheckLine(TACH, "Tach", "silent", "silent")
    if observation.now("battery_voltage") > CHARGED_V:
        todo = "The car shakes and charges as if it ran: look at the tach wire from coil to opto-coupler."
        return CheckLine(TACH, "Tach", "silent", "pulses", "stop", todo)
    todo = "The car shakes. If its engine runs, the tach wire is dead; if not, keep still and check again."
    return CheckLine(TACH, "Tach", "silent", "pulses of a running engine", "look", todo)
