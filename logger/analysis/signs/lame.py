"""A cylinder that is lame: one firing of the cycle lost again and again, the others sound.

A lost firing takes a step out of the crank's speed, which the next firings make good. One of them is lost in the
jitter of a tach wire's edges; lost at the same place of every cycle it is a wave of one cycle in how late the edges
come (half an order of crank speed in a four-stroke), and many cycles bring it out: analysis of crank speed at that
order is the classical way to tell the cylinder (G. Rizzoni, "Diagnosis of Individual Cylinder Misfires by Signature
Analysis of Crankshaft Speed Fluctuations", SAE Technical Paper 890884, 1989, from memory).

For a loss of relative speed d per firing, in an engine of M pulses a cycle, speed runs down by d at once and up again
over the cycle: a sawtooth, whose first harmonic is d / pi; summed up, the edges come early and late by

    d M / (2 pi^2) cos(2 pi (k - k0) / M)        (in intervals; earliest, the wave's trough, in the middle of the loss)

Against edge jitter s (in intervals) N cycles of it stand out by z = d M sqrt(M N / 2) / (2 pi^2 s) standard errors.
One firing's work at mean effective pressure p in an engine of displacement V, inertia J and C cylinders is p V / C, so
d = p V / (C J w^2) at crank speed w: what a lame cylinder would show is known but for p V / J, which differs little.

What a sound engine shows at that order is its standing pattern (lobes of a distributor, teeth, cylinders that differ),
taken as the median by place over the event, for pulling, idling and overrun apart. Beyond it, the cumulative sum of
log-likelihoods between a lame and a sound engine rises while a cylinder is lame (E. S. Page, Biometrika 41 (1954)
100-115), for each cylinder and some sizes of p V / J. Once a cylinder is convicted, less is asked of what else it shows.

Not seen: one pulse a cycle; a loss that falls midway between two pulses a cycle; losses too small for the jitter.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.analysis.crank import cycle
from logger.analysis.crank.cycle import Folded
from logger.analysis.crank.states import State, View
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray

WORK = 9400.0  # p V / J, 1/s2: 800 kPa at full load over 0.085 kg m2 a litre (judgement)
SIZES = (0.5, 1.0)  # of that, which are tried
LEAST_SIZE, MOST_SIZE = 0.35, 3.0  # cylinders that differ by some per cent stay below a tenth
IDLE_SHARE = 0.25  # of full load, with which an idling engine fires
FULL_LOAD = 0.6  # of the load's scale, from which an engine gives about its full torque
LEAST_SHARE = 0.2
MOST_LEVEL = 2.5  # standard deviations of one edge: beyond it edges are clipped
CONVINCING = 14.0  # natural log-likelihood: by chance once in some ten hours
ONCE_KNOWN = 9.0  # the same for a cylinder that was convicted before
FEWEST_CYCLES = 4
RECURS = 0.35  # of what convinces, that must be left without the two most telling cycles
CLIP = 4.0  # standard deviations, beyond which a pulse is an accident
SCATTER_PULSES = 201  # over which the jitter is measured
TRAIL = 0.1  # of a firing, by which the loss comes after the spark: its advance (about 20 degrees)
PER_CYLINDER = ("coil_negative", None)  # sources that give a pulse for each spark, at a known place before its loss
ANY_DIRECTION = 8
RACING_PER_S = 0.45  # relative gain of crank speed
HALF_NS, NEAR_NS = 100_000_000, 200_000_000
LOST_SHARE = 0.9  # of a lame cylinder's firings (judgement: most, not all)

ComplexArray = np.typing.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Train:
    """One recording's pulses as the search sees them, (n,).

    wave: `uneven` beyond the standing pattern, in its own scatter, turned back by its place in the cycle, so that a
    lame cylinder's adds up in one direction; each component has variance 1 from jitter alone; 0 where not judged.
    level: what a lame cylinder of size 1 adds to it.
    """

    view: View
    wave: ComplexArray
    level: FloatArray
    judged: BoolArray
    group: IntArray


@dataclass(frozen=True, slots=True)
class Find:
    """Pulses first..stop-1 of a train, with the direction of their wave (radians) and the log-likelihood."""

    train: int
    first: int
    stop: int
    direction: float
    score: float


def signs(views: Sequence[View]) -> list[list[Sign]]:
    """Stretches of each recording of an event in which one cylinder misfired, as lame_cylinder signs."""
    found: list[list[Sign]] = [[] for _ in views]
    for find, train in _search(views):
        found[find.train].append(_sign(train, find))
    return found


def _search(views: Sequence[View]) -> list[tuple[Find, Train]]:
    if not views or views[0].engine.cylinders < 2:
        return []
    count = cycle.places(views[0].engine, views[0].firings)
    if count < 2:
        return []
    trains = _trains(views, count)
    directions = _directions(views[0].engine, count).tolist()
    chosen: list[Find] = []
    for number, train in enumerate(trains):
        tried = [_finds(number, train, d, size, CONVINCING, train.judged) for d in directions for size in SIZES]
        chosen += _best(sum(tried, []))
    for group in {int(trains[find.train].group[find.first]) for find in chosen}:
        own = [find for find in chosen if trains[find.train].group[find.first] == group]
        usual = float(np.angle(sum(find.score * np.exp(1j * find.direction) for find in own)))
        size = _size(trains, own, usual)
        for number, train in enumerate(trains):
            some = _finds(number, train, usual, size, ONCE_KNOWN, train.judged & (train.group == group))
            taken = [find for find in chosen if find.train == number]
            chosen += _best(some, taken)
    return [(find, trains[find.train]) for find in chosen]


def _trains(views: Sequence[View], count: int) -> list[Train]:
    folded = cycle.fold([view.firings for view in views], [view.state == State.PULLING for view in views], count)
    kinds = [_kinds(view) for view in views]
    beyond = [np.zeros(one.uneven.size) for one in folded]
    judged = [np.zeros(one.uneven.size, bool) for one in folded]
    group = np.concatenate([one.group for one in folded])
    for number in np.unique(group[group >= 0]).tolist():
        for kind in (State.PULLING, State.IDLE, State.OVERRUN):
            own = [one.valid & (one.group == number) & (k == kind) for one, k in zip(folded, kinds, strict=True)]
            pattern = _standing(folded, own, count)
            if pattern is None:
                continue
            for one, chosen, rest, good in zip(folded, own, beyond, judged, strict=True):
                rest[chosen] = one.uneven[chosen] - pattern[one.place[chosen]]
                good |= chosen & ((kind != State.OVERRUN) | (views[0].load_channel is None))
    judged = [good & ~_racing(view) for view, good in zip(views, judged, strict=True)]
    return [
        _train(view, one, rest, good, count)
        for view, one, rest, good in zip(views, folded, beyond, judged, strict=True)
    ]


def _racing(view: View) -> BoolArray:
    """Pulses (n,) near which the crank gains speed as only slipping tyres or clutches and first gears let it."""
    time_ns, speed = view.firings.time_ns, np.maximum(view.firings.speed_rps, 0.1)
    before, after = (np.clip(np.searchsorted(time_ns, time_ns + d), 0, time_ns.size - 1) for d in (-HALF_NS, HALF_NS))
    span = np.maximum(time_ns[after] - time_ns[before], HALF_NS) / NS_PER_S
    fast = np.log(speed[after] / speed[before]) / span > RACING_PER_S
    at = np.flatnonzero(fast)
    if not at.size:
        return fast
    near = np.searchsorted(time_ns[at], np.stack((time_ns - NEAR_NS, time_ns + NEAR_NS)))
    return np.asarray(near[1] > near[0])


def _kinds(view: View) -> IntArray:
    return view.state.astype(np.int64)


def _standing(folded: Sequence[Folded], own: Sequence[BoolArray], count: int) -> FloatArray | None:
    """The median of `uneven` by place over chosen pulses, (count,); None where there are too few of them."""
    place, uneven = (
        np.concatenate([getattr(one, name)[chosen] for one, chosen in zip(folded, own, strict=True)])
        for name in ("place", "uneven")
    )
    parts = [uneven[place == p] for p in range(count)]
    if min(part.size for part in parts) < cycle.FEWEST_CYCLES:
        return None
    return np.array([float(np.median(part)) for part in parts])


def _train(view: View, folded: Folded, beyond: FloatArray, judged: BoolArray, count: int) -> Train:
    scatter = np.ones(judged.size)
    scatter[judged] = _scatter(beyond[judged]) / cycle.kept(count)
    value = np.where(judged, np.clip(beyond / scatter, -CLIP, CLIP), 0.0)
    gain = 1.0 if count == 2 else np.sqrt(2.0)
    share = np.ones(judged.size)
    if view.load_channel is not None:
        share = np.clip(np.nan_to_num(view.load.astype(np.float64)) / FULL_LOAD, LEAST_SHARE, 1.0)
    share[view.state == State.IDLE] = IDLE_SHARE
    turning = 2.0 * np.pi * np.maximum(view.firings.speed_rps, 1.0)
    lost = WORK * share / (view.engine.cylinders * turning**2)
    level = lost * count / (2.0 * np.pi**2) / scatter / (gain if count > 2 else 1.0)
    return Train(view, gain * value * np.exp(-2j * np.pi * folded.place / count), level, judged, folded.group)


def _scatter(value: FloatArray) -> FloatArray:
    """Robust standard deviation of values around each, (n,)."""
    size, step = np.abs(value), 8
    if size.size < 2 * step:
        return np.full(size.size, 1.0)
    coarse = np.median(size[: size.size // step * step].reshape(-1, step), axis=1)
    typical = 1.4826 * ndimage.median_filter(coarse, SCATTER_PULSES // step, mode="nearest")
    spread = np.repeat(typical, step)
    return np.maximum(np.concatenate((spread, np.full(size.size - spread.size, spread[-1]))), 1e-5)


def _directions(engine: Engine, count: int) -> FloatArray:
    """Directions, radians, in which the wave of a lame cylinder can lie."""
    if count == 2:
        return np.array([0.0, np.pi])
    if count != engine.cylinders or engine.tach_source not in PER_CYLINDER:
        return 2.0 * np.pi * np.arange(ANY_DIRECTION) / ANY_DIRECTION
    trough = np.arange(count) + 0.5 + TRAIL
    return np.pi - 2.0 * np.pi * trough / count


def _size(trains: Sequence[Train], finds: Sequence[Find], direction: float) -> float:
    """The size of the lame cylinder's wave by least squares over what was found of it."""
    fit = norm = 0.0
    for find in finds:
        train, span = trains[find.train], slice(find.first, find.stop)
        level = train.level[span] * train.judged[span]
        fit += float(level @ np.real(train.wave[span] * np.exp(-1j * direction)))
        norm += float(level @ level)
    return fit / norm


