"""Cut-outs and hesitations with every tach pulse there: torque that vanishes at a stroke and comes back at a stroke.

A driver's foot, a clutch and a gear change round torque off and leave it changed; a spark that is gone takes all of it
between two firings and gives it back as suddenly, behind a throttle that stays where it was. So a stretch is looked
for in which the torque reading e (motion.py) lies below what the load promises, against the moments before *and* after
it, and at both of whose ends car and crank answer together: the car is let go and the crank slows as it begins, the
car is pushed and the crank gains as it ends. Grip lost or found moves the two against each other, brakes and slopes
move the car without the crank's corners, so neither passes.

The reading's own unrest, over stretches of each length in the same event, is the measure of what is significant.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.analysis.crank import roughness
from logger.analysis.crank.states import View
from logger.analysis.medians import median
from logger.analysis.signs.motion import STEP_NS, Law, Motion
from logger.analysis.signs.sign import Sign
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
LOADED_SHARE = 0.8  # of a stretch, that must be loaded
LEAST_DUE_G, LEAST_SPREAD_G = 0.05, 0.01
FEWEST_STRETCHES = 50
FEWEST_FIRINGS = 8.0  # fewer, and the corners are made of single intervals
FOOT_NS, LIFTED, EASED = 120 * MS, 0.2, 0.1
NEXT_TO_NS = 100 * MS
FELL, GAINED = 0.7, 1.5  # times the speed before: the next gear turns the crank at 0.55 to 0.85 of it (common practice)
FALLING = 0.12  # load lost within 200 ms: a lift, and what follows it says nothing
SIGNIFICANT = 3.2  # standard deviations
MISSING = 0.35  # of the torque that the load promises
CAR_G, CRANK_RPS2 = 0.02, 3.0  # least change at either end
CAR_SPINNING_G, SPINNING_RPS2 = -0.04, 20.0
CUT_SHORT = 10  # steps that a loss must last which the driver's own lift ends
MISSING_CUT_SHORT = 0.5
PUSHED = 0.5  # of what is promised, before a loss that nothing comes back from
LOW, LOW_CUT_SHORT = 0.25, 0.5  # of what is promised, that must be missing by itself
MOST_MISSING = 1.5  # beyond it brakes are at work
LEAST_CRANK = 0.12  # of the missing torque, that the crank shows at the corner: brakes reach it through the shafts
MOST_CRANK = 1.3  # of the missing torque that the crank alone may show, on average
CORNER = 6.0  # standard errors of the crank's own corner as the torque returns
CORNER_CUT_SHORT = 8.0  # of the corner as it vanishes, where it never returns


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
    score = roughness.corners(view.firings)
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
        if _foot_lifted(view, from_ns) or (span.returns and _foot_eased(view, from_ns, to_ns)):
            continue
        if span.returns:
            to_ns = int(time_ns[ends[int(np.argmax(score[1][ends]))]])
        to_ns = max(to_ns, from_ns + STEP_NS)
        if _other_gear(motion, from_ns, to_ns):
            continue
        lost = np.diff(np.searchsorted(time_ns, [from_ns, to_ns]))[0] * view.engine.firings_per_revolution
        lost = float(lost) / view.firings.pulses_per_revolution
        if lost < FEWEST_FIRINGS:
            continue
        found.append(Sign("weak_torque", "tach_pulses", from_ns, to_ns, lost, span.sigmas, from_ns - STEP_NS))
    return found


def _around(time_ns: IntArray, at_ns: int) -> IntArray:
    first, last = np.searchsorted(time_ns, [at_ns - 100 * MS, at_ns + 80 * MS])
    return np.arange(first, last)


def _foot_lifted(view: View, at_ns: int) -> bool:
    """Whether the throttle was let off just then: a lift into a bend ends the push as suddenly.

    Only a throttle that is recorded tells; a rail shows load too late.
    """
    if view.load_channel != "throttle_position":
        return False
    first, at, last = np.searchsorted(view.firings.time_ns, [at_ns - FOOT_NS, at_ns, at_ns + FOOT_NS])
    return first < at < last and float(view.load[first:at].max() - view.load[at:last].min()) > LIFTED


def _foot_eased(view: View, from_ns: int, to_ns: int) -> bool:
    """Whether the throttle was eased as the push ended and opened again as it came back: a bend taken at part load."""
    if view.load_channel != "throttle_position":
        return False
    at = np.array([from_ns - FOOT_NS, from_ns + FOOT_NS, to_ns - FOOT_NS, to_ns + FOOT_NS])
    before, eased, held, after = np.interp(at, view.firings.time_ns, view.load)
    return bool(before - eased > EASED and after - held > EASED)


def _other_gear(motion: Motion, from_ns: int, to_ns: int) -> bool:
    """Whether the crank turns at another speed after a stretch than a lost torque can have made of that before.

    A driver may change gear behind a throttle that he keeps open; and what gained that much speed had its torque.
    """
    before, after = np.interp([from_ns - NEXT_TO_NS, to_ns + NEXT_TO_NS], motion.time_ns, motion.speed)
    return bool(after > GAINED * before or (to_ns - from_ns < NS_PER_S and after < FELL * before))


def _whole(view: View, first: int, last: int) -> bool:
    """Whether every pulse was seen between two pulses, and the load known."""
    return bool(view.firings.seen[first:last].all()) and bool(np.isfinite(view.load[first:last]).all())


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


@dataclass(frozen=True, slots=True)
class _Side:
    """How stretches compare with the moments on one side of them, each (n,).

    known: enough steps there serve for comparison. due: torque that the load promised there, g. missing: torque, g,
    against them. answers: car and crank both changed as a lost torque makes them. slower: the crank gained less than
    there, all in all.
    """

    known: BoolArray
    due: FloatArray
    missing: FloatArray
    answers: BoolArray
    slower: BoolArray


class _Sums:
    """Running sums over the grid, from which any stretch's means come at once."""

    def __init__(
        self, pulls: BoolArray, loaded: BoolArray, short: FloatArray, due: FloatArray, motion: Motion, law: Law
    ) -> None:
        everywhere = np.ones(pulls.size, bool)
        x = motion.acceleration @ law.axis
        self.n = pulls.size
        self.c = law.c
        self.car, self.crank = _sums(x, everywhere), _sums(motion.crank, everywhere)
        self.count, self.short, self.due = (_sums(value, loaded) for value in (everywhere, short, np.maximum(due, 0.0)))
        self.beside = [_sums(value, pulls) for value in (everywhere, due, short, x, motion.crank)]

    def spans(self, length: int) -> list[Span]:
        """Stretches of that many steps in which torque was missing against what was known beside them."""
        first = np.arange(1, self.n - length)
        count = self.count[first + length] - self.count[first]
        loaded = count >= LOADED_SHARE * length
        first, count = first[loaded], count[loaded]
        if first.size < FEWEST_STRETCHES:
            return []
        stop = first + length
        short, due = (total[stop] - total[first] for total in (self.short, self.due))
        level, due = short / np.maximum(count, 1.0), np.maximum(due / np.maximum(count, 1.0), LEAST_DUE_G)
        before = self._side(first, stop, level, (first - 1 - SIDE, first - 1), (first - 1, first + 1 + NEXT))
        after = self._side(first, stop, level, (stop + 1, stop + 1 + SIDE), (stop + 1 + NEXT, stop - 1))
        returns = before.known & after.known & before.answers & after.answers & before.slower & after.slower
        cut_short = before.known & ~after.known & before.answers & (length >= CUT_SHORT)
        cut_short &= before.due > PUSHED * due  # or there was no push yet that could vanish
        missing = np.where(after.known, np.minimum(before.missing, after.missing), before.missing)
        share = missing / due
        good = (returns | cut_short) & (share < MOST_MISSING)
        good &= share > np.where(returns, MISSING, MISSING_CUT_SHORT)
        good &= level > np.where(returns, LOW, LOW_CUT_SHORT) * due
        if not good.any():
            return []
        sigmas = _sigmas(missing)
        good &= sigmas > SIGNIFICANT
        if not good.any():
            return []
        everywhere = np.zeros(self.n)
        everywhere[first[good]] = missing[good]
        good &= missing >= ndimage.maximum_filter1d(everywhere, length + 3)[first]
        return [
            Span(int(first[k]), int(stop[k]), float(missing[k]), float(sigmas[k]), bool(returns[k]))
            for k in np.flatnonzero(good)
        ]

    def _side(
        self,
        first: IntArray,
        stop: IntArray,
        level: FloatArray,
        between: tuple[IntArray, IntArray],
        corner: tuple[IntArray, IntArray],
    ) -> _Side:
        """Compare stretches with the steps `between` two; corner: where NEXT steps outside, and inside, end."""
        low, high = (np.clip(at, 0, self.n) for at in between)
        n, due, other, car, crank = (total[high] - total[low] for total in self.beside)
        n_safe, length = np.maximum(n, 1.0), stop - first
        missing = level - other / n_safe
        slowed = crank / n_safe - (self.crank[stop] - self.crank[first]) / length
        let_go = car / n_safe - (self.car[stop] - self.car[first]) / length
        # Of a wheel that spins the tyre pushes on: then the crank alone shows it.
        spins = (self.c * slowed > 0.5 * missing) & (crank / n_safe > SPINNING_RPS2)
        outside, inside = (
            self.crank[at] - self.crank[at - NEXT] for at in (np.clip(at, NEXT, self.n) for at in corner)
        )
        answers = (let_go > np.where(spins, CAR_SPINNING_G, CAR_G)) & (outside - inside > NEXT * CRANK_RPS2)
        answers &= self.c * slowed < MOST_CRANK * np.maximum(missing, 0.1)
        answers &= self.c * (outside - inside) > NEXT * LEAST_CRANK * missing
        return _Side(n >= FEWEST_SIDE, due / n_safe, missing, answers, slowed > SLOWED_RPS2)


def _sums(value: FloatArray | BoolArray, where: BoolArray) -> FloatArray:
    return np.concatenate(([0.0], np.cumsum(np.where(where, value, 0.0))))


def _sigmas(value: FloatArray) -> FloatArray:
    """Standard deviations above the median, by the median absolute deviation."""
    middle = median(value)
    spread = 1.4826 * median(np.abs(value - middle))
    return np.asarray((value - middle) / max(spread, LEAST_SPREAD_G))
