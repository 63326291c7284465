"""Torque that is not there: the throttle is open, yet car and crank behave as if it were shut.

With e the torque reading of motion.py, a stretch in which e drops to its closed-throttle level behind an open throttle
is lost combustion, whatever the cause.

The box cannot fall below what a shut throttle gives without brakes, so deeper readings are brakes, not lost torque.

A loss too short for that (some 60 ms) shows in the crank alone: a sudden ramp (roughness.py) behind a steady load.
Tyres that find grip again slow the crank as suddenly, but they push the car; a lost torque lets it go.

Not seen: single misses, a loss of a minority of firings (lean.py looks for those), anything with the clutch in, and
events without acceleration or without a load channel. What vanishes and comes back at part load: cutouts.py.
"""

import numpy as np
from scipy import ndimage

from logger.analysis.channels import bands
from logger.analysis.crank import roughness
from logger.analysis.crank.states import View
from logger.analysis.signs.motion import HALF_NS, MS, OPEN, STEP_NS, Law, Motion
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

WIDE_OPEN = 0.63  # load from which a missing torque is unmistakable
SHORTEST_NS = {"throttle_position": 80 * MS, "fuel_pressure": 140 * MS}
CRANK_RPS2 = (-70.0, 20.0)  # faster changes of crank speed are clutch or tyres, in or out of grip
AFTER_SHUT_NS = 200 * MS  # a gear change ends within this once the throttle is open again
SPUN_UP_PER_S = 0.5  # relative gain of crank speed before a sudden loss, beyond which tyres had let go and grip again
GONE = 0.45  # of the way from open to coasting that e must read, point by point
SMOOTH_STEPS = 5  # of the grid: single readings of the crank flicker with a tach wire's jitter
MISSING, MISSING_SUDDEN = 0.5, 0.33  # of the torque, on average, against before; less where the crank tells too
SUDDEN_LENGTHS = (8, 12, 20)  # lost firings that the crank's filters are matched to
SUDDEN_SCORE = 10.0
SUDDEN_LOAD = 0.55
SLOWING_RPS2 = -3.0  # a lost torque slows the crank; a clutch that opens only ends its rise
MISSING_WEAK = 0.08  # with a battery so low that single sparks fail, the car hardly shows it
CORNER, CORNER_NS = 6.0, (120 * MS, 100 * MS)  # standard errors; how far before and after an end it may lie
SLACK = 1e-6  # for the rounding of running sums
FULL_TORQUE_LOAD = 0.6  # about from which load on an engine gives full torque


def signs(view: View, motion: Motion, law: Law) -> list[Sign]:
    """Stretches behind an open throttle in which the torque was gone, as weak_torque signs."""
    scores = [score for _, score in roughness.speed_losses(view.firings, SUDDEN_LENGTHS)]
    found = _lasting(view, motion, law, scores[-1])
    if view.load_channel == "throttle_position":  # behind a lift the rail shows load for a while yet
        found += _sudden(view, motion, law, np.stack(scores))
    return found


def _lasting(view: View, motion: Motion, law: Law, score: FloatArray) -> list[Sign]:
    e = law.e(motion)
    shortest_ns = SHORTEST_NS[view.load_channel or "fuel_pressure"]
    drop = law.open_level - law.coast_level
    fallen = (law.open_level - e) / drop
    crank = ndimage.uniform_filter1d(motion.crank, SMOOTH_STEPS, mode="nearest")
    steady = (crank > CRANK_RPS2[0]) & (crank < CRANK_RPS2[1]) & law.grounded(motion)
    gone = motion.open & (motion.load > WIDE_OPEN) & (fallen > GONE) & steady
    edges = np.flatnonzero(np.diff(np.concatenate(([0], gone.astype(np.int8), [0]))))
    found = []
    corners: tuple[FloatArray, FloatArray] | None = None  # costly, and seldom asked for
    for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        from_ns, to_ns = int(motion.time_ns[first]), int(motion.time_ns[stop - 1]) + STEP_NS
        braked = float(np.median(e[first:stop])) < law.coast_level - 2.0 * law.spread
        if to_ns - from_ns < shortest_ns or braked:
            continue
        began_ns = _began(view, motion, from_ns, first, score)
        begin = int(np.searchsorted(motion.time_ns, began_ns))
        if not _open_before(motion, first) and to_ns - from_ns < AFTER_SHUT_NS:
            continue
        if not _crank_answers(motion, law, begin, first, stop, from_ns):
            continue
        corners = roughness.corners(view.firings) if corners is None else corners
        if not _cornered(view, corners, began_ns, to_ns):
            continue
        if view.load_channel == "fuel_pressure" and not _comes_back(motion, law, e, begin, stop):
            continue
        if _missing(motion, law, e, begin, first, stop) > MISSING:
            found.append(_sign(view, began_ns, to_ns, float(fallen[first:stop].mean()) * 10.0))
    return found


