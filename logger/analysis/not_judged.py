"""What an event's recordings cannot tell, and why, in sentences for people."""

from collections.abc import Collection, Sequence

import numpy as np

from logger.analysis.crank.states import LoadScale, View
from logger.event import NS_PER_S, Engine, FloatArray


def not_judged(engine: Engine, recorded: Collection[str], rpm: FloatArray, scale: LoadScale) -> list[str]:
    """What could not be judged, and why, in sentences. recorded: channels with samples; rpm: from settled_rpm."""
    found = []
    if scale.channel is None:
        found.append(
            "Neither the throttle nor a rail pressure that follows load is recorded: combustion lost without a missing "
            "pulse is only seen where a spark clamp or an air-fuel ratio shows it."
        )
    for channel, lost in (
        ("battery_voltage", "a collapsing supply cannot be told from a failing ignition"),
        ("ignition_feed_voltage", "the coil's feed cannot be told from its trigger"),
        ("fuel_pressure", "fuel starvation cannot be excluded"),
    ):
        if channel not in recorded:
            found.append(f"No {channel.replace('_', ' ')} is recorded: {lost}.")
    if engine.redline_rpm is None:
        found.append(
            "No redline is given: near the highest speeds lost combustion cannot be told from a rev limiter, or "
            "from torque that falls as it does there in any engine. Give redline_rpm and analyse again."
        )
    found += _implausible_speed(engine, rpm)
    if engine.tach_far_from_coil:
        found.append("The tach wire does not come from the coil: its pulses say nothing about the coil's switching.")
    return found


def settled_rpm(views: Sequence[View]) -> FloatArray:
    """Crank speeds, rpm (n,), from five seconds after each stretch of pulses began: no cranking among them."""
    parts = [np.empty(0)]
    for view in views:
        time_ns, bounds = view.firings.time_ns, view.firings.bounds()
        for first, last in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
            begin = int(np.searchsorted(time_ns[first:last], time_ns[first] + 5 * NS_PER_S)) + first
            parts.append(view.firings.speed_rps[begin:last] * 60.0)
    return np.concatenate(parts)


def _implausible_speed(engine: Engine, rpm: FloatArray) -> list[str]:
    """Whether the tach's pulses per revolution fit the idle and redline given (or any engine's)."""
    if rpm.size < 100:
        return ["Too few tach pulses to judge anything: the engine hardly ran, or the tach wire gave no pulses."]
    idle, redline = engine.idle_rpm or 900.0, engine.redline_rpm or 7000.0
    slow, fast = np.percentile(rpm, [2, 99.5])
    if fast > 1.5 * redline or (slow > 1.9 * idle and fast > 1.25 * redline):
        ratio, much = fast / redline, "too few"
    elif fast < 0.62 * redline and slow < 0.65 * idle:
        ratio, much = slow / idle, "too many"
    else:
        return []
    return [
        f"By {engine.pulses_per_revolution:g} tach pulses per revolution the engine would idle at {slow:.0f} and reach "
        f"{fast:.0f} rpm, {ratio:.2g} times what it should: tach_pulses_per_revolution is {much}, set it right and "
        "analyse again."
    ]
