"""Unburnt air in the exhaust: an air-fuel ratio that jumps lean while the engine pulls counts the firings lost.

A firing that is not lit sends its air and fuel down the exhaust together; the probe shows the air. With a the reading
freed from its lag (probe.py) and base what it usually is,

    share of firings lost = 1 - base / a.

It reads the same for a misfire and for a missing injection, so it never convicts fuel by itself; it only counts.
Closed throttle is left out: engines cut fuel there. Where nothing shows the throttle, the stretches around plain air
are, and what is left has to last longer than a lift.
"""

import numpy as np
from scipy import ndimage

from logger.analysis.channels import bands
from logger.analysis.crank.states import View
from logger.analysis.signs.dead_time import STOICHIOMETRIC
from logger.analysis.signs.fuelled import MS, fed, near_air, sampled_every_s, turning, without_cuts
from logger.analysis.signs.lag import undo_lag
from logger.analysis.signs.probe import FEWEST_SAMPLES, Probe, usable
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

JOIN_S = 0.5
TOLD_NS = 60 * MS  # how well a lost firing is dated by its air, where the event told how late the probe reads
FEWEST_LOST = 1.3  # firings, as the undone reading counts them; fewer nobody feels
THIN_S, THIN = 0.75, 0.06  # share of the firings; one cylinder of eight that misses loses twice as much
SHUT_S = 0.15  # as for a gear change; a foot that trembles shuts it for less
LASTS_S, THROUGHOUT = 0.6, 0.7  # where nothing shows the throttle (judgement)
SPIKE = 2.0  # times the mean
# Up to a tenth leaner than stoichiometric petrol gives nearly all of its torque (common practice: full power needs an
# excess of fuel, the least consumption lies at 1.05 to 1.1 times the stoichiometric ratio).
BURNS_WELL = 1.1 * STOICHIOMETRIC
FLICKER_S, FLICKERS = (0.04, 0.16), 1.4  # a short mean and a long one; times their usual difference
FEWEST_WANDERING = 4.0  # the same where nothing tells a throttle that opens on a weak mixture
LEAST_LEAN = 0.03  # of the usual ratio
RICHEST = 0.5  # per cent of the samples, whose depth on the rich side tells how restless the mixture is
RESTLESS = 2.0
AIR = 0.12  # of the base, above which a reading is no wandering mixture any more
STILL = 0.2  # change of load within half a second
MEANS_S = (0.02, 0.1, 0.3)  # over which the reading is looked at
TRIMMED_S = 0.16  # about a stretch, within which its ends are looked for
BREATHS = 4.2  # standard deviations of the undone reading


