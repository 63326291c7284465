"""Pulses thinned out for long: every second one lost, or two of three, as one of two coils or triggers leaves them.

They come regularly, so that each is like its neighbours; only where they thin out shows that it is not the crank that
turns so slowly: it cannot have lost half its speed from one pulse to the next. From there on each interval is counted
off in pulses of the one before, as the crank's speed changes little between two.
"""

from dataclasses import dataclass

import numpy as np

from logger.analysis.crank.phase import FASTEST_RISE_PER_S, LONG, Patch
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

QUIET, QUIET_PULSES = 1.2, 3  # longest over shortest of so many intervals before
WHOLE, FITS = 0.12, 0.12  # of its pulses, by which the first interval that is too long, and those after, may miss
AT_ONCE = 0.25  # of its speed, that jitter and an uneven crank may seem to take from it in no time
LONGEST_NS = (LONG - 1.0 - AT_ONCE) / FASTEST_RISE_PER_S * NS_PER_S  # in which a crank may change its speed so much
FOLLOWS = 0.5  # of what an interval shows of the crank's speed, taken up


@dataclass(frozen=True, slots=True)
class Run:
    """Intervals first..first+m-1, each of `pulses` pulses, int64 (m,)."""

    first: int
    pulses: IntArray

    @property
    def stop(self) -> int:
        return self.first + int(self.pulses.size)

    def patch(self, edges: IntArray) -> Patch:
        """The edges within, all of them pulses, with those that are missing laid evenly between."""
        inside = edges[self.first : self.stop + 1]
        step = np.repeat(np.diff(inside) / self.pulses, self.pulses)
        seen = np.zeros(step.size, bool)
        seen[np.cumsum(self.pulses) - 1] = True
        time_ns = inside[0] + np.rint(np.cumsum(step)).astype(np.int64)
        time_ns[seen] = inside[1:]
        return Patch(self.first + 1, self.stop, time_ns[:-1], seen[:-1], np.empty(0, np.int64), False)


def runs(interval: FloatArray, odd: BoolArray, noisy: BoolArray, slow_ns: float, width: int) -> list[Run]:
    """Runs of intervals (ns, (n,)) that are too long for most of `width` in a row.

    odd: intervals unlike most of those around, bool (n,), of which none is usual. noisy: those that hold edges of
    noise, bool (n,); nothing is claimed there. slow_ns: the interval from which a crank may really change its speed so
    fast.
    """
    found: list[Run] = []
    doubled, until = _doublings(interval), 0
    for at, usual in _beginnings(interval, odd, slow_ns, width):
        last = int(np.searchsorted(doubled, at)) - 1
        if found and at < found[-1].stop:
            continue
        if last >= 0 and doubled[last] > until:
            until = at  # pulses had come too often, with an edge between each two, and no longer do
            continue
        run = _follow(interval, noisy, at, usual, width)
        if run is not None:
            found.append(run)
            until = run.stop
    return found


def _beginnings(interval: FloatArray, odd: BoolArray, slow_ns: float, width: int) -> list[tuple[int, float]]:
    """Intervals that are a whole number of those before, and begin so many long ones; each with what was usual before.

    A bad wire gives ten thousands of lost pulses a day, so all are looked at together.
    """
    at = np.flatnonzero(interval[1:] > LONG * interval[:-1]) + 1
    at = at[at >= QUIET_PULSES]
    before = at[:, None] - np.arange(1, QUIET_PULSES + 1)
    quiet, usual = _quiet(interval[before])
    share = interval[at] / usual
    fits = quiet & ~odd[before].any(axis=1) & (usual < slow_ns) & _whole(share)
    at, usual = at[fits], usual[fits]
    following = interval[np.minimum(at[:, None] + np.arange(width), interval.size - 1)]
    thin = np.median(following, axis=1) > LONG * usual
    return list(zip(at[thin].tolist(), usual[thin].tolist(), strict=True))


def _doublings(interval: FloatArray) -> IntArray:
    """Where intervals are a whole part of those before from one to the next, (k,)."""
    at = np.flatnonzero(LONG * interval[1:] < interval[:-1]) + 1
    at = at[(at >= QUIET_PULSES) & (at + QUIET_PULSES <= interval.size)]
    # Doubted sooner than believed: the limits are twice as wide.
    quiet, usual = _quiet(interval[at[:, None] - np.arange(1, QUIET_PULSES + 1)], 2.0)
    quiet_after, after = _quiet(interval[at[:, None] + np.arange(QUIET_PULSES)], 2.0)
    return at[quiet & quiet_after & (usual > LONG * after) & _whole(usual / after, 2.0)]


def _quiet(some: FloatArray, wider: float = 1.0) -> tuple[BoolArray, FloatArray]:
    """Whether intervals, (m, QUIET_PULSES), are alike, (m,), and their medians."""
    return some.max(axis=1) < (1.0 + wider * (QUIET - 1.0)) * some.min(axis=1), np.median(some, axis=1)


def _whole(share: FloatArray, wider: float = 1.0) -> BoolArray:
    """Which quotients of intervals, (m,), are about whole numbers."""
    whole = np.rint(share)
    return np.asarray(np.abs(share - whole) < wider * WHOLE * whole)


def _follow(interval: FloatArray, noisy: BoolArray, first: int, usual: float, width: int) -> Run | None:
    """The run that begins with interval `first`; None where too few pulses were lost for the median not to see them."""
    pulses: list[int] = []
    whole = 0
    for length, noise in zip(interval[first:], noisy[first:], strict=True):  # no list of them: most runs end soon
        count = round(length / usual)
        if noise or length > LONGEST_NS or abs(length / usual - count) > FITS * count:
            break
        usual += FOLLOWS * (length / count - usual)
        pulses.append(count)
        whole = whole + 1 if count == 1 else 0
        if whole > width:
            break
    pulses = pulses[: len(pulses) - whole]
    return Run(first, np.array(pulses, np.int64)) if sum(count > 1 for count in pulses) > width // 2 else None
