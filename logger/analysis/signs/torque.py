"""Torque that is not there: the throttle is open, yet car and crank behave as if it were shut.

The engine's torque goes into pushing the car and into spinning up its own inertia (and, with spinning wheels, theirs).
Longitudinal acceleration x shows the first, crank acceleration the second, so

    e = x + c * d(omega)/dt        (Newton's second law for car and crank on one axle, divided by weight)

hardly cares whether the tyres grip. c, and what e reads with the throttle open and shut, are learned from the event
itself; the axis of x is the direction in which opening the throttle pushes, so the box may be mounted askew.
A stretch in which e drops to its closed-throttle level behind an open throttle is lost combustion, whatever the cause.

The box cannot fall below what a shut throttle gives without brakes, so deeper readings are brakes, not lost torque.

A loss too short for that (some 60 ms) shows in the crank alone: a sudden ramp (roughness.py) behind a steady load.
Tyres that find grip again slow the crank as suddenly, but they push the car; a lost torque lets it go.

Not seen: single misses, a loss of a minority of firings (lean.py looks for those), anything with the clutch in, and
events without acceleration or without a load channel. What vanishes and comes back at part load: cutouts.py.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from logger.analysis.channels import bands
from logger.analysis.crank import roughness
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import State, View
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

MS = 1_000_000
STEP_NS = 20 * MS
HOLE_NS = 60 * MS
HALF_NS = 40 * MS  # window on either side over which the crank's acceleration is taken
OPEN, SHUT = 0.45, 0.05  # of full load
# The load must have been open or shut for this many steps on either side: a rail shows load late, and smooths it.
AROUND_STEPS = {"throttle_position": 4, "fuel_pressure": 12}
WIDE_OPEN = 0.63  # load from which a missing torque is unmistakable
SHORTEST_NS = {"throttle_position": 80 * MS, "fuel_pressure": 140 * MS}
CRANK_RPS2 = (-70.0, 20.0)  # faster changes of crank speed are clutch or tyres, in or out of grip
FLIGHT_STEPS = 5  # a tenth of a second
LANDING_STEPS = 12  # before and after a flight tyres slip and grip again
AFTER_SHUT_NS = 200 * MS  # a gear change ends within this once the throttle is open again
AIRBORNE_G = 0.6  # of gravity, below which the car is in the air and pushes nothing
SPUN_UP_PER_S = 0.5  # relative gain of crank speed before a sudden loss, beyond which tyres had let go and grip again
GONE = 0.45  # of the way from open to coasting that e must read, point by point
MISSING, MISSING_SUDDEN = 0.5, 0.33  # of the torque, on average, against before; less where the crank tells too
SUDDEN_LENGTHS = (8, 12, 20)  # lost firings that the crank's filters are matched to
SUDDEN_SCORE = 10.0
SUDDEN_LOAD = 0.55
SLOWING_RPS2 = -3.0  # a lost torque slows the crank; a clutch that opens only ends its rise
MISSING_WEAK = 0.08  # with a battery so low that single sparks fail, the car hardly shows it
CLEAR = 1.5  # spreads between open and coasting; a fault that takes torque away all day widens them
MOST_C = 0.006  # g per rev/s2: a light car in its first gear
FULL_TORQUE_LOAD = 0.6  # about from which load on an engine gives full torque


LOAD_EDGES = np.array([0.05, 0.12, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.01])
LOAD_CENTRES = np.concatenate(([0.0], (LOAD_EDGES[:-1] + LOAD_EDGES[1:]) / 2))


@dataclass(frozen=True, slots=True)
class Motion:
    """Car and crank on a regular grid. time_ns: int64 (n,). acceleration: g, float64 (n, 3). crank: rev/s2, (n,).

    open, shut: bool (n,), where the throttle surely was open or shut with the engine running well above idle.
    load: float64 (n,). speed: rev/s, float64 (n,).
    """

    time_ns: IntArray
    acceleration: FloatArray
    crank: FloatArray
    open: BoolArray
    shut: BoolArray
    running: BoolArray
    load: FloatArray
    speed: FloatArray


@dataclass(frozen=True, slots=True)
class Law:
    """What an event taught: the pushing direction, c, and e's level with the throttle open, and coasting; its spread.

    gravity: the mean acceleration, g, (3,).
    """

    axis: FloatArray
    gravity: FloatArray
    c: float
    open_level: float
    coast_level: float
    spread: float
    levels: FloatArray

    def promised(self, motion: Motion) -> FloatArray:
        """What e reads at each load when nothing is wrong, (n,)."""
        return np.interp(motion.load, LOAD_CENTRES, self.levels)

    def e(self, motion: Motion) -> FloatArray:
        """The torque reading, g, (n,)."""
        return np.asarray(motion.acceleration @ self.axis + self.c * motion.crank)

    def grounded(self, motion: Motion) -> BoolArray:
        """Whether the car stands on its wheels, (n,): in the air the box weighs nothing."""
        airborne = motion.acceleration @ self.gravity < AIRBORNE_G * float(self.gravity @ self.gravity)
        # A knock too takes the weight off for a moment; only what lasts is a flight.
        flight = ndimage.binary_opening(airborne, np.ones(FLIGHT_STEPS, bool))
        return np.asarray(~ndimage.binary_dilation(flight, iterations=LANDING_STEPS))


def motion(view: View) -> Motion | None:
    """Put one recording's acceleration, crank acceleration and load on one grid; None where one is missing."""
    trace, firings = view.traces.get("acceleration"), view.firings
    if (
        view.load_channel is None
        or trace is None
        or trace.time_ns.size < 100
        or firings.time_ns.size < 200
        or not np.isfinite(view.load).any()
    ):
        return None
    time_ns = np.arange(firings.time_ns[0] + 2 * HALF_NS, firings.time_ns[-1] - 2 * HALF_NS, STEP_NS)
    if time_ns.size < 50:
        return None
    count = np.arange(firings.time_ns.size, dtype=np.float64)

    def speed(from_ns: IntArray, to_ns: IntArray) -> FloatArray:
        turned = np.interp(to_ns, firings.time_ns, count) - np.interp(from_ns, firings.time_ns, count)
        return np.asarray(turned / firings.pulses_per_revolution / (HALF_NS / NS_PER_S))

    crank = (speed(time_ns, time_ns + HALF_NS) - speed(time_ns - HALF_NS, time_ns)) / (HALF_NS / NS_PER_S)
    rate = NS_PER_S / max(1.0, float(np.median(np.diff(trace.time_ns[:2000]))))
    width = max(3, round(0.035 * rate) | 1)
    columns = [
        ndimage.uniform_filter1d(ndimage.median_filter(column, width, mode="nearest"), width, mode="nearest")
        for column in trace.value.T
    ]
    acceleration = np.column_stack([np.interp(time_ns, trace.time_ns, column) for column in columns])
    load = np.interp(time_ns, firings.time_ns, np.nan_to_num(view.load.astype(np.float64), nan=0.2))
    place = np.clip(np.searchsorted(firings.time_ns, time_ns), 0, firings.time_ns.size - 1)
    fast = 1.5 * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    running = (view.state[place] >= State.IDLE) & (firings.speed_rps[place] > fast) & _sampled(trace.time_ns, time_ns)
    width = 2 * AROUND_STEPS[view.load_channel] + 1
    opened = running & (ndimage.minimum_filter1d(load, width) > OPEN)
    shut = running & (ndimage.maximum_filter1d(load, width) < SHUT)
    return Motion(time_ns, acceleration, crank, opened, shut, running, load, firings.speed_rps[place])


