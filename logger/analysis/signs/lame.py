"""A cylinder that is lame: one firing of the cycle lost again and again, the others sound.

A lost firing takes a step out of the crank's speed, which the next firings make good. One of them is lost in the
jitter of a tach wire's edges; lost at the same place of every cycle it is a wave of one cycle in how late the edges
come (half an order of crank speed in a four-stroke), and many cycles bring it out: analysis of crank speed at that
order is the classical way to tell the cylinder (G. Rizzoni, "Diagnosis of Individual Cylinder Misfires by Signature
Analysis of Crankshaft Speed Fluctuations", SAE Technical Paper 890884, 1989, from memory).

What a sound engine shows at that order and what a lame cylinder adds is told in standing.py. Against edge jitter s (in
intervals), N cycles of M pulses of a wave of amplitude b stand out by z = b sqrt(M N / 2) / s standard errors. The
cumulative sum of log-likelihoods between a lame and a sound engine rises while a cylinder is lame (E. S. Page,
Biometrika 41 (1954) 100-115); it is kept for each cylinder. Once a cylinder is convicted, less is asked of what else
it shows.

Not seen: one pulse a cycle; a loss that falls midway between two pulses a cycle; losses too small for the jitter.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.analysis.crank import cycle, standing
from logger.analysis.crank.cycle import Folded
from logger.analysis.crank.states import State, View
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray

ROUNDS = 3  # of search, each with what was found before left out of the standing pattern
USUAL_SIZE = 0.7  # of the wave that is due, which is looked for; what is found may be half or twice of it
LEAST_SIZE, MOST_SIZE = 0.35, 3.0  # cylinders that differ by some per cent stay below a tenth
MOST_LEVEL = 2.5  # standard deviations of one edge: beyond it edges are clipped
CONVINCING = 13.0  # natural log-likelihood: by chance once in some ten hours
ONCE_KNOWN, ONCE_LIKELY = 7.0, 10.0  # the same for a cylinder that was convicted before, beyond doubt or not
BEYOND_DOUBT = 20.0
ANOTHER = 25.0  # the same for a second cylinder besides
SAME = 0.5  # cosine between directions of one cylinder
FEWEST_CYCLES = 4  # lame; as many that cannot be judged end a stretch
RECURS = 0.35  # of what convinces, that must be left without the two most telling cycles
CLIP = 4.0  # standard deviations, beyond which a pulse is an accident
SCATTER_PULSES = 201  # over which the jitter is measured
TRAIL = 0.1  # of a firing, by which the loss comes after the spark: its advance (about 20 degrees)
PER_CYLINDER = ("coil_negative", None)  # sources that give a pulse for each spark, at a known place before its loss
ANY_DIRECTION = 8  # that are tried where the place is not known
RACING_PER_S = 0.45  # relative gain of crank speed
HALF_NS, NEAR_NS = 100_000_000, 200_000_000
UNSURE = 2.0
LOST_SHARE = 0.9  # of a lame cylinder's firings (judgement: most, not all)

ComplexArray = np.typing.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Train:
    """One recording's pulses as the search sees them, (n,).

    wave: `uneven` beyond the standing pattern, in its own scatter, turned back by its place in the cycle, so that a
    lame cylinder's adds up in one direction; each component has variance 1 from jitter alone; 0 where not judged.
    level: what a lame cylinder of size 1 adds to it. calm: whether the crank is no racing one, see `_racing`.
    """

    view: View
    wave: ComplexArray
    level: FloatArray
    judged: BoolArray
    calm: BoolArray
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
    count = cycle.places(views[0].engine, views[0].firings) if views else 0
    if count < 2 or views[0].engine.cylinders < 2:
        return found
    folded = cycle.fold([view.firings for view in views], [view.state == State.PULLING for view in views], count)
    sound = [np.ones(view.state.size, bool) for view in views]
    trains: list[Train] = []
    finds: list[Find] = []
    # What was found lame is no part of the sound engine's pattern, which without it shows the rest the better.
    for _ in range(ROUNDS):
        trains = _trains(views, folded, count, sound)
        finds = _search(trains, count)
        if not finds:
            break
        for find in finds:
            sound[find.train][find.first : find.stop] = False
    for find in finds:
        found[find.train].append(_sign(trains[find.train], find))
    return found


def _search(trains: Sequence[Train], count: int) -> list[Find]:
    directions = _directions(trains[0].view.engine, count).tolist()
    proven: dict[int, list[Find]] = defaultdict(list)
    for number, train in enumerate(trains):
        tried = [
            find
            for direction in directions
            for find in _finds(number, train, direction, USUAL_SIZE, CONVINCING, train.judged & train.calm)
        ]
        for find in _best(tried):
            proven[int(train.group[find.first])].append(find)
    return [find for group, own in proven.items() for find in _of_group(trains, group, own)]


def _of_group(trains: Sequence[Train], group: int, proven: Sequence[Find]) -> list[Find]:
    """All that a cylinder shows in a group of pulses, once some of it was proven."""
    # Where the standing pattern took in some of a lame cylinder, sound running leans the other way.
    surest = max(proven, key=lambda find: find.score)
    own = [find for find in proven if np.cos(find.direction - surest.direction) > SAME]
    kept = [find for find in proven if find in own or find.score > ANOTHER]
    usual = float(np.angle(sum(find.score * np.exp(1j * find.direction) for find in own)))
    least = ONCE_KNOWN if sum(find.score for find in own) > BEYOND_DOUBT else ONCE_LIKELY
    size = _size(trains, own, usual)
    found = []
    for number, train in enumerate(trains):
        known = _best(_finds(number, train, usual, size, least, train.judged & (train.group == group)))
        found += [*known, *_best([find for find in kept if find.train == number], known)]
    return found


def _trains(views: Sequence[View], folded: Sequence[Folded], count: int, sound: Sequence[BoolArray]) -> list[Train]:
    found = []
    for view, one, (rest, known) in zip(views, folded, standing.beyond(views, folded, count, sound), strict=True):
        # A shut throttle loses nothing by a firing; where no channel shows the load, overrun is only a guess.
        judged = known & ((view.state != State.OVERRUN) | (view.load_channel is None))
        scatter = np.ones(judged.size)
        scatter[judged] = _scatter(rest[judged])
        of_jitter, of_wave = cycle.kept(count)
        value = np.where(judged, np.clip(rest / scatter, -CLIP, CLIP), 0.0) * of_jitter / of_wave
        gain = 1.0 if count == 2 else np.sqrt(2.0)
        wave = gain * value * np.exp(-2j * np.pi * one.place / count)
        level = standing.due(view, count) / scatter * of_jitter / gain
        found.append(Train(view, wave, level, judged, ~_racing(view), one.group))
    return found


def _racing(view: View) -> BoolArray:
    """Pulses (n,) near which the crank gains speed as only slipping tyres or clutches and first gears let it."""
    time_ns, speed = view.firings.time_ns, np.maximum(view.firings.speed_rps, 0.1)
    before, after = (np.clip(np.searchsorted(time_ns, time_ns + d), 0, time_ns.size - 1) for d in (-HALF_NS, HALF_NS))
    span = np.maximum(time_ns[after] - time_ns[before], HALF_NS) / NS_PER_S
    at = np.flatnonzero(np.log(speed[after] / speed[before]) / span > RACING_PER_S)
    near = np.searchsorted(time_ns[at], np.stack((time_ns - NEAR_NS, time_ns + NEAR_NS)))
    return np.asarray(near[1] > near[0])


def _scatter(value: FloatArray) -> FloatArray:
    """Robust standard deviation of values around each, (n,)."""
    size, step = np.abs(value), 8
    if size.size < 2 * step:
        return np.full(size.size, 1.0)
    coarse = np.median(size[: size.size // step * step].reshape(-1, step), axis=1)
    typical = 1.4826 * ndimage.median_filter(coarse, SCATTER_PULSES // step, mode="nearest")
    spread = np.repeat(typical, step)
    spread = np.concatenate((spread, np.full(size.size - spread.size, spread[-1])))
    return np.asarray(np.maximum(spread, 1e-5))


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
        fit += float(level @ _along(train.wave[span], direction))
        norm += float(level @ level)
    return fit / norm


def _finds(number: int, train: Train, direction: float, size: float, least: float, judged: BoolArray) -> list[Find]:
    """Stretches over which the log-likelihood of a lame cylinder rises by more than `least`."""
    level = np.where(judged, np.minimum(size * train.level, MOST_LEVEL), 0.0)
    gain = level * (_along(train.wave, direction) - 0.5 * level)
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
        of_jitter, of_wave = cycle.kept(per_cycle)
        spread = float((np.abs(wave) ** 2).mean() - both * mean) / both * (of_wave / of_jitter) ** 2
        each = np.sort(np.add.reduceat(gain[inside], np.arange(0, inside.size, per_cycle)) / max(1.0, spread))
        score = float(each.sum())
        plausible = shown > LEAST_SIZE and float(due @ wave.real) / float(due @ due) < MOST_SIZE
        recurs = each.size >= FEWEST_CYCLES and float(each[:-2].sum()) > RECURS * least
        if score > least and plausible and recurs:
            found.append(Find(number, first, stop, direction, score))
    return found


def _along(wave: ComplexArray, direction: float) -> FloatArray:
    """The part of a wave in a direction, (n,)."""
    return np.asarray(wave.real * np.cos(direction) + wave.imag * np.sin(direction))


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
    # The sum's lowest point lies off by some times the cycles in which it rises by 1.
    unsure = max(1.0, UNSURE * cycles / find.score)
    earliest = int(time_ns[max(0, find.first - round(unsure * cycle.places(view.engine, view.firings)))])
    return Sign(
        "lame_cylinder", "tach_pulses", int(time_ns[find.first]), int(time_ns[last]), lost, find.score, earliest
    )