def _finds(number: int, train: Train, direction: float, size: float, least: float, judged: BoolArray) -> list[Find]:
    """Stretches over which the log-likelihood of a lame cylinder rises by more than `least`."""
    level = np.where(judged, np.minimum(size * train.level, MOST_LEVEL), 0.0)
    gain = level * np.real(train.wave * np.exp(-1j * direction)) - 0.5 * level**2
    per_cycle = cycle.places(train.view.engine, train.view.firings)
    gain[~judged] = -least / (FEWEST_CYCLES * per_cycle)
    found = []
    for first, stop in rises(gain, least):
        inside = np.arange(first, stop)[judged[first:stop]]
        wave, due = train.wave[inside] * np.exp(-1j * direction), train.level[inside]
        capped = np.minimum(due, MOST_LEVEL)
        shown = float(capped @ wave.real) / float(capped @ capped)
        # Where the pulses scatter about the wave more than jitter makes them, that is the measure.
        mean, both = np.abs(wave.mean()) ** 2, 1.0 if per_cycle == 2 else 2.0
        spread = float((np.abs(wave) ** 2).mean() - both * mean) / both
        each = np.sort(np.add.reduceat(gain[inside], np.arange(0, inside.size, per_cycle)) / max(1.0, spread))
        score = float(each.sum())
        plausible = shown > LEAST_SIZE and float(due @ wave.real) / float(due @ due) < MOST_SIZE
        recurs = each.size >= FEWEST_CYCLES and float(each[:-2].sum()) > RECURS * least
        if score > least and plausible and recurs:
            found.append(Find(number, first, stop, direction, score))
    return found


