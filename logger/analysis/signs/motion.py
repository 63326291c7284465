"""Car and crank on one grid, and the law that joins them, learned from the event itself.

The engine's torque goes into pushing the car and into spinning up its own inertia (and, with spinning wheels, theirs).
Longitudinal acceleration x shows the first, crank acceleration the second, so

    e = x + c * d(omega)/dt        (Newton's second law for car and crank on one axle, divided by weight)

hardly cares whether the tyres grip. c, and what e reads with the throttle open and shut, are learned from the event
itself; the axis of x is the direction in which opening the throttle pushes, so the box may be mounted askew.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from logger.analysis.channels.scene import spans_of
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import LoadArray, State, View, load_from_crank, sampled
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

MS = 1_000_000
STEP_NS = 20 * MS
HALF_STEPS = 2  # window on either side over which the crank's acceleration is taken
HALF_NS = HALF_STEPS * STEP_NS
OPEN, SHUT = 0.45, 0.05  # of full load
# The load must have been open or shut for this many steps on either side: a rail shows load late, and smooths it.
AROUND_STEPS = {"throttle_position": 4, "fuel_pressure": 12}
FLIGHT_STEPS = 5  # a tenth of a second
LANDING_STEPS = 12  # before and after a flight tyres slip and grip again
AIRBORNE_G = 0.6  # of gravity, below which the car is in the air and pushes nothing
CLEAR = 1.5  # spreads between open and coasting; a fault that takes torque away all day widens them
MOST_C = 0.006  # g per rev/s2: a light car in its first gear
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
        grounded = np.ones(airborne.size, bool)
        for first, stop in spans_of(airborne).tolist():
            if stop - first >= FLIGHT_STEPS:  # a knock too takes the weight off for a moment
                grounded[max(0, first - LANDING_STEPS) : stop + LANDING_STEPS] = False
        return grounded


def motion_of(view: View) -> Motion | None:
    """Put one recording's acceleration, crank acceleration and load on one grid; None where one is missing."""
    if view.load_channel is None or not np.isfinite(view.load).any():
        return None
    return _motion(view, view.load, AROUND_STEPS[view.load_channel])


def blind(view: View) -> Motion | None:
    """The same without a load channel: load as the crank's own gain of speed shows it."""
    return _motion(view, load_from_crank(view.firings), AROUND_STEPS["throttle_position"])


def without(motion: Motion, spans: Sequence[tuple[int, int]]) -> Motion:
    """The same as if the engine had not run in the given spans, ns: nothing is learned of how it pushes there."""
    usable = np.ones(motion.time_ns.size, bool)
    for from_ns, to_ns in spans:
        first, stop = np.searchsorted(motion.time_ns, [from_ns, to_ns])
        usable[first:stop] = False
    return replace(motion, open=motion.open & usable, shut=motion.shut & usable, running=motion.running & usable)


def _motion(view: View, load_at_firings: LoadArray, around_steps: int) -> Motion | None:
    trace, firings = view.traces.get("acceleration"), view.firings
    if trace is None or trace.time_ns.size < 100 or firings.time_ns.size < 200:
        return None
    time_ns = np.arange(firings.time_ns[0] + 2 * HALF_NS, firings.time_ns[-1] - 2 * HALF_NS, STEP_NS)
    if time_ns.size < 50:
        return None
    around_ns = time_ns[0] + (np.arange(time_ns.size + 2 * HALF_STEPS) - HALF_STEPS) * STEP_NS
    count = np.interp(around_ns, firings.time_ns, np.arange(firings.time_ns.size, dtype=np.float64))
    half_s = HALF_NS / NS_PER_S
    speed = (count[HALF_STEPS:] - count[:-HALF_STEPS]) / firings.pulses_per_revolution / half_s
    crank = (speed[HALF_STEPS:] - speed[:-HALF_STEPS]) / half_s
    rate = NS_PER_S / max(1.0, float(np.median(np.diff(trace.time_ns[:2000]))))
    width = max(3, round(0.035 * rate) | 1)
    columns = [
        ndimage.uniform_filter1d(ndimage.median_filter(column, width, mode="nearest"), width, mode="nearest")
        for column in trace.value.T
    ]
    acceleration = np.column_stack([np.interp(time_ns, trace.time_ns, column) for column in columns])
    load = np.interp(time_ns, firings.time_ns, np.nan_to_num(load_at_firings.astype(np.float64), nan=0.2))
    place = np.clip(np.searchsorted(firings.time_ns, time_ns), 0, firings.time_ns.size - 1)
    fast = 1.5 * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    running = (view.state[place] >= State.IDLE) & (firings.speed_rps[place] > fast) & sampled(trace.time_ns, time_ns)
    width = 2 * around_steps + 1
    opened = running & (ndimage.minimum_filter1d(load, width) > OPEN)
    shut = running & (ndimage.maximum_filter1d(load, width) < SHUT)
    return Motion(time_ns, acceleration, crank, opened, shut, running, load, firings.speed_rps[place])


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
