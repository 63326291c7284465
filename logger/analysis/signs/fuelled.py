"""Where the engine was fed at each time of its air-fuel ratio probe: only there is air in the exhaust a lost firing's.

An engine that cuts its fuel sends plain air from behind a shut throttle. Load tells it (GATE); so does idle speed, at
which no engine cuts its fuel, and the injectors' own wire; where none of them does, the reading itself (without_cuts).
"""

import numpy as np
from scipy import ndimage

from logger.analysis.channels.scene import usual_step_ns
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import State, View
from logger.analysis.signs import injection
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

MS = 1_000_000
# Load from which the throttle counts as open, and for how long before and after: a rail shows load rounded.
GATE = {"throttle_position": (0.12, 60 * MS), "fuel_pressure": (0.15, 60 * MS)}
DENSE_NS = 20 * MS  # a sampling step that those times allow for
SLOWEST = 1.4  # of idle: below, clutch and driver make the engine falter
IDLING = (0.65, 1.2)  # of idle speed: there no engine cuts its fuel
FELL_WITHIN_NS = 250 * MS
STAYS_NS = 450 * MS  # running has to last: how late the probe reads is not known to better than two tenths of a second
FED_NS = 200 * MS  # the same where an injector's wire shows when the fuel was cut
# One firing in four that is lost reads a third leaner, and no cut of the fuel as little: all firings lack it.
PLAIN_AIR, NEAR_S = 18.0, 0.4


def sampled_every_s(view: View) -> float:
    """The usual step between two samples of the probe, s."""
    return usual_step_ns(view.traces["air_fuel_ratio"].time_ns[:2000]) / NS_PER_S


def place(view: View, crank_ns: IntArray) -> IntArray:
    """The firing that follows each time at the crank, (n,)."""
    return np.clip(np.searchsorted(view.firings.time_ns, crank_ns), 0, view.firings.time_ns.size - 1)


def turning(view: View, crank_ns: IntArray) -> BoolArray:
    """Where the engine ran well above idle at each time at the crank, and went on to for STAYS_NS.

    Without the latter the air that a switched-off engine still pumps would count as its last firings'.
    """
    firings = view.firings
    fast = firings.speed_rps > SLOWEST * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    lasts = firings_end(view) - firings.time_ns > STAYS_NS
    return np.asarray((fast & lasts & (view.state >= State.IDLE))[place(view, crank_ns)])


def fed(view: View, crank_ns: IntArray, doubt_ns: int = 0) -> BoolArray:
    """Where no fuel was cut for a while before and after each time at the crank, (n,): the throttle was open, with the
    engine running, or was shut and the fuel came all the same. Where nothing shows load, only the latter is known.

    doubt_ns: by how much those times may be wrong.
    """
    firings = view.firings
    at_least, around_ns = GATE.get(view.load_channel or "", GATE["fuel_pressure"])
    around_ns += doubt_ns
    # Between two samples nobody knows when the throttle moved, or when the exhaust turned.
    for channel in ("air_fuel_ratio", view.load_channel or ""):
        if channel in view.traces and view.traces[channel].time_ns.size > 1:
            around_ns += max(0, round(usual_step_ns(view.traces[channel].time_ns[:2000])) - DENSE_NS)
    cut = ~_fed_though_shut(view)
    if view.load_channel is not None:
        slow = firings.speed_rps < SLOWEST * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
        cut &= (view.load < at_least) | ~(view.load >= 0) | (view.state < State.IDLE) | slow
    count = np.concatenate(([0], np.cumsum(cut)))
    first = np.searchsorted(firings.time_ns, crank_ns - around_ns)
    last = np.searchsorted(firings.time_ns, crank_ns + around_ns)
    steady = (count[last] == count[first]) & (last > first)
    if view.load_channel is None:
        return np.asarray(steady)
    # A rail that follows load lags and rounds it: behind a steep fall the throttle may have been shut for a moment.
    load = np.interp(crank_ns, firings.time_ns, np.nan_to_num(view.load.astype(np.float64)))
    n_before = max(2, int(np.searchsorted(crank_ns, crank_ns[0] + FELL_WITHIN_NS)))
    highest = ndimage.maximum_filter1d(load, n_before, origin=(n_before - 1) // 2)
    return np.asarray(steady & (highest - load < 0.35))


def without_cuts(view: View, crank_ns: IntArray, undone: FloatArray) -> BoolArray:
    """Where no fuel was cut at each time at the crank, (n,), though nothing shows load: undone, the reading freed from
    its lag, is nowhere near the plain air that each cut brings."""
    return turning(view, crank_ns) & ~near_air(undone, sampled_every_s(view))


def near_air(undone: FloatArray, step_s: float) -> BoolArray:
    """Where a reading freed from its lag is plain air, or is within NEAR_S, (n,)."""
    mean = ndimage.uniform_filter1d(undone, max(1, round(0.1 / step_s)), mode="nearest")
    return np.asarray(ndimage.binary_dilation(mean > PLAIN_AIR, iterations=max(1, round(NEAR_S / step_s))))


def _fed_though_shut(view: View) -> BoolArray:
    """Where nothing cuts the fuel at each firing: the engine idles, or injections are known to come, and had for a
    quarter of a second; and goes on to for as long as the probe's lag is in doubt, idling, or known to be fed."""
    time_ns = view.firings.time_ns
    lasts = firings_end(view) - time_ns > STAYS_NS
    return lasts & (idles(view) | _throughout(time_ns, injection.went_on(view), FED_NS))


def idles(view: View) -> BoolArray:
    """Where the engine idles at each firing, had for a quarter of a second, and goes on to for STAYS_NS, (n,)."""
    idle, speed = (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0, view.firings.speed_rps
    other = (speed < IDLING[0] * idle) | (speed > IDLING[1] * idle) | ~view.running | (view.state < State.IDLE)
    return _throughout(view.firings.time_ns, ~other, STAYS_NS)


def _throughout(time_ns: IntArray, true: BoolArray, after_ns: int) -> BoolArray:
    """Where something is true at all firings from FELL_WITHIN_NS before to `after_ns` after each, (n,)."""
    if not true.any():
        return np.zeros(time_ns.size, bool)
    count = np.concatenate(([0], np.cumsum(~true)))
    first, last = (np.searchsorted(time_ns, time_ns + shift) for shift in (-FELL_WITHIN_NS, after_ns))
    return np.asarray(count[last] == count[first])


def firings_end(view: View) -> IntArray:
    """When the stretch of pulses that each firing belongs to ends, ns, (n,)."""
    bounds = view.firings.bounds()
    return np.repeat(view.firings.time_ns[bounds[1:] - 1], np.diff(bounds))
