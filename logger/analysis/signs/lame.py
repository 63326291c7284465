"""A cylinder that is lame: one firing of the cycle lost again and again, the others sound.

A lost firing takes a step out of the crank's speed, which the next firings make good. One of them is lost in the
jitter of a tach wire's edges; lost at the same place of every cycle it is a wave of one cycle in how late the edges
come (half an order of crank speed in a four-stroke), and many cycles bring it out: analysis of crank speed at that
order is the classical way to tell the cylinder (G. Rizzoni, "Diagnosis of Individual Cylinder Misfires by Signature
Analysis of Crankshaft Speed Fluctuations", SAE Technical Paper 890884, 1989, from memory).

What a sound engine shows at that order and what a lame cylinder adds is told in crank/standing.py, how the pulses
become waves in crank/waves.py. Against edge jitter s (in intervals), N cycles of M pulses of a wave of amplitude b
stand out by z = b sqrt(M N / 2) / s standard errors. The cumulative sum of log-likelihoods between a lame and a sound
engine rises while a cylinder is lame (E. S. Page, Biometrika 41 (1954) 100-115); it is kept for each cylinder. Once a
cylinder is convicted, less is asked of what else it shows.

Not seen: one pulse a cycle; a loss that falls midway between two pulses a cycle; losses too small for the jitter.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.analysis.crank import cycle
from logger.analysis.crank.states import View
from logger.analysis.crank.waves import NOTHING, ComplexArray, Day, Taught, Train
from logger.analysis.signs.sign import Sign
from logger.event import BoolArray, Engine, FloatArray

ROUNDS = 3  # of search, each with what was found before left out of the standing pattern
USUAL_SIZE = 0.7  # of the wave that is due, which is looked for; what is found may be half or twice of it
LEAST_SIZE, MOST_SIZE = 0.35, 3.0  # cylinders that differ by some per cent stay below a tenth
MOST_LEVEL = 2.5  # standard deviations of one edge: beyond it edges are clipped
CONVINCING = 13.0  # natural log-likelihood, on a usual day; found by chance four times in 9.7 hours of drawn cars
USUAL_DAY_S = 600.0  # of running
ONCE_KNOWN, ONCE_LIKELY = 7.0, 10.0  # the same for a cylinder that was convicted before, beyond doubt or not
BEYOND_DOUBT = 20.0
ANOTHER = 25.0  # the same for a second cylinder besides
SAME = 0.5  # cosine between directions of one cylinder
COARSELY = 0.8  # of what convinces, that whole cycles must show for their pulses to be looked at
FEWEST_CYCLES = 4  # lame; as many that cannot be judged end a stretch
RECURS = 0.35  # of what convinces, that must be left without the two most telling cycles
TRAIL = 0.1  # of a firing, by which the loss comes after the spark: its advance (about 20 degrees)
PER_CYLINDER = ("coil_negative", None)  # sources that give a pulse for each spark, at a known place before its loss
ANY_DIRECTION = 8  # that are tried where the place is not known
UNSURE = 2.0
LOST_SHARE = 0.9  # of a lame cylinder's firings (judgement: most, not all)


@dataclass(frozen=True, slots=True)
class Find:
    """Pulses first..stop-1 of a recording, with the direction of their wave (radians) and the log-likelihood.

    shown, due: the sums over its pulses from which the wave's size follows in any direction.
    """

    number: int
    first: int
    stop: int
    direction: float
    score: float
    group: int
    shown: complex
    due: float


def learn(views: Sequence[View]) -> Taught:
    """Learn from a fair choice of a long event's views what its parts, searched one by one, are held against."""
    day, _ = _searched(views, NOTHING)
    if day is None:
        return NOTHING
    return Taught(day.span, {group: pattern for group, pattern in day.patterns().items() if group == cycle.MATCHED})


