"""Unburnt air in the exhaust: an air-fuel ratio that jumps lean while the engine pulls counts the firings lost.

A firing that is not lit sends its air and fuel down the exhaust together; the probe shows the air. The reading comes
late (gas transport) and smoothed (mixing, probe), about first order, so the step is undone before counting:

    a(t) = r(t) + tau * dr/dt,     share of firings lost = 1 - base / a,     at the crank a dead time earlier.

It reads the same for a misfire and for a missing injection, so it never convicts fuel by itself; it only counts.
Closed throttle is left out: engines cut fuel there.
"""

import numpy as np
from scipy import ndimage

from logger.analysis import bands
from logger.analysis.pulses import DEFAULT_IDLE_RPM
from logger.analysis.signs import Sign
from logger.analysis.states import State, View
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

DEAD_TIME_NS = 180_000_000  # gas transport to a probe in the downpipe (no source; 0.1 to 0.3 s are usual)
USUAL_TAU_S = 0.125
# Load from which the throttle counts as open, and for how long before and after: a rail shows load late and rounded.
GATE = {"throttle_position": (0.15, 80_000_000), "fuel_pressure": (0.25, 120_000_000)}
SLOWEST = 1.4  # of idle: below, clutch and driver make the engine falter
FELL_WITHIN_NS = 250_000_000
JOIN_S = 0.5
FEWEST_LOST = 2.2  # firings; fewer are single misses that nobody feels
LEAST_LEAN = 0.03  # of the usual ratio
RICHEST = 0.5  # per cent of the samples, whose depth on the rich side tells how restless the mixture is
RESTLESS = 2.0
BREATHS = 4.2  # standard deviations of the undone reading


def signs(view: View) -> list[Sign]:
    """Stretches in which firings were lost while the engine pulled, as lean signs.

    Empty without a probe, and without a load channel on an engine that may cut fuel on overrun.
    """
    trace = view.traces.get("air_fuel_ratio")
    cuts_fuel = view.engine.fuel_system != "carburettor"
    if trace is None or trace.time_ns.size < 200 or view.firings.time_ns.size < 200:
        return []
    if cuts_fuel and view.load_channel is None:
        return []
    step_s = float(np.median(np.diff(trace.time_ns[:2000]))) / NS_PER_S
    crank_ns = trace.time_ns - DEAD_TIME_NS
    open_throttle = _open(view, crank_ns) if cuts_fuel else _turning(view, crank_ns)
    if not 0.002 < step_s < 0.11 or np.count_nonzero(open_throttle) < 50:
        return []
    usual = float(np.percentile(trace.value[open_throttle], 30))
    tau_s = lag_s(trace.value - usual, step_s)
    undone = undo_lag(trace.value, step_s, tau_s)
    base = _base(view, undone, crank_ns, open_throttle) if cuts_fuel else _leanest(undone, open_throttle)
    tail = _cut_tail(trace.value - base, open_throttle, step_s)
    noise = bands.noise(trace.value)
    lean = np.zeros(undone.size, bool)
    # One lost firing is a short spike; a few in a hundred show only in a longer mean, where noise averages out.
    for n_mean in (1, 5, 15):
        above = ndimage.uniform_filter1d(undone - base, n_mean, mode="nearest")
        limit = max(_restless(above[open_throttle]), BREATHS * _undone_noise(noise, tau_s, step_s, n_mean))
        lean |= above > np.maximum(LEAST_LEAN * base, limit) + tail
        if n_mean == 5:
            clear = above > np.maximum(LEAST_LEAN * base, 0.7 * limit) + tail
    lean &= open_throttle
    at = np.flatnonzero(lean)
    if not at.size:
        return []
    place = np.clip(np.searchsorted(view.firings.time_ns, crank_ns), 0, view.firings.time_ns.size - 1)
    rate = view.firings.speed_rps[place] * view.engine.firings_per_revolution
    share = np.where(open_throttle, np.clip(1.0 - base / np.maximum(undone, base), 0.0, 1.0), 0.0)
    lost = share * rate * step_s
    found = []
    for part in np.split(at, np.flatnonzero(np.diff(crank_ns[at]) > JOIN_S * NS_PER_S) + 1):
        first, last = _trim(clear & open_throttle, int(part[0]), int(part[-1]))
        count = float(lost[first : last + 1].sum())
        if count < FEWEST_LOST:
            continue
        from_ns, to_ns = int(crank_ns[first]), int(crank_ns[last])
        found.append(Sign("lean", "air_fuel_ratio", from_ns, to_ns, count, count, from_ns - 60_000_000))
    return found


