"""Cut-outs and hesitations with every tach pulse there: torque that vanishes at a stroke and comes back at a stroke.

A driver's foot, a clutch and a gear change round torque off and leave it changed; a spark that is gone takes all of it
between two firings and gives it back as suddenly, behind a throttle that stays where it was. So a stretch is looked
for in which the torque reading e (torque.py) lies below what the load promises, against the moments before *and* after
it, and at both of whose ends car and crank answer together: the car is let go and the crank slows as it begins, the
car is pushed and the crank gains as it ends. Grip lost or found moves the two against each other, brakes and slopes
move the car without the crank's corners, so neither passes.

The reading's own unrest, over stretches of each length in the same event, is the measure of what is significant.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.analysis import roughness
from logger.analysis.pulses import Firings
from logger.analysis.signs import Sign
from logger.analysis.states import View
from logger.analysis.torque import STEP_NS, Law, Motion
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

MS = 1_000_000
LENGTHS = (5, 8, 12, 20, 32, 50, 80)  # grid steps of 20 ms that a loss may last
SIDE = 10  # steps before and after that it is compared with
FEWEST_SIDE = 4
SLOWED_RPS2 = 1.0  # on average over the loss
NEXT = 4  # steps on either side of a corner over which the crank's acceleration is taken
PULLS = 0.06  # load from which a step may serve for comparison
LOADED = 0.1  # load from which torque can be missing
NEAR = {"throttle_position": 3, "fuel_pressure": 7}  # steps over which the load must have been there
FALLING = 0.12  # load lost within 200 ms: a lift, and what follows it says nothing
SIGNIFICANT = 3.2  # standard deviations
MISSING = 0.35  # of the torque that the load promises
CAR_G, CRANK_RPS2 = 0.02, 3.0  # least change at either end
CAR_SPINNING_G, SPINNING_RPS2 = -0.04, 20.0
CUT_SHORT = 10  # steps that a loss must last which the driver's own lift ends
MISSING_CUT_SHORT = 0.5
LOW, LOW_CUT_SHORT = 0.25, 0.5  # of what is promised, that must be missing by itself
MOST_MISSING = 1.5  # beyond it brakes are at work
MOST_CRANK = 1.3  # of the missing torque that the crank alone may show, on average
CORNER = 6.0  # standard errors of the crank's own corner as the torque returns
CORNER_CUT_SHORT = 8.0  # of the corner as it vanishes, where it never returns
CORNER_LENGTHS = (3, 4, 6, 8, 12, 16, 24)  # pulses
CORNER_NS = (25 * MS, 130 * MS)


@dataclass(frozen=True, slots=True)
class Span:
    """Grid steps first..stop-1 in which torque was missing: how much, g, how significant, whether it came back."""

    first: int
    stop: int
    missing: float
    sigmas: float
    returns: bool


def signs(view: View, motion: Motion, law: Law) -> list[Sign]:
    """Stretches whose torque vanished and came back, as weak_torque signs."""
    spans = _spans(motion, law, NEAR[view.load_channel or "fuel_pressure"])
    if not spans:
        return []
    score = corners(view.firings)
    found = []
    for span in spans:
        time_ns = view.firings.time_ns
        from_ns, to_ns = int(motion.time_ns[span.first]), int(motion.time_ns[span.stop - 1]) + STEP_NS
        begins, ends = (_around(time_ns, at) for at in (from_ns, to_ns))
        if not begins.size or not ends.size or not _whole(view, begins[0], ends[-1]):
            continue
        if score[1][ends].max() < CORNER if span.returns else score[0][begins].max() < CORNER_CUT_SHORT:
            continue
        if score[0][begins].max() > CORNER:
            from_ns = int(time_ns[begins[int(np.argmax(score[0][begins]))]])
        if span.returns:
            to_ns = int(time_ns[ends[int(np.argmax(score[1][ends]))]])
        to_ns = max(to_ns, from_ns + STEP_NS)
        lost = np.diff(np.searchsorted(time_ns, [from_ns, to_ns]))[0] * view.engine.firings_per_revolution
        lost = float(lost) / view.firings.pulses_per_revolution
        found.append(Sign("weak_torque", "tach_pulses", from_ns, to_ns, lost, span.sigmas, from_ns - STEP_NS))
    return found


def _around(time_ns: IntArray, at_ns: int) -> IntArray:
    first, last = np.searchsorted(time_ns, [at_ns - 100 * MS, at_ns + 80 * MS])
    return np.arange(first, last)


def _whole(view: View, first: int, last: int) -> bool:
    """Whether every pulse was seen between two pulses, and the load known."""
    return bool(view.firings.seen[first:last].all()) and bool(np.isfinite(view.load[first:last]).all())


def corners(firings: Firings) -> tuple[FloatArray, FloatArray]:
    """How sharply the crank's acceleration falls and rises at each pulse, in standard errors, each (n,), never below 0.

    The sharpest over the lengths that last a quarter to half of a drive shaft's swing, some 30 to 130 ms.
    """
    fall = np.zeros(firings.time_ns.size)
    rise = np.zeros(firings.time_ns.size)
    interval = NS_PER_S / np.maximum(firings.speed_rps * firings.pulses_per_revolution, 1e-3)
    for length in CORNER_LENGTHS:
        score = roughness.speed_loss(firings, length)[1]
        fits = (length * interval > CORNER_NS[0]) & (length * interval < CORNER_NS[1])
        fall = np.where(fits, np.maximum(fall, score), fall)
        rise = np.where(fits, np.maximum(rise, -score), rise)
    return fall, rise


def _spans(motion: Motion, law: Law, near: int) -> list[Span]:
    """Stretches that pass at both ends, the weightiest first, none overlapping a weightier one."""
    e = law.e(motion)
    promised = law.promised(motion)
    pulls, loaded = _usable(motion, law, near)
    running = _Sums(pulls, loaded, promised - e, promised - law.coast_level, motion, law)
    spans = [span for length in LENGTHS if length < e.size // 2 for span in running.spans(length)]
    spans.sort(key=lambda span: -span.missing * np.sqrt(span.stop - span.first))
    kept: list[Span] = []
    for span in spans:
        if all(span.stop <= other.first or span.first >= other.stop for other in kept):
            kept.append(span)
    return kept


def _usable(motion: Motion, law: Law, near: int) -> tuple[BoolArray, BoolArray]:
    """Steps that may serve for comparison, and steps in which torque may be missing, each (n,)."""
    load = motion.load
    lifted = load < ndimage.maximum_filter1d(load, SIDE + 1, origin=SIDE // 2) - FALLING
    lifted |= np.roll(lifted, -1) | np.roll(lifted, -2) | np.roll(lifted, -3)
    usable = motion.running & ~lifted & law.grounded(motion)
    jump = ndimage.maximum_filter1d(load, near) - ndimage.minimum_filter1d(load, near)
    pulls = usable & (load > PULLS) & (jump < 0.25)
    loaded = usable & (ndimage.minimum_filter1d(load, 2 * near + 1) > LOADED)
    return np.asarray(pulls), np.asarray(loaded)


class _Sums:
    """Running sums over the grid, from which any stretch's means come at once."""

    def __init__(
        self, pulls: BoolArray, loaded: BoolArray, short: FloatArray, due: FloatArray, motion: Motion, law: Law
    ) -> None:
        def sums(value: FloatArray, where: BoolArray) -> FloatArray:
            return np.concatenate(([0.0], np.cumsum(np.where(where, value, 0.0))))

        everywhere = np.ones(pulls.size, bool)
        x = motion.acceleration @ law.axis
        self.n = pulls.size
        self.c = law.c
        self.side = [sums(value, pulls) for value in (np.ones(self.n), short, x, motion.crank)]
        self.inside = [sums(np.ones(self.n), loaded), sums(short, loaded), sums(np.maximum(due, 0.0), loaded)]
        self.inside += [sums(x, everywhere), sums(motion.crank, everywhere)]

    def spans(self, length: int) -> list[Span]:
        """Stretches of that many steps in which torque was missing against both sides."""
        first = np.arange(1, self.n - length)
        stop = first + length
        count, short, due, x, crank = (total[stop] - total[first] for total in self.inside)
        count_safe = np.maximum(count, 1.0)
        level = short / count_safe
        sides = []
        crank_sum = self.inside[-1]
        corners = (first - 1, first + 1 + NEXT), (stop + 1 + NEXT, stop - 1)
        for (low, high), (beside, within) in zip(
            ((first - 1 - SIDE, first - 1), (stop + 1, stop + 1 + SIDE)), corners, strict=True
        ):
            low, high = np.clip(low, 0, self.n), np.clip(high, 0, self.n)
            n, other, car, speed = (total[high] - total[low] for total in self.side)
            safe = np.maximum(n, 1.0)
            gone, slowed = level - other / safe, self.c * (speed / safe - crank / length)
            # Of a wheel that spins the tyre pushes on: then the crank alone shows it.
            car_least = np.where((slowed > 0.5 * gone) & (speed / safe > SPINNING_RPS2), CAR_SPINNING_G, CAR_G)
            beside, within = (np.clip(at, NEXT, self.n) for at in (beside, within))
            corner = (
                crank_sum[beside] - crank_sum[beside - NEXT] - crank_sum[within] + crank_sum[within - NEXT]
            ) / NEXT
            answers = (car / safe - x / length > car_least) & (corner > CRANK_RPS2)
            answers &= slowed < MOST_CRANK * np.maximum(gone, 0.1)
            sides.append((n >= FEWEST_SIDE, gone, answers, slowed > self.c * SLOWED_RPS2))
        (known, before, answers, slower), (known_after, after, answers_after, faster) = sides
        both = known & known_after & answers & answers_after & slower & faster
        cut_short = known & ~known_after & answers & (length >= CUT_SHORT)
        missing = np.where(known_after, np.minimum(before, after), before)
        answers = (count >= 0.8 * length) & (both | cut_short)
        usual = missing[count >= 0.8 * length]
        if usual.size < 50:
            return []
        middle = float(np.median(usual))
        spread = max(1.4826 * float(np.median(np.abs(usual - middle))), 0.01)
        sigmas = (missing - middle) / spread
        share = missing / np.maximum(due / count_safe, 0.05)
        promised = np.maximum(due / count_safe, 0.05)
        good = answers & (sigmas > SIGNIFICANT) & (share < MOST_MISSING)
        good &= (share > np.where(both, MISSING, MISSING_CUT_SHORT)) & (
            level > np.where(both, LOW, LOW_CUT_SHORT) * promised
        )
        good &= missing >= ndimage.maximum_filter1d(np.where(good, missing, 0.0), length + 3)
        return [
            Span(int(first[k]), int(stop[k]), float(missing[k]), float(sigmas[k]), bool(both[k]))
            for k in np.flatnonzero(good)
        ]
