"""What an event teaches about its air-fuel ratio probe, and what the probe says of combustion.

The reading comes late (gas transport) and smoothed (mixing, probe), about first order, so the step is undone:

    a(t) = r(t) + tau * dr/dt,     at the crank a dead time earlier.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.analysis.crank.states import View
from logger.analysis.signs.dead_time import LONGEST_DEAD_NS, STOICHIOMETRIC, by_cuts, by_the_crank
from logger.analysis.signs.fuelled import MS, PLAIN_AIR, fed, idles, place, sampled_every_s, turning
from logger.analysis.signs.lag import lag_s, undo_lag
from logger.event import NS_PER_S, FloatArray, IntArray, Trace

DEAD_TIME_NS = 180 * MS  # gas transport to a probe in the downpipe (no source; 0.1 to 0.3 s are usual)
DOUBT_NS = 120 * MS  # that guess may be off by, either way
MOSTLY = 0.1  # of its coasting; what a car without that cut spends on failures stays below
LOAD_CENTRES = (np.arange(8) + 0.5) / 8
SHUT = 0.1  # of full load
LEAN_SHARE = 75  # per cent of a carburettor's readings that are no leaner than its usual ones
FEWEST_SAMPLES = 50
ALIKE = 0.5  # ratios by load that differ by less are one
BURNED_ON_NS, FEWEST_SEEN = 150 * MS, 4
EARLIEST_NS = 40 * MS
SEEN_AIR, SEEN_LEANER = 1.1, 1.2  # times the usual ratio, and times the one before
LOAD_SLACK = 0.06  # the mixture follows the manifold, which follows the throttle in its own way
# A rail shows load by the manifold, which is full long before the throttle is; mixture is enriched with the throttle.
RAIL_SLACK = 0.3


@dataclass(frozen=True, slots=True)
class Probe:
    """What an event teaches about its probe: dead time, time constant, and the ratio at each of LOAD_CENTRES (8,).

    cuts_fuel: whether the engine goes without fuel on overrun, so that a shut throttle reads as air. doubt_ns: by how
    much the dead time may be wrong where the event does not tell it; else 0.
    """

    dead_ns: int
    tau_s: float
    levels: FloatArray
    cuts_fuel: bool
    doubt_ns: int = 0

    def base(self, view: View, crank_ns: IntArray) -> FloatArray:
        """The leanest the engine runs by itself at about the load at each time at the crank, (n,); at any load, where
        the view's is not known."""
        if view.load_channel is None:
            return np.full(crank_ns.size, self.levels.max())
        load = np.interp(crank_ns, view.firings.time_ns, np.nan_to_num(view.load.astype(np.float64)))
        slack = RAIL_SLACK if view.load_channel == "fuel_pressure" else LOAD_SLACK
        around = [np.interp(load + off, LOAD_CENTRES, self.levels) for off in (-slack, 0.0, LOAD_SLACK)]
        return np.asarray(np.max(around, axis=0))


def learn(views: Sequence[View]) -> Probe | None:
    """Learn from the event; None without a probe, and without a load channel where cuts of the fuel cannot be told."""
    some = [view for view in views if usable(view)]
    some = [view for view in some if view.load_channel is not None] or some
    if not some:
        return None
    cuts_fuel = some[0].engine.fuel_system != "carburettor"
    load_known = some[0].load_channel is not None
    if cuts_fuel and not load_known:
        cuts_fuel = bool(_lean_coasting(some) > MOSTLY)
    steps = [sampled_every_s(view) for view in some]
    values = [view.traces["air_fuel_ratio"].value for view in some]
    tau_s = lag_s([(value - np.percentile(value, 30), step_s) for value, step_s in zip(values, steps, strict=True)])
    undone = [undo_lag(view.traces["air_fuel_ratio"], s, tau_s) for view, s in zip(some, steps, strict=True)]
    told_ns = by_cuts(some, undone) if cuts_fuel and load_known else None
    if told_ns is None:
        told_ns = by_the_crank(some, undone)
    dead_ns = DEAD_TIME_NS if told_ns is None else told_ns
    doubt_ns = DOUBT_NS if told_ns is None else 0
    if cuts_fuel and not load_known:
        levels = _one_mixture(some, undone, dead_ns)
        return None if levels is None else Probe(dead_ns, tau_s, levels, cuts_fuel, doubt_ns)
    loads, ratios = [], []
    for view, value in zip(some, undone, strict=True):
        crank_ns = view.traces["air_fuel_ratio"].time_ns - dead_ns
        pulls = fed(view, crank_ns) if cuts_fuel else turning(view, crank_ns)
        loads.append(np.interp(crank_ns, view.firings.time_ns, np.nan_to_num(view.load.astype(np.float64)))[pulls])
        ratios.append(value[pulls])
    throttle_known = some[0].load_channel == "throttle_position"
    levels = _levels(np.concatenate(loads), np.concatenate(ratios), cuts_fuel, throttle_known)
    return None if levels is None else Probe(dead_ns, tau_s, levels, cuts_fuel, doubt_ns)


def _one_mixture(views: Sequence[View], undone: Sequence[FloatArray], dead_ns: int) -> FloatArray | None:
    """The usual ratio, the same at each load, of an engine that idles on the mixture it pulls on; None if it does not.

    Where nothing shows load, a leaner reading tells lost firings from a lighter load only on such an engine.
    """
    pulling, idling = [], []
    for view, value in zip(views, undone, strict=True):
        crank_ns = view.traces["air_fuel_ratio"].time_ns - dead_ns
        pulling.append(value[turning(view, crank_ns) & (value < PLAIN_AIR)])
        idling.append(value[idles(view)[place(view, crank_ns)] & (value < PLAIN_AIR)])
    pull, idle = np.concatenate(pulling), np.concatenate(idling)
    if min(pull.size, idle.size) < FEWEST_SAMPLES or abs(float(np.median(pull) - np.median(idle))) > ALIKE:
        return None
    return np.full(LOAD_CENTRES.size, float(np.median(pull)))