def rises(gain: FloatArray, least: float) -> list[tuple[int, int]]:
    """Stretches first..stop-1 over which the sum of `gain` rises by more than `least`, each from its lowest to its top.

    A rise ends where the sum has fallen by `least` from its top.
    """
    total = np.concatenate(([0.0], np.cumsum(gain)))
    found, at = [], 0
    while at < gain.size:
        lowest = np.minimum.accumulate(total[at:])
        beyond = np.flatnonzero(total[at:] - lowest > least)
        if not beyond.size:
            break
        begin = at + int(np.argmin(total[at : at + beyond[0]]))
        here = at + int(beyond[0])
        top = np.maximum.accumulate(total[here:])
        fallen = np.flatnonzero(top - total[here:] > least)
        end = here + int(fallen[0]) if fallen.size else gain.size
        stop = here + int(np.argmax(total[here : end + 1]))
        found.append((begin, stop))
        at = stop
    return found


def _best(finds: Sequence[Find], taken: Sequence[Find] = ()) -> list[Find]:
    """Of finds that overlap the one with the highest score, and none that overlaps one of those taken."""
    kept: list[Find] = []
    for find in sorted(finds, key=lambda find: -find.score):
        if not any(find.first < other.stop and find.stop > other.first for other in (*taken, *kept)):
            kept.append(find)
    return kept


def _sign(train: Train, find: Find) -> Sign:
    view, time_ns = train.view, train.view.firings.time_ns
    last = min(find.stop, time_ns.size - 1)
    cycles = (find.stop - find.first) / view.firings.pulses_per_revolution * 2.0 / view.engine.strokes
    lost = max(1.0, LOST_SHARE * cycles)
    earliest = int(time_ns[max(0, find.first - cycle.places(view.engine, view.firings))])
    return Sign(
        "lame_cylinder", "tach_pulses", int(time_ns[find.first]), int(time_ns[last]), lost, find.score, earliest
    )