def _sampled(sample_ns: IntArray, time_ns: IntArray) -> BoolArray:
    """Whether samples lie within HOLE_NS on both sides of each time, bool (n,): across a hole nothing is known."""
    after = np.clip(np.searchsorted(sample_ns, time_ns), 1, sample_ns.size - 1)
    return np.asarray(sample_ns[after] - sample_ns[after - 1] < HOLE_NS)


def learn(motions: list[Motion]) -> Law | None:
    """Learn the event's law; None where open and shut throttle are too rare or look alike."""
    if not motions:
        return None
    acceleration = np.concatenate([m.acceleration for m in motions])
    crank = np.concatenate([m.crank for m in motions])
    opened, shut = (np.concatenate([getattr(m, name) for m in motions]) for name in ("open", "shut"))
    if opened.sum() < 100 or shut.sum() < 50:
        return None
    push = np.median(acceleration[opened], axis=0) - np.median(acceleration[shut], axis=0)
    length = float(np.linalg.norm(push))
    if length < 0.05:
        return None
    axis = push / length
    x = acceleration @ axis
    load, running = (np.concatenate([getattr(m, name) for m in motions]) for name in ("load", "running"))
    steady = running & (ndimage.maximum_filter1d(load, 9) - ndimage.minimum_filter1d(load, 9) < 0.15)
    c = min(max(_exchange(x[opened], crank[opened]), _swing(x, crank, steady)), MOST_C)
    e = x + c * crank
    open_level = float(np.median(e[opened]))
    # Most of the time a driver off the throttle brakes; the upper part of what is left is the car rolling free.
    coast_level = float(np.percentile(e[shut], 85))
    below = e[opened & (e < open_level)] - open_level
    spread = 1.4826 * float(np.median(np.abs(below)))
    if open_level - coast_level < CLEAR * spread:
        return None
    levels = _levels(e[steady], load[steady], coast_level)
    return Law(axis, acceleration.mean(axis=0), c, open_level, coast_level, spread, levels)


