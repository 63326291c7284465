"""Readings no sensor can truthfully give: off the end of its scale, or reached faster than the quantity can move."""

import numpy as np

from logger.analysis.plausible import Plausible
from logger.analysis.scene import Scene, merge, spans_of
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

# The share of its running pressure that no rail loses or gains from one sample to the next.
FALL = 0.75


def off_scale(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Samples below and above what the sensor can say, and stretches reached by a step the quantity cannot make."""
    low = scene.while_running(value < limits.low, time_ns)
    high = scene.while_running(value > limits.high, time_ns)
    if limits.step is not None:
        step_low, step_high = _stepped(value, time_ns, limits.step, limits.rate_per_s)
        low |= scene.while_running(step_low, time_ns)
        high |= scene.while_running(step_high, time_ns)
    return low, high


def _stepped(value: FloatArray, time_ns: IntArray, step: float, rate_per_s: float) -> tuple[BoolArray, BoolArray]:
    """Stretches entered by an impossible step down or up, until a step comes back or, if none does, to the end."""
    low, high = np.zeros(value.size, bool), np.zeros(value.size, bool)
    given = np.flatnonzero(~np.isnan(value))
    if given.size < 2:
        return low, high
    jump = np.diff(value[given])
    limit = step + rate_per_s * np.diff(time_ns[given]) / NS_PER_S
    (at,) = np.nonzero(np.abs(jump) > limit)
    level: float | None = None
    begin, sign = 0, 0.0
    for k in at.tolist():
        if level is None:
            level, begin, sign = float(value[given[k]]), k + 1, float(np.sign(jump[k]))
            continue
        allowed = step + rate_per_s * (time_ns[given[k]] - time_ns[given[begin]]) / NS_PER_S
        if np.sign(jump[k]) != sign and abs(value[given[k + 1]] - level) <= allowed:
            (high if sign > 0 else low)[given[begin] : given[k] + 1] = True
            level = None
    if level is not None:
        (high if sign > 0 else low)[given[begin] :] = True
    return low, high


def pressure_lies(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Rail pressure that no rail can have.

    Below the atmosphere by more than a tenth of the running pressure: an open wire reads -12.5 % of a full scale that
    lies above the running pressure. Gone from one sample to the next: a rail whose pump died empties through the
    injectors, which takes longer than 25 ms; at lower rates it must also stay gone for 3 s under a running engine.
    Far above the running pressure from one sample to the next, or without the ripple that injection makes.
    """
    inside = np.concatenate([value[start:stop] for start, stop in scene.running_samples(time_ns)] or [value[:0]])
    inside = inside[:: max(1, inside.size // 20_000)]
    plain = inside[(inside > -limits.low) & (inside < 700.0)]
    usual = float(np.median(plain)) if plain.size else 0.0
    low = value < -max(-limits.low, 0.1 * usual)
    high = value > limits.high
    interval_ns = float(np.median(np.diff(time_ns[:2000])))
    least = max(FALL * usual, 40.0)  # a carburettor's pump pulses by more than its mean pressure's share
    above = 1.5 * usual + 30.0
    if usual and interval_ns <= 0.11 * NS_PER_S and bool((np.abs(np.diff(value)) > least).any()):
        low_step, high_step = _stepped(value, time_ns, least, 0.0)
        shortest_ns = 0 if interval_ns <= 0.025 * NS_PER_S else 3 * NS_PER_S
        for start, stop in spans_of(scene.while_running(low_step, time_ns)).tolist():
            gone = float(np.nanmedian(value[start:stop])) < 0.2 * usual
            low[start:stop] |= gone and time_ns[stop - 1] - time_ns[start] >= shortest_ns
        high |= high_step & (value > above)
    ripple = float(np.median(np.abs(np.diff(plain)))) if plain.size > 1 else 0.0
    for start, stop in merge(spans_of(value > above), 2).tolist():
        if stop - start >= 8 and np.nanmedian(np.abs(np.diff(value[start:stop]))) < 0.5 * ripple:
            high[start:stop] = True
    return scene.while_running(low, time_ns), scene.while_running(high, time_ns)
