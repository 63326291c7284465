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


def runs(interval: FloatArray, noisy: BoolArray, slow_ns: float, width: int) -> list[Run]:
    """Runs of intervals (ns, (n,)) that are too long for most of `width` in a row.

    noisy: intervals that hold edges of noise, bool (n,); nothing is claimed there. slow_ns: the interval from which a
    crank may really change its speed so fast.
    """
    found: list[Run] = []
    for at, usual in _beginnings(interval, slow_ns, width):
        if not (found and at < found[-1].stop):
            run = _follow(interval, noisy, at, usual, width)
            found += [run] if run is not None else []
    return found


def _beginnings(interval: FloatArray, slow_ns: float, width: int) -> list[tuple[int, float]]:
    """Intervals that are a whole number of those before, and begin so many long ones; each with what was usual before.

    A bad wire gives ten thousands of lost pulses a day, so all are looked at together.
    """
    at = np.flatnonzero(interval[1:] > LONG * interval[:-1]) + 1
    at = at[at >= QUIET_PULSES]
    before = interval[at[:, None] - np.arange(1, QUIET_PULSES + 1)]
    usual = np.median(before, axis=1)
    share = interval[at] / usual
    whole = np.rint(share)
    fits = (before.max(axis=1) < QUIET * before.min(axis=1)) & (np.abs(share - whole) < WHOLE * whole)
    at, usual = at[fits & (usual < slow_ns)], usual[fits & (usual < slow_ns)]
    following = interval[np.minimum(at[:, None] + np.arange(width), interval.size - 1)]
    thin = np.median(following, axis=1) > LONG * usual
    return list(zip(at[thin].tolist(), usual[thin].tolist(), strict=True))


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