def _cut_tail(above: FloatArray, open_throttle: BoolArray, step_s: float) -> FloatArray:
    """What an overrun's fuel cut may leave in the undone reading for half a second: a seventh of its height, (n,)."""
    n_samples = max(1, round(0.5 / step_s))
    height = np.where(open_throttle, 0.0, np.maximum(above, 0.0))
    return np.asarray(ndimage.maximum_filter1d(height, n_samples, origin=n_samples // 2 - 1) / 7.0)


def _restless(above: FloatArray) -> float:
    """How far the mixture strays by itself as the throttle moves.

    Lost firings only ever read lean, so what is found on the rich side is the mixture's own doing, and it strays to the
    lean side about as far.
    """
    return RESTLESS * max(0.0, -float(np.percentile(above, RICHEST)))


def _undone_noise(noise: float, tau_s: float, step_s: float, n_mean: int) -> float:
    """Standard deviation of the undone reading's mean over n_mean samples: of a slope only the two ends remain."""
    return float(noise * (n_mean**-0.5 + tau_s / step_s * 2.0**0.5 / (n_mean + 1)))


def _trim(clear: BoolArray, first: int, last: int, reach: int = 8) -> tuple[int, int]:
    """Move the ends of a stretch to the outermost samples within reach that are clearly lean by themselves."""
    begin = max(0, first - reach)
    own = np.flatnonzero(clear[begin : last + reach + 1])
    return (begin + int(own[0]), begin + int(own[-1])) if own.size else (first, last)


def _base(view: View, undone: FloatArray, crank_ns: IntArray, open_throttle: BoolArray) -> FloatArray:
    """The ratio the engine runs at by itself for the load at each sample, (n,): richer the wider the throttle.

    The median over stretches of equal load, with the throttle open, joined by straight lines.
    """
    load = np.interp(crank_ns, view.firings.time_ns, np.nan_to_num(view.load.astype(np.float64)))
    edges = np.linspace(0.0, 1.0, 9)
    which = np.clip(np.digitize(load, edges) - 1, 0, 7)
    centres, levels = [], []
    for k in range(8):
        inside = undone[open_throttle & (which == k)]
        if inside.size >= 50:
            centres.append((edges[k] + edges[k + 1]) / 2)
            levels.append(float(np.median(inside)))
    if not levels:
        return np.full(undone.size, float(np.median(undone[open_throttle])))
    return np.asarray(np.interp(load, centres, levels), np.float64)


def _leanest(undone: FloatArray, turning: BoolArray) -> FloatArray:
    """A carburettor's leanest usual ratio, as an array (n,): it never cuts fuel, so nothing beyond that is normal."""
    return np.full(undone.size, float(np.percentile(undone[turning], 75)))


def _turning(view: View, crank_ns: IntArray) -> BoolArray:
    """Where the engine ran well above idle at each time at the crank."""
    firings = view.firings
    place = np.clip(np.searchsorted(firings.time_ns, crank_ns), 0, firings.time_ns.size - 1)
    fast = firings.speed_rps > SLOWEST * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    return np.asarray((fast & (view.state >= State.IDLE))[place])


def _open(view: View, crank_ns: IntArray) -> BoolArray:
    """Where the throttle was open, with the engine running, for a while before and after each time at the crank."""
    firings = view.firings
    at_least, around_ns = GATE.get(view.load_channel or "", GATE["fuel_pressure"])
    slow = firings.speed_rps < SLOWEST * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    closed = (view.load < at_least) | ~(view.load >= 0) | (view.state < State.IDLE) | slow
    count = np.concatenate(([0], np.cumsum(closed)))
    first = np.searchsorted(firings.time_ns, crank_ns - around_ns)
    last = np.searchsorted(firings.time_ns, crank_ns + around_ns)
    steady = (count[last] == count[first]) & (last > first)
    # A rail that follows load lags and rounds it: behind a steep fall the throttle may have been shut for a moment.
    load = np.interp(crank_ns, firings.time_ns, np.nan_to_num(view.load.astype(np.float64)))
    n_before = max(2, int(np.searchsorted(crank_ns, crank_ns[0] + FELL_WITHIN_NS)))
    highest = ndimage.maximum_filter1d(load, n_before, origin=(n_before - 1) // 2)
    return np.asarray(steady & (highest - load < 0.35))


def undo_lag(value: FloatArray, step_s: float, tau_s: float) -> FloatArray:
    """Invert a first-order lag sampled every step_s: value + tau * slope, the slope over one step either way, (n,)."""
    return np.asarray(value + tau_s * np.gradient(value, step_s), np.float64)


def lag_s(above: FloatArray, step_s: float) -> float:
    """Time constant from the way high readings decay: median of -step / ln(ratio) over long smooth falls."""
    n_steps = max(2, round(0.12 / step_s))
    start, end = above[:-n_steps], above[n_steps:]
    falling = ndimage.maximum_filter1d(np.diff(above), n_steps, origin=-(n_steps // 2))[: start.size] < 0.0
    smooth = falling & (start > 2.0) & (end > 0.4)
    if np.count_nonzero(smooth) < 20:
        return USUAL_TAU_S
    tau = -n_steps * step_s / np.log(end[smooth] / start[smooth])
    return float(np.clip(np.median(tau), 0.02, 0.5))