def _cornered(view: View, corners: tuple[FloatArray, FloatArray], from_ns: int, to_ns: int) -> bool:
    """Whether the crank's speed bends as a loss begins, or as it ends: bumps and slopes let only the car go."""
    time_ns = view.firings.time_ns
    for score, at_ns in zip(corners, (from_ns, to_ns), strict=True):
        first, last = np.searchsorted(time_ns, [at_ns - CORNER_NS[0], at_ns + CORNER_NS[1]])
        if float(score[first:last].max(initial=0.0)) > CORNER:
            return True
    return False


def _let_go(motion: Motion, law: Law, begin: int, first: int, stop: int) -> bool:
    """Whether the car itself is pushed so much less than before: tyres that find grip again push it all the more."""
    pushed = motion.acceleration @ law.axis
    before = pushed[max(0, begin - 35) : max(0, begin - 3)]
    less = float(np.median(before) - pushed[first:stop].mean()) if before.size else 0.0
    return less > MISSING * (law.open_level - law.coast_level)


def _crank_answers(motion: Motion, law: Law, begin: int, first: int, stop: int, from_ns: int) -> bool:
    """Whether the crank gains less than before, and had not run ahead of the car: slopes and gear changes move only x.

    Where the throttle was opened meanwhile nothing need change: then the torque never came.
    """
    before = slice(max(0, begin - 35), max(0, begin - 3))
    if before.stop - before.start < 8:
        return False
    if float(motion.load[first:stop].mean() - np.median(motion.load[before])) > 0.3:
        return True
    less = float(np.median(motion.crank[before]) - motion.crank[first:stop].mean())
    ran_ahead = _spun_up(motion, from_ns) and not _let_go(motion, law, begin, first, stop)
    return less > -SLOWING_RPS2 and not ran_ahead


def _began(view: View, motion: Motion, from_ns: int, first: int, score: FloatArray) -> int:
    """When a lasting loss began: at the crank's sharpest ramp shortly before, or when the throttle opened onto it."""
    firings = view.firings
    low, high = np.searchsorted(firings.time_ns, [from_ns - 300 * MS, from_ns + 60 * MS])
    near = score[low:high]
    if near.size and near.max() > SUDDEN_SCORE:
        return int(firings.time_ns[low + int(np.argmax(near))])
    shut = np.flatnonzero(motion.load[max(0, first - 25) : first] < OPEN)
    return int(motion.time_ns[max(0, first - 25) + shut[-1]]) if shut.size else from_ns - HALF_NS


def _sudden(view: View, motion: Motion, law: Law, score: FloatArray) -> list[Sign]:
    firings = view.firings
    e, grounded = law.e(motion), law.grounded(motion)
    best = score.max(axis=0)
    peak = (best > SUDDEN_SCORE) & (best == ndimage.maximum_filter1d(best, 41)) & view.running
    peak &= view.load > SUDDEN_LOAD  # or it is not steadily open
    at_peak = np.flatnonzero(peak)
    found = []
    for k in at_peak[_worth_it(view, motion, law, e, at_peak)].tolist():
        for which in np.argsort(-score[:, k]).tolist():
            length = SUDDEN_LENGTHS[which]
            if score[which, k] > SUDDEN_SCORE and _steadily_open(view, k, length):
                at, until = int(firings.time_ns[k]), int(firings.time_ns[min(k + length, firings.time_ns.size - 1)])
                first, stop = np.searchsorted(motion.time_ns, [at + 50 * MS, max(until, at + 60 * MS) + 50 * MS])
                begin = int(np.searchsorted(motion.time_ns, at))
                if not (_open_before(motion, begin) and grounded[begin : int(stop)].all()):
                    break
                least = MISSING_WEAK if _weakly_fed(view, at) else MISSING_SUDDEN
                let_go = _missing(motion, law, e, begin, int(first), int(stop)) > least
                let_go = let_go and not _spun_up(motion, at)
                if let_go and (least == MISSING_WEAK or _slowing(motion, at, until) < SLOWING_RPS2):
                    found.append(_sign(view, at, until, float(score[which, k])))
                break
    return found


def _worth_it(view: View, motion: Motion, law: Law, e: FloatArray, at_peak: IntArray) -> BoolArray:
    """Which of these pulses (m,) can have lost enough torque by any length: a long day has a hundred thousand peaks.

    All at once and a little too generous, so that what is left is judged one by one.
    """
    firings = view.firings
    battery = view.near("battery_voltage", 0, view.recording.duration_ns).value
    least = MISSING_WEAK if (battery < bands.WEAK_COIL_V).any() else MISSING_SUDDEN
    at_ns = firings.time_ns[at_peak]
    begin = np.searchsorted(motion.time_ns, at_ns)
    shut, airborne = _counted(motion.load <= OPEN), _counted(~law.grounded(motion))
    worth = shut[begin] == shut[np.maximum(begin - 40, 0)]
    worth &= begin >= 11  # or there is no before
    at_peak, at_ns, begin = at_peak[worth], at_ns[worth], begin[worth]
    given = np.minimum(motion.load / FULL_TORQUE_LOAD, 1.0)
    before = np.maximum(begin[:, None] + np.arange(-35, -3), 0)
    usual_e, usual_given = (np.median(value[before], axis=1) for value in (e, given))
    first = np.searchsorted(motion.time_ns, at_ns + 50 * MS)
    lost = begin < 35  # then the level before is not this median
    for length in SUDDEN_LENGTHS:
        until_ns = firings.time_ns[np.minimum(at_peak + length, firings.time_ns.size - 1)]
        stop = np.searchsorted(motion.time_ns, np.maximum(until_ns, at_ns + 60 * MS) + 50 * MS)
        mean_e, mean_given = (
            (total[stop] - total[first]) / np.maximum(stop - first, 1) for total in map(_counted, (e, given))
        )
        drop = law.open_level - law.coast_level
        missing = (usual_e - mean_e) / drop + mean_given - usual_given
        lost |= (missing > least - SLACK) & (airborne[begin] == airborne[stop])
    worth[worth] = lost
    return np.asarray(worth)