def signs(view: View, probe: Probe | None) -> list[Sign]:
    """Stretches in which firings were lost while the engine pulled or idled, as lean signs, dated at the crank.

    note: how much later the probe read it, ms.
    """
    if probe is None or not usable(view):
        return []
    trace, step_s, tau_s = view.traces["air_fuel_ratio"], sampled_every_s(view), probe.tau_s
    crank_ns = trace.time_ns - probe.dead_ns
    open_throttle = fed(view, crank_ns) if probe.cuts_fuel else turning(view, crank_ns)
    undone = undo_lag(trace, step_s, tau_s)
    if probe.cuts_fuel and probe.doubt_ns:
        open_throttle &= fed(view, crank_ns, probe.doubt_ns) | ~near_air(undone, step_s)
    unsure = np.zeros(undone.size, bool)
    if probe.cuts_fuel and view.load_channel is None:
        unsure = without_cuts(view, crank_ns, undone) & ~open_throttle
        open_throttle = open_throttle | unsure
    if np.count_nonzero(open_throttle) < FEWEST_SAMPLES:
        return []
    base = probe.base(view, crank_ns)
    tail = _cut_tail(trace.value - base, open_throttle, step_s)
    noise = bands.noise(trace.value)
    settled = _settled(view, crank_ns, step_s)
    short, long = (
        ndimage.uniform_filter1d(undone, max(1, round(mean_s / step_s)), mode="nearest") for mean_s in FLICKER_S
    )
    flicker = short - long
    flickers = FLICKERS * 1.4826 * float(np.median(np.abs(flicker[open_throttle])))
    lean = np.zeros(undone.size, bool)
    # One lost firing is a short spike; a few in a hundred show only in a longer mean, where noise averages out.
    for mean_s in MEANS_S:
        n_mean = max(1, round(mean_s / step_s))
        above = ndimage.uniform_filter1d(undone - base, n_mean, mode="nearest")
        quiet = BREATHS * _undone_noise(noise, tau_s, step_s, n_mean)
        limit = np.where(
            settled,
            max(quiet, _restless(above[open_throttle & settled])),
            max(quiet, _restless(above[open_throttle & ~settled])),
        )
        if not probe.cuts_fuel:
            # The base is the leanest it runs by itself, so what it does on the rich side says little of the lean.
            limit = np.minimum(limit, np.maximum(quiet, AIR * base))
        lean |= above > np.maximum(LEAST_LEAN * base, limit) + tail
        if mean_s == MEANS_S[1]:
            smooth = above
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
    # What lies on two sides of a shut throttle is counted apart: by its edges, told to some hundredths of a second.
    shut = np.diff(np.cumsum(~open_throttle)[at]) * step_s > SHUT_S
    parts = np.split(at, np.flatnonzero((np.diff(crank_ns[at]) > JOIN_S * NS_PER_S) | shut) + 1)
    for before, part, after in zip([at[:0], *parts], parts, [*parts[1:], at[:0]], strict=False):
        own = slice(before[-1] + 1 if before.size else 0, after[0] if after.size else undone.size)
        reach = max(2, round(TRIMMED_S / step_s))
        ends = _trim((clear & open_throttle)[own], int(part[0]) - own.start, int(part[-1]) - own.start, reach)
        first, last = (end + own.start for end in ends)
        count = float(lost[first : last + 1].sum())
        leaner = smooth[first : last + 1]
        drifted = _thin(count, rate[first : last + 1], step_s) and _flat(leaner)
        edge = min(round(FLICKER_S[1] / 2.0 / step_s), (last - first) // 4)  # a step as it begins and ends flickers too
        even = _even(flicker[first + edge : last + 1 - edge], flickers)
        drifted |= even and _burns_well(leaner + base[first : last + 1])
        if unsure[first : last + 1].any() and not _lasts(clear[first : last + 1], step_s):
            continue
        if count < (FEWEST_LOST if probe.cuts_fuel else FEWEST_WANDERING) or drifted:
            continue
        from_ns, to_ns = int(crank_ns[first]), int(crank_ns[last])
        earliest_ns, late_ms = from_ns - max(TOLD_NS, probe.doubt_ns), f"{probe.dead_ns // MS}"
        found.append(Sign("lean", "air_fuel_ratio", from_ns, to_ns, count, count, earliest_ns, note=late_ms))
    return found


def _thin(lost: float, rate: FloatArray, step_s: float) -> bool:
    """Whether a stretch is long and reads lean by little."""
    return rate.size * step_s > THIN_S and lost < THIN * float(rate.sum()) * step_s


def _flat(above: FloatArray) -> bool:
    """Whether it does so evenly: then the mixture has shifted, while a lost firing is a spike."""
    return float(above.max()) < SPIKE * float(above.mean())


def _lasts(clear: BoolArray, step_s: float) -> bool:
    """Whether a stretch is lean for longer than a lift or a gear change would cut the fuel, and nearly throughout."""
    return clear.size * step_s > LASTS_S and float(clear.mean()) > THROUGHOUT


def _even(flicker: FloatArray, most: float) -> bool:
    """Whether a reading keeps even: the mixture has shifted, where firings, lost one by one, would make it flicker."""
    return float(np.sqrt(np.mean(flicker**2))) < most


def _burns_well(ratio: FloatArray) -> bool:
    """Whether a mixture as lean as it reads gives its torque all the same."""
    return float(np.median(ratio)) < BURNS_WELL


def _cut_tail(above: FloatArray, open_throttle: BoolArray, step_s: float) -> FloatArray:
    """What an overrun's fuel cut may leave in the undone reading for half a second: a tenth of its height, (n,)."""
    n_samples = max(1, round(0.5 / step_s))
    height = np.where(open_throttle, 0.0, np.maximum(above, 0.0))
    return np.asarray(ndimage.maximum_filter1d(height, n_samples, origin=n_samples // 2 - 1) / 10.0)


def _restless(above: FloatArray) -> float:
    """How far the mixture strays by itself as the throttle moves.

    Lost firings only ever read lean, so what is found on the rich side is the mixture's own doing, and it strays to the
    lean side about as far.
    """
    return RESTLESS * max(0.0, -float(np.percentile(above, RICHEST))) if above.size else 0.0


def _settled(view: View, crank_ns: IntArray, step_s: float) -> BoolArray:
    """Where the load had hardly changed for half a second at each time at the crank, (n,): then mixture is steady."""
    load = np.interp(crank_ns, view.firings.time_ns, np.nan_to_num(view.load.astype(np.float64)))
    n_before = max(2, round(0.5 / step_s))
    origin = (n_before - 1) // 2
    swing = ndimage.maximum_filter1d(load, n_before, origin=origin) - ndimage.minimum_filter1d(
        load, n_before, origin=origin
    )
    return np.asarray(swing < STILL)


def _undone_noise(noise: float, tau_s: float, step_s: float, n_mean: int) -> float:
    """Standard deviation of the undone reading's mean over n_mean samples: of a slope only the two ends remain."""
    return float(noise * (n_mean**-0.5 + tau_s / step_s * 2.0**0.5 / (n_mean + 1)))


def _trim(clear: BoolArray, first: int, last: int, reach: int) -> tuple[int, int]:
    """Move the ends of a stretch to the outermost samples within reach that are clearly lean by themselves."""
    begin = max(0, first - reach)
    own = np.flatnonzero(clear[begin : last + reach + 1])
    return (begin + int(own[0]), begin + int(own[-1])) if own.size else (first, last)
