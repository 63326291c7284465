"""Missing pulses: did the ignition miss, or did only the tach wire lose them? The crank knows.

Where firings are really lost under load, the crank slows meanwhile; where only the wire lost the pulses, it does not.
At closed throttle neither leaves a trace, so there the event's other gaps of like size decide: a wire that was caught
under load is suspected everywhere, a wire that never was is trusted.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.analysis.channels.scene import usual_step_ns
from logger.analysis.crank import roughness
from logger.analysis.crank.states import State, View
from logger.analysis.signs import strays
from logger.analysis.signs.probe import Probe, burned_on, lost_share
from logger.event import NS_PER_S, Engine, FloatArray

GROUP_NS = NS_PER_S // 2
# Relative speed lost per lost firing at full load, from a heavy car in its last gear to a light one in first (measured
# on simulated cars, 0.1 to 1.5 %), and what a truly idle gap still shows through bumps and gear lash.
FULL_LOSSES = (0.0012, 0.003, 0.007, 0.012)
# At idle nothing but friction slows the crank, and it does so fast: some per cent a firing (150 to 300 rad/s2 of a free
# engine, see tests/published/test_pulse_arithmetic.py).
IDLE_LOSSES = (0.008, 0.02, 0.05, 0.12)
WIRE_SPREAD = 0.0008
IDLE_WANDER = 0.004  # an idling engine hunts by some thousandths a firing (no source)
MOST_RATIO = 6.0  # of one gap: a slip of the crank for another reason is always possible
TO_OTHERS = 2.0  # of one gap beyond what most of its length say: some lie where a crank slowed for another reason
UNSURE = -2.0  # where nothing shows load, a crank that does not slow may have had its throttle shut
UNKNOWN_LOAD = 0.4  # where nothing shows load, on average over a run
IDLE_LOAD = 0.1  # even a shut throttle lets the engine turn itself
LOAD_SPREAD = 0.01  # relative speed per pulse that a load change over the window may add or take
SIDES = (20, 8)  # pulses before and after a gap from which the crank's loss is read: long for precision, or short
NEXT_TO = 3
WITNESSED, FEWEST_DUE = 4.0, 2.0  # natural log-likelihood; pulses
# Missing pulses; of them to a piece, up to which it is clear when each was due; pulses seen around; share of them that
# must have had their spark for the clamp to tell, and of its own errors; of an interval, by which a spark may be off.
FEWEST_ASKED, SHORT_PIECES, FEWEST_AROUND, CLAMP_TELLS, CLAMP_ERRS, QUARTER = 3, 3, 10, 0.3, 0.05, 0.25
SOLID, FEWEST_MISSING = 0.5, 0.08  # of the pulses of a stretch
AIR_SEEN, NO_AIR = 0.3, 0.12  # of the missing share
USUAL_LENGTH, LENGTH_SPEAKS = 4.0, 0.8
# Odds of the ignition where nothing else is known: it is why a logger is carried. They count once, however many gaps
# share them. A day on which ignition and wire both fail is so much rarer than either that what the other gaps say
# counts thrice (of 91 days of drawn cars that had gaps, once and twice part them worse, four times as well).
ODDS, ONE_OF_THEM = 6.7, 3.0
# What the crank says at each gap is little; what it says at all gaps of a kind together is clear. They err together,
# too (a load or a gear that is not what it seems), so that sum counts for a seventh, never for more than the cap, and
# for less where gaps are long: over many firings the car carries the crank on, and no wire is open that long.
TOGETHER, AT_MOST = 0.15, 6.0
LONG = 30  # missing pulses, beyond which the crank's trend before says nothing about after


@dataclass(frozen=True, slots=True)
class Gap:
    """Missing pulses that belong together. first, stop: indices into firings; runs: their pieces. lost: firings.

    ratio: log-likelihood ratio of "the ignition missed" against "the wire lost them", from the crank alone.
    """

    first: int
    stop: int
    runs: tuple[tuple[int, int], ...]
    missing: int
    lost: float
    ratio: float
    from_ns: int
    to_ns: int


def gaps(view: View, probe: Probe | None = None) -> list[Gap]:
    """Groups of missing pulses while the engine ran, in time order; pieces under half a second apart are one group.

    probe: what the event taught of its exhaust probe (probe.learn), a witness of its own.
    """
    firings = view.firings
    runs = [
        (a, b)
        for a, b in firings.missing_runs().tolist()
        if a > 0 and view.running[a - 1] and not _unrecorded(view, a, b)
    ]
    if not runs:
        return []
    groups: list[list[tuple[int, int]]] = []
    for run in runs:
        silent = groups and firings.time_ns[run[0]] - firings.time_ns[groups[-1][-1][1] - 1] < GROUP_NS
        if silent:
            groups[-1].append(run)
        else:
            groups.append([run])
    bounces = strays.habit(view)
    return [_gap(view, group, probe, bounces) for group in groups]


def _unrecorded(view: View, first: int, stop: int) -> bool:
    """Whether nothing else was recorded either where pulses are missing: every sampled channel has a hole there."""
    time_ns = view.firings.time_ns
    from_ns, to_ns = int(time_ns[first - 1]), int(time_ns[min(stop, time_ns.size - 1)])
    if ((view.gaps_ns[:, 0] < to_ns) & (view.gaps_ns[:, 1] > from_ns)).any():
        return True
    told = False
    for trace in view.recording.traces.values():
        if trace.time_ns.size < 100:
            continue
        expected = (to_ns - from_ns) / max(1.0, usual_step_ns(trace.time_ns[:500]))
        inside = np.diff(np.searchsorted(trace.time_ns, [from_ns, to_ns]))[0]
        if expected >= 5 and inside >= 0.3 * expected:
            return False
        told |= expected >= 5
    return told


def _gap(view: View, runs: Sequence[tuple[int, int]], probe: Probe | None, bounces: float) -> Gap:
    """bounces: edges that each pulse usually leaves beside itself."""
    # Pieces close together share what disturbs them, so they do not count as independent witnesses.
    ratio = sum(_ratio(view, first, stop) for first, stop in runs) / np.sqrt(len(runs))
    if view.load_channel is None:
        ratio = max(ratio, UNSURE)
    first, stop = runs[0][0], runs[-1][1]
    time_ns = view.firings.time_ns
    last = min(stop, time_ns.size - 1)
    missing = sum(b - a for a, b in runs)
    scattered = FEWEST_ASKED <= missing <= SHORT_PIECES * len(runs)
    for name in _witnesses(view.engine):
        if name == "spark_pulses" and scattered:
            ratio += _spark_by_spark(view, runs)
        else:
            ratio += _witness(view, name, int(time_ns[first]), int(time_ns[last]))
    ratio += _air(view, probe, int(time_ns[first]), int(time_ns[last]), missing / max(1, stop - first))
    around_ns = [time_ns[first] - GROUP_NS, time_ns[last] + GROUP_NS]
    usual = bounces * np.count_nonzero(view.firings.seen[slice(*np.searchsorted(time_ns, around_ns))])
    noisy = np.diff(np.searchsorted(view.firings.extra_ns, around_ns))
    extra = float(noisy[0]) - usual - 2.0 * np.sqrt(usual)  # of a Poisson count that is as much as it may vary
    if extra > 2:
        # Among extra edges a pulse that seems missing may only have been taken for one of them, but no more than those.
        ratio -= 0.5 * extra * min(1.0, extra / missing)
    lost = missing * view.engine.firings_per_revolution / view.firings.pulses_per_revolution
    return Gap(first, stop, tuple(runs), missing, lost, ratio, int(time_ns[first]), int(time_ns[last]))


def _witnesses(engine: Engine) -> tuple[str, ...]:
    """Pulse inputs that stop with the ignition and not with the tach wire.

    A coil makes sparks. A control unit that gives the tach its pulses drives the injectors as well; with the tach on
    the coil they tell nothing, since they go on when only the ignition fails.
    """
    return ("spark_pulses", "injector_pulses") if engine.tach_far_from_coil else ("spark_pulses",)


def _witness(view: View, name: str, from_ns: int, to_ns: int) -> float:
    """What another pulse input says: WITNESSED where it fell silent too, as much against where it went on, else 0."""
    pulses = view.recording.pulses.get(name)
    if pulses is None or not pulses.size:
        return 0.0
    inside = np.searchsorted(pulses, [from_ns, to_ns])
    around = np.searchsorted(pulses, [from_ns - GROUP_NS, to_ns + GROUP_NS])
    beside = float(around[1] - around[0] - (inside[1] - inside[0]))
    due = beside * (to_ns - from_ns) / (2.0 * GROUP_NS)
    if due < FEWEST_DUE or beside < 4.0:
        return 0.0
    share = float(inside[1] - inside[0]) / due
    return WITNESSED if share < 0.3 else -WITNESSED if share > 0.7 else 0.0


def _spark_by_spark(view: View, runs: Sequence[tuple[int, int]]) -> float:
    """What the spark clamp says of single pulses missing among others: a natural log-likelihood ratio, up to twice
    WITNESSED either way.

    A pulse that only the wire lost has its spark as often as those seen around it have theirs; one that the ignition
    lost has none.
    """
    time_ns = view.firings.time_ns
    first, stop = runs[0][0], runs[-1][1]
    from_ns, to_ns = time_ns[first] - GROUP_NS, time_ns[min(stop, time_ns.size - 1)] + GROUP_NS
    span = slice(*np.searchsorted(time_ns, [from_ns, to_ns]))
    due, seen, sparks = time_ns[span], view.firings.seen[span], view.recording.pulses.get("spark_pulses")
    if sparks is None or sparks.size < 2 or np.count_nonzero(seen) < FEWEST_AROUND:
        return 0.0
    after = np.clip(np.searchsorted(sparks, due), 1, sparks.size - 1)
    off = np.minimum(np.abs(sparks[after] - due), np.abs(due - sparks[after - 1]))
    lit = off < QUARTER * np.gradient(due.astype(np.float64))
    usual = float(lit[seen].mean())
    if usual < CLAMP_TELLS:
        return 0.0
    inside = np.arange(due.size) + span.start
    missing = ~seen & (inside >= first) & (inside < stop)
    n_lit, n_dark = int(np.count_nonzero(lit & missing)), int(np.count_nonzero(~lit & missing))
    said = n_lit * np.log(CLAMP_ERRS / usual) + n_dark * np.log((1.0 - CLAMP_ERRS) / (1.0 - usual + CLAMP_ERRS))
    return float(np.clip(said, -2.0 * WITNESSED, 2.0 * WITNESSED))


def _air(view: View, probe: Probe | None, from_ns: int, to_ns: int, missing: float) -> float:
    """What the exhaust says: WITNESSED where its air is that of the missing share of firings, as much against, else 0.

    Probes read plain air as 20 to 22, so of all firings lost they show some four tenths.
    """
    if burned_on(view, probe, from_ns, to_ns) and missing > SOLID:
        return -WITNESSED
    lost = lost_share(view, probe, from_ns, to_ns)
    if lost is None or missing < FEWEST_MISSING:
        return 0.0
    return WITNESSED if lost > AIR_SEEN * missing else -WITNESSED if lost < NO_AIR * missing else 0.0


def _ratio(view: View, first: int, stop: int) -> float:
    load = float(view.load[max(0, first - 2) : first].mean()) if first else 0.0
    if not np.isfinite(load):
        return 0.0
    jitter = roughness.jitter_before(view.firings, first)
    fits = [fit for side in SIDES if (fit := _fit(view, first, stop, jitter, side)) is not None]
    if view.state[first - 1] == State.IDLE and (step := _step(view, first, stop)) is not None:
        fits.append(step)
    if not fits:
        return 0.0
    if view.load_channel is None:
        load = max(load, UNKNOWN_LOAD)
    loss, error = min(fits, key=lambda fit: fit[1])
    per_pulse = view.engine.firings_per_revolution / view.firings.pulses_per_revolution
    if view.state[first - 1] == State.IDLE:
        expected, own = [full * per_pulse for full in IDLE_LOSSES], IDLE_WANDER
    else:
        expected, own = [full * per_pulse * max(load, IDLE_LOAD) for full in FULL_LOSSES], WIRE_SPREAD
    spread = float(np.hypot(error, own))
    wire = _normal(loss, 0.0, spread)
    real = np.mean([_normal(loss, mean, float(np.hypot(spread, 0.3 * mean))) for mean in expected])
    ratio = np.log((real + 1e-3 / spread) / (wire + 1e-3 / spread))
    free = view.state[first - 1] == State.IDLE  # where the crank would stand if it had lost so many
    return float(np.clip(ratio, -MOST_RATIO if free or stop - first <= LONG else -1.0, MOST_RATIO))


def _fit(view: View, first: int, stop: int, jitter: float, side: int) -> tuple[float, float] | None:
    """Relative speed lost per missing pulse, and its error, from `side` pulses before and after; None: too few.

    What the throttle did meanwhile counts as error: a driver who opens it soon after would cover a loss.
    """
    loss = roughness.loss_over_gap(view.firings, first, stop, jitter, side)
    if loss is None:
        return None
    reach = round(0.75 * side)
    around = view.load[max(0, first - reach) : stop + reach]
    restless = LOAD_SPREAD * float(np.nanmax(around) - np.nanmin(around)) * min(1.0, 20.0 / (stop - first) ** 2)
    return loss.lost_per_pulse, float(np.hypot(loss.error, restless))


def _step(view: View, first: int, stop: int) -> tuple[float, float] | None:
    """The same from the intervals next to the gap alone, before a driver who blips the throttle can have answered.

    Error: the jitter of the intervals, and the crank's own drift just before.
    """
    firings = view.firings
    low, high = first - 1 - 2 * NEXT_TO, stop + NEXT_TO
    if low < 0 or high >= firings.time_ns.size or firings.stretch[low] != firings.stretch[high]:
        return None
    if not (firings.seen[low:first].all() and firings.seen[stop : high + 1].all()):
        return None
    length = np.log(np.diff(firings.time_ns[low : high + 1]).astype(np.float64))
    earlier, before, after = length[:NEXT_TO], length[NEXT_TO : 2 * NEXT_TO], length[-NEXT_TO:]
    jitter = float(np.std(np.concatenate((earlier - earlier.mean(), before - before.mean()))))
    drift = float(before.mean() - earlier.mean())
    missing = stop - first
    error = float(np.hypot(2.0 * jitter / np.sqrt(NEXT_TO), drift * (missing / NEXT_TO + 1.0))) / missing
    return float(after.mean() - before.mean()) / missing, max(error, 1e-4)


def _normal(x: float, mean: float, spread: float) -> float:
    """Normal density, but for the factor that all densities share."""
    return float(np.exp(-0.5 * ((x - mean) / spread) ** 2) / spread)


def chance_real(some: Sequence[Gap], proven: Sequence[bool], watched: Sequence[bool] | None = None) -> FloatArray:
    """Probability that each gap of an event was the ignition's, shape (n,).

    proven: True where another signal (coil feed, battery) shows it. watched: True where that signal was recorded, so
    that a gap it does not show is of another kind than those it shows.

    A contact that opens stays open for some firings; a bad tach wire mostly loses single ones: the mean length of a
    gap's pieces speaks first, and what the crank says at the event's other gaps, weighted by likeness of that length.
    Then the gaps vote, weighted so, on each other.
    """
    if not some:
        return np.empty(0)
    ratio = np.clip([gap.ratio for gap in some], -30.0, 30.0)
    length = np.log([gap.lost / len(gap.runs) for gap in some])
    sure = np.asarray(proven, bool)
    unlike = np.zeros(sure.size, bool) if watched is None else np.asarray(watched, bool) & ~sure
    # Many gaps have few lengths: what those of a length say together is summed once, not for each pair of gaps.
    lengths, kind = np.unique(length, return_inverse=True)
    likeness = np.exp(-2.0 * np.abs(lengths[:, None] - lengths[None, :]))

    def said_by_others(weight: FloatArray) -> FloatArray:
        """Of each gap the others' weights (n,), by likeness; proven ones are no witnesses where they would show."""
        said = (likeness @ np.bincount(kind, weight, lengths.size))[kind] - weight
        of_sure = (likeness @ np.bincount(kind[sure], weight[sure], lengths.size))[kind]
        return np.asarray(np.where(unlike, said - of_sure, said))

    alone = ratio + LENGTH_SPEAKS * (length - np.log(USUAL_LENGTH))
    alike = np.split(ratio[np.argsort(kind, kind="stable")], np.cumsum(np.bincount(kind))[:-1])
    middle = np.array([np.median(each) for each in alike])[kind]
    told = np.clip(np.clip(ratio, middle - TO_OTHERS, middle + TO_OTHERS), -MOST_RATIO, MOST_RATIO)
    together = np.clip(TOGETHER * said_by_others(told), -AT_MOST, AT_MOST)
    alone += together * np.minimum(1.0, USUAL_LENGTH / np.exp(length))
    chance = np.where(sure, 1.0, 1.0 / (1.0 + np.exp(-alone)))
    # Each gap is judged with the others as neighbours, whose own judgement it changes in turn: a few rounds settle it.
    for _ in range(10):
        real, wire = (np.maximum(said_by_others(weight), 0.0) for weight in (chance, 1.0 - chance))
        total = alone + np.log(ODDS) / (1.0 + real + wire) + ONE_OF_THEM * np.log((1.0 + real) / (1.0 + wire))
        chance = np.where(sure, 1.0, 1.0 / (1.0 + np.exp(-np.clip(total, -30.0, 30.0))))
    return chance