def _counted(value: FloatArray | BoolArray) -> FloatArray:
    """Running sum, (n + 1,), from which the sum of any stretch comes at once."""
    return np.concatenate(([0.0], np.cumsum(value)))


def _weakly_fed(view: View, at_ns: int) -> bool:
    """Whether the battery is so low that coils misfire: then a faltering crank needs no further witness."""
    battery = view.near("battery_voltage", at_ns - NS_PER_S, at_ns).value
    return bool(battery.size) and float(np.median(battery)) < bands.WEAK_COIL_V


def _steadily_open(view: View, k: int, length: int) -> bool:
    """Whether every pulse was seen and the throttle stayed open and still, from before pulse k to the loss's end.

    The end is the later of `length` pulses and the 110 ms over which the car's own answer is read.
    """
    firings = view.firings
    stop = max(k + length + 2, int(np.searchsorted(firings.time_ns, firings.time_ns[k] + 110 * MS)))
    window = slice(max(0, k - roughness.BEFORE), stop)
    load = view.load[window]
    still = float(load.min()) > SUDDEN_LOAD and float(load.max() - load.min()) < 0.15
    return still and bool(firings.seen[k - roughness.BEFORE : k + length].all())


def _spun_up(motion: Motion, at_ns: int) -> bool:
    """Whether the crank ran ahead of the car shortly before, as it does in the air or on spinning wheels."""
    first, stop = np.searchsorted(motion.time_ns, [at_ns - 700 * MS, at_ns - 40 * MS])
    speed = motion.speed[first:stop]
    if speed.size < 10:
        return False
    # The largest gain over any 150 ms of the time before.
    gained = np.log(np.maximum(speed[7:], 0.1) / np.maximum(speed[:-7], 0.1)) / (7 * STEP_NS / NS_PER_S)
    return float(gained.max()) > SPUN_UP_PER_S


def _slowing(motion: Motion, at_ns: int, until_ns: int) -> float:
    """Mean crank acceleration during a loss, rev/s2."""
    first, stop = np.searchsorted(motion.time_ns, [at_ns, until_ns])
    return float(motion.crank[first : max(stop, first + 1)].mean()) if first < motion.time_ns.size else 0.0


def _open_before(motion: Motion, first: int) -> bool:
    """Whether the throttle had been open for most of a second before grid point `first`: no gear change just ended."""
    return float(motion.load[max(0, first - 40) : first].min(initial=1.0)) > OPEN


def _comes_back(motion: Motion, law: Law, e: FloatArray, begin: int, stop: int) -> bool:
    """Whether the torque was back within half a second after grid point `stop`, with the throttle still open."""
    after = slice(stop, min(stop + 25, e.size))
    still = motion.load[after] > OPEN
    back = float(np.median(e[max(0, begin - 35) : max(1, begin - 5)])) - 0.3 * (law.open_level - law.coast_level)
    return bool((still & (e[after] > back)).any() and still[:5].all())


def _missing(motion: Motion, law: Law, e: FloatArray, begin: int, first: int, stop: int) -> float:
    """Share of the torque that went missing in grid points first..stop-1, against the half second before `begin`.

    Compared with what was just before, because hills and wind shift e; what the throttle did meanwhile is allowed for.
    0 where there is no before.
    """
    before = slice(max(0, begin - 35), max(0, begin - 3))
    if before.stop - before.start < 8:
        return 0.0
    given, given_before = (np.minimum(motion.load[s] / FULL_TORQUE_LOAD, 1.0) for s in (slice(first, stop), before))
    drop = law.open_level - law.coast_level
    due = float(np.median(e[before])) + drop * float(given.mean() - np.median(given_before))
    return (due - float(e[first:stop].mean())) / drop


def _sign(view: View, from_ns: int, to_ns: int, strength: float) -> Sign:
    place = np.searchsorted(view.firings.time_ns, [from_ns, to_ns])
    lost = float(place[1] - place[0]) * view.engine.firings_per_revolution / view.firings.pulses_per_revolution
    return Sign("weak_torque", "tach_pulses", from_ns, to_ns, lost, strength, from_ns - STEP_NS)