def signs(views: Sequence[View], taught: Taught = NOTHING) -> list[list[Sign]]:
    """Stretches of each recording of an event in which one cylinder misfired, as lame_cylinder signs.

    taught: what else the event is known by, where these are not all its views."""
    found: list[list[Sign]] = [[] for _ in views]
    for find in _searched(views, taught)[1]:
        found[find.number].append(_sign(views[find.number], find))
    return found


def _searched(views: Sequence[View], taught: Taught) -> tuple[Day | None, list[Find]]:
    """The day, with all that is lame no part of what is sound, and what is lame; no day where none can be told."""
    count = cycle.places(views[0].engine, views[0].firings) if views else 0
    if count < 2 or views[0].engine.cylinders < 2 or not any(view.state.size for view in views):
        return None, []
    day = Day(views, count, taught)
    finds: list[Find] = []
    # What was found lame is no part of the sound engine's pattern, which without it shows the rest the better.
    for _ in range(ROUNDS):
        finds = _search(day)
        if not finds:
            break
        for find in finds:
            day.sound[find.number][find.first : find.stop] = False
    return day, finds


def convincing(views: Sequence[View]) -> float:
    """The log-likelihood that convicts a cylinder: the longer one looks, the more chance shows."""
    running_s = sum(to_s - from_s for view in views for from_s, to_s in view.running_spans())
    return CONVINCING + max(0.0, float(np.log(max(running_s, 1.0) / USUAL_DAY_S)))


def _search(day: Day) -> list[Find]:
    directions = _directions(day.views[0].engine, day.count).tolist()
    least = convincing(day.views)
    proven: dict[int, list[Find]] = defaultdict(list)
    trains = day.trains()
    for train in trains:
        looked_for = _Lame(train, day.count, USUAL_SIZE, least, train.judged & train.calm)
        for find in _best([find for direction in directions for find in looked_for.finds(direction)]):
            proven[find.group].append(find)
    if not proven:
        return []
    known = [_Known.of(own) for own in proven.values()]
    found = []
    for train in trains:
        for cylinder in known:
            usual = train.judged & (train.group == cylinder.group)
            if usual.any():
                looked_for = _Lame(train, day.count, cylinder.size, cylinder.least, usual)
                again = _best(looked_for.finds(cylinder.direction))
                end = train.begin + train.judged.size
                kept = [f for f in cylinder.kept if f.number == train.number and train.begin <= f.first < end]
                found += [*again, *_best(kept, again)]
    return found


@dataclass(frozen=True, slots=True)
class _Known:
    """What was proven of a cylinder in a group of pulses, and what of it is to be looked for now.

    kept: what was found already and stands by itself.
    """

    group: int
    direction: float
    size: float
    least: float
    kept: list[Find]

    @classmethod
    def of(cls, proven: Sequence[Find]) -> "_Known":
        # Where the standing pattern took in some of a lame cylinder, sound running leans the other way.
        surest = max(proven, key=lambda find: find.score)
        own = [find for find in proven if np.cos(find.direction - surest.direction) > SAME]
        kept = [find for find in proven if find in own or find.score > ANOTHER]
        usual = float(np.angle(sum(find.score * np.exp(1j * find.direction) for find in own)))
        shown = sum(find.shown for find in own) * np.exp(-1j * usual)
        size = float(np.real(shown)) / sum(find.due for find in own)
        least = ONCE_KNOWN if sum(find.score for find in own) > BEYOND_DOUBT else ONCE_LIKELY
        return cls(surest.group, usual, size, least, kept)


def _directions(engine: Engine, count: int) -> FloatArray:
    """Directions, radians, in which the wave of a lame cylinder can lie."""
    if count == 2:
        return np.array([0.0, np.pi])
    if count != engine.cylinders or engine.tach_source not in PER_CYLINDER:
        return 2.0 * np.pi * np.arange(ANY_DIRECTION) / ANY_DIRECTION
    trough = np.arange(count) + 0.5 + TRAIL
    return np.pi - 2.0 * np.pi * trough / count