def _swing(x: FloatArray, crank: FloatArray, steady: BoolArray) -> float:
    """c from the drive shafts' swing: at a steady load the crank gains what the car loses, by least squares."""
    fast_x, fast_crank = (value - ndimage.uniform_filter1d(value, 15) for value in (x, crank))
    along = float(fast_crank[steady] @ fast_crank[steady])
    return -float(fast_x[steady] @ fast_crank[steady]) / along if along > 0 else 0.0


def _levels(e: FloatArray, load: FloatArray, coast_level: float) -> FloatArray:
    """e's usual level at LOAD_CENTRES, never falling with load; from its neighbours where a load hardly occurs."""
    levels = np.full(LOAD_CENTRES.size, np.nan)
    levels[0] = coast_level
    for k in range(LOAD_EDGES.size - 1):
        inside = e[(load >= LOAD_EDGES[k]) & (load < LOAD_EDGES[k + 1])]
        if inside.size > 40:
            levels[k + 1] = np.median(inside)
    known = np.isfinite(levels)
    return np.asarray(np.maximum.accumulate(np.interp(LOAD_CENTRES, LOAD_CENTRES[known], levels[known])))


def _exchange(x: FloatArray, crank: FloatArray) -> float:
    """c: how much x falls for each rev/s2 that the crank gains when grip is lost, by least squares; never negative.

    Only moments count in which the crank gains faster than a gripping car lets it (the upper twentieth).
    """
    fast = crank > np.percentile(crank, 95)
    usual = ~fast & (np.abs(crank - np.median(crank)) < 2.0 * np.median(np.abs(crank - np.median(crank))) + 1e-9)
    if fast.sum() < 10 or usual.sum() < 10:
        return 0.0
    gained = float(np.median(crank[fast]) - np.median(crank[usual]))
    fallen = float(np.median(x[usual]) - np.median(x[fast]))
    return max(0.0, fallen / gained) if gained > 0 else 0.0


