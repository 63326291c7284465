"""Readings no sensor can truthfully give: off the end of its scale, or reached faster than the quantity can move."""

import numpy as np

from logger.analysis.channels.plausible import Plausible
from logger.analysis.channels.scene import Scene, interval_ns, merge, spans_of
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

# The share of its running pressure that no rail loses or gains from one sample to the next.
FALL = 0.75
# Below this running pressure (carburettors, single injectors) a line holds so little that its pressure may jump.
STIFF_KPA = 150.0
# Beyond these a lambda probe is at the ends of its scale (common practice, no source).
LEAN_END, RICH_END = 20.0, 10.5
# The fastest probe goes over its whole scale with a time constant of some 50 ms (common practice, no source).
PROBE_STEP, PROBE_RATE_PER_S = 2.5, 40.0
# A running engine shakes the box by more than this even in the air, where it weighs nothing; a dead one only reads its
# noise.
WEIGHTLESS_G = 0.05


def off_scale(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Samples below and above what the sensor can say, and stretches reached by a step the quantity cannot make."""
    low, high = value < limits.low, value > limits.high
    if limits.step is not None:
        on_scale = np.where(low | high, np.nan, value)
        step_low, step_high = _stepped(on_scale, time_ns, limits.step, limits.rate_per_s)
        low, high = low | step_low, high | step_high
    return scene.while_running(low, time_ns), scene.while_running(high, time_ns)


def _stepped(
    value: FloatArray, time_ns: IntArray, step: float, rate_per_s: float, open_ended: bool = True
) -> tuple[BoolArray, BoolArray]:
    """Stretches entered by an impossible step down or up, until a step comes back.

    If none does they reach to the end, or count for nothing where not `open_ended`.
    """
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
    if level is not None and open_ended:
        (high if sign > 0 else low)[given[begin] :] = True
    return low, high


def pressure_lies(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Rail pressure that no rail can have.

    Below the atmosphere by more than a tenth of the running pressure: an open wire reads -12.5 % of a full scale that
    lies above the running pressure. Gone from one sample to the next: a rail whose pump died empties through the
    injectors, which takes longer than 25 ms; at lower rates it must also stay gone for 3 s under a running engine.
    Far above the running pressure from one sample to the next, or without the ripple that injection makes.
    """
    inside = scene.running_values(value, time_ns)
    plain = inside[(inside > -limits.low) & (inside < 700.0)]
    usual = float(np.median(plain)) if plain.size else 0.0
    low = value < -max(-limits.low, 0.1 * usual)
    high = value > limits.high
    step_ns = interval_ns(time_ns)
    least = FALL * usual
    above = 1.5 * usual + 30.0
    if usual > STIFF_KPA and step_ns <= 0.11 * NS_PER_S and bool((np.abs(np.diff(value)) > least).any()):
        low_step, high_step = _stepped(value, time_ns, least, 0.0)
        shortest_ns = 0 if step_ns <= 0.025 * NS_PER_S else 3 * NS_PER_S
        for start, stop in spans_of(scene.while_running(low_step, time_ns)).tolist():
            gone = float(np.nanmedian(value[start:stop])) < 0.2 * usual
            low[start:stop] |= gone and time_ns[stop - 1] - time_ns[start] >= shortest_ns
        high |= high_step & (value > above)
    far, farther = spans_of(value > 1.2 * _high(plain)), merge(spans_of(value > above), 2)
    ripple = _ripple(plain) if len(far) or len(farther) else 0.0
    for start, stop in farther.tolist():
        # Boost lifts a rail that follows the manifold as far, but no compressor does so from one sample to the next.
        jumped = start == 0 or not value[start] - value[start - 1] < 0.2 * usual
        high[start:stop] |= jumped and stop - start >= 8 and _ripple(value[start:stop]) < 0.5 * ripple
    # Not so far above, as where the sensor's full scale is near the running pressure: jumped to, and quiet for longer.
    for start, stop in far.tolist():
        jumped = start > 0 and value[start] - value[start - 1] > 0.2 * usual
        high[start:stop] |= jumped and stop - start >= 25 and _ripple(value[start:stop]) < 0.4 * ripple
    return scene.while_running(low, time_ns), scene.while_running(high, time_ns)


def _ripple(value: FloatArray) -> float:
    change = np.abs(np.diff(value))
    return float(np.nanmedian(change)) if np.isfinite(change).any() else 0.0


def _high(value: FloatArray) -> float:
    return float(np.percentile(value, 75)) if value.size else np.inf


def probe_lies(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Air-fuel ratio off the scale, or at an end of it for 2 s and more although the engine pulls.

    At the lean end every probe rests while the throttle is closed; it lies where the speed keeps rising meanwhile,
    which takes combustion. At the rich end an engine may truly run; there the probe lies where it also went quiet.
    And a probe needs its time: it lies between two jumps that no probe makes within one sample.
    """
    low, high = off_scale(value, time_ns, limits, scene)
    jumped_low, jumped_high = _stepped(value, time_ns, PROBE_STEP, PROBE_RATE_PER_S, open_ended=False)
    low |= scene.while_running(jumped_low, time_ns)
    high |= scene.while_running(jumped_high, time_ns)
    for start, stop in spans_of(scene.while_running(value > LEAN_END, time_ns)).tolist():
        from_ns, to_ns = int(time_ns[start]), int(time_ns[stop - 1])
        high[start:stop] |= to_ns - from_ns >= 2 * NS_PER_S and scene.pulls(from_ns + NS_PER_S // 2, to_ns)
    rich = spans_of(scene.while_running(value < RICH_END, time_ns))
    ripple = _ripple(value) if len(rich) else 0.0
    for start, stop in rich.tolist():
        quiet = stop - start > 1 and _ripple(value[start:stop]) < 0.4 * ripple
        low[start:stop] |= quiet and time_ns[stop - 1] - time_ns[start] >= 2 * NS_PER_S
    return low, high


def weightless(value: FloatArray, time_ns: IntArray, scene: Scene) -> BoolArray:
    """Samples of an acceleration, value (n, 3) in g, at which an accelerometer that feels gravity otherwise feels none.

    Judged over 0.1 s at a time, by magnitude and by shaking: a car in the air still shakes and is down within a second.
    """
    dead = np.zeros(time_ns.size, bool)
    if value.ndim != 2 or time_ns.size < 100:
        return dead
    size = np.sqrt(np.einsum("ij,ij->i", value, value))
    known = size[:: max(1, size.size // 20_000)]
    known = known[~np.isnan(known)]
    if not known.size or float(np.median(known)) <= 0.7:
        return dead
    n = max(2, NS_PER_S // 10 // interval_ns(time_ns))
    still = size < WEIGHTLESS_G
    for start, stop in spans_of(scene.while_running(still, time_ns)).tolist():
        dead[start:stop] = stop - start >= n
    return dead if np.count_nonzero(dead) >= 3 * n else np.zeros_like(dead)