class _Lame:
    """What speaks in one train for a lame cylinder of one size, whatever its direction, summed up by cycles."""

    def __init__(self, train: Train, count: int, size: float, least: float, judged: BoolArray) -> None:
        self.train, self.count, self.least, self.judged = train, count, least, judged
        self.level = np.where(judged, np.minimum(size * train.level, MOST_LEVEL), 0.0)
        # What each pulse costs; where nothing can be judged, so much that a few cycles end a stretch.
        self.cost = np.where(judged, 0.5 * self.level**2, least / (FEWEST_CYCLES * count))
        whole = self.level.size // count * count
        # By einsum: a fifth of the time of a sum along short rows.
        self.shown = np.einsum("ij->i", (self.level[:whole] * train.wave[:whole]).reshape(-1, count))
        self.costs = np.einsum("ij->i", self.cost[:whole].reshape(-1, count))

    def finds(self, direction: float) -> list[Find]:
        """Stretches over which the log-likelihood rises by more than `least`, to the pulse."""
        found = []
        end = 0
        for first, stop in rises(_along(self.shown, direction) - self.costs, COARSELY * self.least):
            # Cycle by cycle a rise is found; its pulses are looked at within a cycle or two of it.
            low, high = max(end, (first - 2) * self.count), min(self.level.size, (stop + 2) * self.count)
            span = slice(low, high)
            gain = self.level[span] * _along(self.train.wave[span], direction) - self.cost[span]
            for a, b in rises(gain, self.least):
                end = low + b
                find = self._find(direction, low + a, low + b, gain[a:b])
                found += [find] if find is not None else []
        return found

    def _find(self, direction: float, first: int, stop: int, gain: FloatArray) -> Find | None:
        good = self.judged[first:stop]
        inside = np.flatnonzero(good) + first
        wave, due = self.train.wave[inside] * np.exp(-1j * direction), self.train.level[inside]
        capped = np.minimum(due, MOST_LEVEL)
        size = float(capped @ wave.real) / float(capped @ capped)
        # Where the pulses scatter about the wave more than jitter makes them, that is the measure.
        mean, both = np.abs(wave.mean()) ** 2, 1.0 if self.count == 2 else 2.0
        of_jitter, of_wave = cycle.kept(self.count)
        spread = float((np.abs(wave) ** 2).mean() - both * mean) / both * (of_wave / of_jitter) ** 2
        each = np.sort(np.add.reduceat(gain[good], np.arange(0, inside.size, self.count)) / max(1.0, spread))
        score = float(each.sum())
        squares = float(due @ due)
        plausible = size > LEAST_SIZE and float(due @ wave.real) / squares < MOST_SIZE
        recurs = each.size >= FEWEST_CYCLES and float(each[:-2].sum()) > RECURS * self.least
        if not (score > self.least and plausible and recurs):
            return None
        shown = complex(due @ self.train.wave[inside])
        train = self.train
        return Find(
            train.number, train.begin + first, train.begin + stop, direction, score, int(train.group[first]), shown,
            squares,
        )  # fmt: skip


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


def _sign(view: View, find: Find) -> Sign:
    time_ns = view.firings.time_ns
    last = min(find.stop, time_ns.size - 1)
    cycles = (find.stop - find.first) / view.firings.pulses_per_revolution * 2.0 / view.engine.strokes
    lost = max(1.0, LOST_SHARE * cycles)
    # The sum's lowest point lies off by some times the cycles in which it rises by 1.
    unsure = max(1.0, UNSURE * cycles / find.score)
    earliest = int(time_ns[max(0, find.first - round(unsure * cycle.places(view.engine, view.firings)))])
    return Sign(
        "lame_cylinder", "tach_pulses", int(time_ns[find.first]), int(time_ns[last]), lost, find.score, earliest
    )