def signs(view: View, motion: Motion, law: Law) -> list[Sign]:
    """Stretches behind an open throttle in which the torque was gone, as weak_torque signs."""
    scores = [roughness.speed_loss(view.firings, length)[1] for length in SUDDEN_LENGTHS]
    found = _lasting(view, motion, law, scores[-1])
    if view.load_channel == "throttle_position":  # behind a lift the rail shows load for a while yet
        found += _sudden(view, motion, law, np.stack(scores))
    return found


def _lasting(view: View, motion: Motion, law: Law, score: FloatArray) -> list[Sign]:
    e = law.e(motion)
    shortest_ns = SHORTEST_NS[view.load_channel or "fuel_pressure"]
    drop = law.open_level - law.coast_level
    fallen = (law.open_level - e) / drop
    steady = (motion.crank > CRANK_RPS2[0]) & (motion.crank < CRANK_RPS2[1]) & law.grounded(motion)
    gone = motion.open & (motion.load > WIDE_OPEN) & (fallen > GONE) & steady
    edges = np.flatnonzero(np.diff(np.concatenate(([0], gone.astype(np.int8), [0]))))
    found = []
    for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        from_ns, to_ns = int(motion.time_ns[first]), int(motion.time_ns[stop - 1]) + STEP_NS
        braked = float(np.median(e[first:stop])) < law.coast_level - 2.0 * law.spread
        if to_ns - from_ns < shortest_ns or braked:
            continue
        began_ns = _began(view, motion, from_ns, first, score)
        begin = int(np.searchsorted(motion.time_ns, began_ns))
        if not _open_before(motion, first) and to_ns - from_ns < AFTER_SHUT_NS:
            continue
        if not _crank_answers(motion, begin, first, stop, from_ns):
            continue
        if view.load_channel == "fuel_pressure" and not _comes_back(motion, law, e, begin, stop):
            continue
        if _missing(motion, law, e, begin, first, stop) > MISSING:
            found.append(_sign(view, began_ns, to_ns, float(fallen[first:stop].mean()) * 10.0))
    return found


def _crank_answers(motion: Motion, begin: int, first: int, stop: int, from_ns: int) -> bool:
    """Whether the crank gains less than before, and had not run ahead of the car: slopes and gear changes move only x.

    Where the throttle was opened meanwhile nothing need change: then the torque never came.
    """
    before = slice(max(0, begin - 35), max(0, begin - 3))
    if before.stop - before.start < 8:
        return False
    if float(motion.load[first:stop].mean() - np.median(motion.load[before])) > 0.3:
        return True
    less = float(np.median(motion.crank[before]) - motion.crank[first:stop].mean())
    return less > -SLOWING_RPS2 and not _spun_up(motion, from_ns)


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
    found = []
    for k in np.flatnonzero(peak).tolist():
        for which in np.argsort(-score[:, k]).tolist():
            length = SUDDEN_LENGTHS[which]
            if score[which, k] > SUDDEN_SCORE and _steadily_open(view, k, length):
                at, until = int(firings.time_ns[k]), int(firings.time_ns[min(k + length, firings.time_ns.size - 1)])
                first, stop = np.searchsorted(motion.time_ns, [at + 50 * MS, max(until, at + 60 * MS) + 50 * MS])
                begin = int(np.searchsorted(motion.time_ns, at))
                # What costs least comes first: a long day has a hundred thousand such peaks.
                if not (_open_before(motion, begin) and grounded[begin : int(stop)].all()):
                    break
                least = MISSING_WEAK if _weakly_fed(view, at) else MISSING_SUDDEN
                let_go = _missing(motion, law, e, begin, int(first), int(stop)) > least
                let_go = let_go and not _spun_up(motion, at)
                if let_go and (least == MISSING_WEAK or _slowing(motion, at, until) < SLOWING_RPS2):
                    found.append(_sign(view, at, until, float(score[which, k])))
                break
    return found


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