def usable(view: View) -> bool:
    trace = view.traces.get("air_fuel_ratio")
    if trace is None or trace.time_ns.size < 200 or view.firings.time_ns.size < 200:
        return False
    return 0.002 < sampled_every_s(view) < 0.11


def _lean_coasting(views: Sequence[View]) -> float:
    """The share of coasting, as the crank's own slowing shows it, in which the probe reads plain air."""
    coasting = lean = 0
    for view in views:
        trace = view.traces["air_fuel_ratio"]
        crank_ns = trace.time_ns - DEAD_TIME_NS
        load = np.interp(crank_ns, view.firings.time_ns, np.nan_to_num(view.load.astype(np.float64), nan=1.0))
        slows = turning(view, crank_ns) & (load < 0.02)
        coasting += int(np.count_nonzero(slows))
        lean += int(np.count_nonzero(slows & (trace.value > 1.15 * STOICHIOMETRIC)))
    return lean / max(coasting, 1)


def _levels(load: FloatArray, ratio: FloatArray, cuts_fuel: bool, throttle_known: bool) -> FloatArray | None:
    """The usual ratio by load: medians, where a load is common enough; elsewhere the leanest a warm engine is set to.

    A carburettor's is its leanest usual one, since it never cuts fuel; that of its idle jets behind a shut throttle.
    """
    if ratio.size < FEWEST_SAMPLES:
        return None
    if not cuts_fuel:
        levels = np.full(LOAD_CENTRES.size, float(np.percentile(ratio, LEAN_SHARE)))
        shut = ratio[load < SHUT]
        if throttle_known and shut.size >= FEWEST_SAMPLES:
            levels[0] = max(levels[0], float(np.percentile(shut, LEAN_SHARE)))
        return levels
    which = np.clip((load * LOAD_CENTRES.size).astype(np.int64), 0, LOAD_CENTRES.size - 1)
    levels = np.array(
        [
            np.median(ratio[which == k]) if np.count_nonzero(which == k) >= FEWEST_SAMPLES else np.nan
            for k in range(LOAD_CENTRES.size)
        ]
    )
    known = np.isfinite(levels)
    if not known.any():
        return np.full(LOAD_CENTRES.size, float(np.median(ratio)))
    if np.ptp(levels[known]) < ALIKE:
        return np.asarray(np.interp(LOAD_CENTRES, LOAD_CENTRES[known], levels[known]))
    return np.where(known, levels, max(float(np.nanmax(levels)), STOICHIOMETRIC))


def burned_on(view: View, probe: Probe | None, from_ns: int, to_ns: int) -> bool:
    """Whether the probe saw no air while firings seemed gone: then they were lit. False where it cannot tell.

    A stretch without combustion sends all of its air down the exhaust, which reads a third leaner at least; what is
    asked here is less than a third of that against the usual, and less than two thirds against the moments before.
    """
    read = _exhaust(view, probe, from_ns, to_ns)
    return read is not None and read.seen < SEEN_AIR * read.base and read.seen < SEEN_LEANER * read.before


def lost_share(view: View, probe: Probe | None, from_ns: int, to_ns: int) -> float | None:
    """Which share of a stretch's firings the probe says were lost; None where it cannot tell or fuel may be cut."""
    read = _exhaust(view, probe, from_ns, to_ns)
    if probe is None or read is None:
        return None
    at_ns = np.linspace(from_ns, to_ns, 9).astype(np.int64)
    if probe.cuts_fuel and not fed(view, at_ns, probe.doubt_ns).all():
        return None
    return 1.0 - read.base / read.seen if read.seen > read.base else 0.0


@dataclass(frozen=True, slots=True)
class _Read:
    """Air-fuel ratios of a stretch: the leanest mean of its length, what is usual there, and what came before."""

    seen: float
    base: float
    before: float


def _exhaust(view: View, probe: Probe | None, from_ns: int, to_ns: int) -> _Read | None:
    """What the probe read of a stretch at the crank; None where it is too short or not recorded."""
    if probe is None or not usable(view) or to_ns - from_ns < BURNED_ON_NS:
        return None
    trace = view.traces["air_fuel_ratio"]
    from_ns_late, to_ns_late = from_ns + EARLIEST_NS, to_ns + LONGEST_DEAD_NS
    earlier, first, last = np.searchsorted(trace.time_ns, [from_ns - BURNED_ON_NS, from_ns_late, to_ns_late]).tolist()
    n_stretch = round((to_ns - from_ns) / NS_PER_S / sampled_every_s(view))
    if n_stretch < FEWEST_SEEN or last - first < n_stretch or first - earlier < FEWEST_SEEN:
        return None
    # Of a long day only this stretch, with a sample more at either end for the slope.
    begin = max(0, earlier - 1)
    stretch = Trace(trace.time_ns[begin : last + 1], trace.value[begin : last + 1])
    undone = undo_lag(stretch, sampled_every_s(view), probe.tau_s)
    before, during = undone[earlier - begin : first - begin], undone[first - begin : last - begin]
    base = float(probe.base(view, np.linspace(from_ns, to_ns, 5).astype(np.int64)).max())
    # How late the air comes is known to a tenth of a second or two, so the leanest stretch of that length counts.
    seen = float(np.convolve(during, np.ones(n_stretch) / n_stretch, "valid").max())
    return _Read(seen, base, float(np.median(before)))
