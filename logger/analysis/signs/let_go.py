"""A car let go behind a throttle that does not move, which is no foot's, no clutch's and no tyre's doing.

Where all torque goes at a stroke the shafts unwind: the crank falls back and the car with it, and both swing for some
tenths of a second. cutouts.py asks for the same at the end of the loss, which that swinging hides. Here the beginning
alone has to tell: behind a throttle that was held before and after, on wheels that stand on the ground, out of quiet
running. A tyre that loses grip lets the crank run up as the car is let go; one that finds it again pushes the car.
"""

import numpy as np
from scipy import ndimage

from logger.analysis.crank.states import View
from logger.analysis.signs.motion import STEP_NS, Law, Motion
from logger.analysis.signs.sign import Sign
from logger.event import BoolArray, FloatArray

# Grid steps of 20 ms: before the loss, of which the last is left out, and into it, for crank, car and torque reading.
BEFORE, CRANK, CAR, TORQUE = 10, 4, 5, 6
HELD, HELD_WITHIN = 23, 0.08  # steps about the loss over which the throttle stays, and within what share of it
LOADED = 0.1
LONGEST = 40  # steps that the loss may last
FALLS_RPS2, OUT_OF_QUIET = 10.0, 7.0  # of the crank, and times its own unrest before; brakes reach 4 to 7
QUIET_RPS2 = 1.0
LET_GO_G, SHARE = 0.02, 0.15  # of the car; of the torque that the load promises
LEAST_DUE_G = 0.05
FEWEST_FIRINGS = 4.0  # fewer, and one edge out of place looks the same
BACK = 0.5  # of what went, from where on it has returned


def signs(view: View, motion: Motion, law: Law) -> list[Sign]:
    """Losses of torque that begin so, as weak_torque signs; empty where no throttle is recorded."""
    throttle = view.traces.get("throttle_position")
    if view.load_channel != "throttle_position" or throttle is None or throttle.time_ns.size < HELD:
        return []
    e, car = law.e(motion), motion.acceleration @ law.axis
    falls = _before(motion.crank) - _after(motion.crank, CRANK)
    lets_go = _before(car) - _after(car, CAR)
    usual = _before(e)
    missing = usual - _after(e, TORQUE)
    unrest = np.sqrt(np.maximum(_before(motion.crank**2) - _before(motion.crank) ** 2, QUIET_RPS2**2))
    due = np.maximum(law.promised(motion) - law.coast_level, LEAST_DUE_G)
    begins = _held(view, motion, law) & (falls > np.maximum(FALLS_RPS2, OUT_OF_QUIET * unrest))
    begins &= (lets_go > LET_GO_G) & (missing > SHARE * due)
    begins[:BEFORE] = False
    begins &= falls >= ndimage.maximum_filter1d(np.where(begins, falls, 0.0), 2 * BEFORE + 1)
    found: list[Sign] = []
    last = -BEFORE
    for k in np.flatnonzero(begins).tolist():
        if k - last < BEFORE:
            continue  # two steps of one fall
        last = k
        # The crank's acceleration is a mean over some steps, so that the fall seems to begin one before it does.
        back = np.flatnonzero(e[k + TORQUE : k + LONGEST] > usual[k] - BACK * missing[k])
        stop = k + TORQUE + (int(back[0]) if back.size else LONGEST - TORQUE)
        from_ns, to_ns = int(motion.time_ns[k + 1]), int(motion.time_ns[min(stop, e.size - 1)])
        place = np.searchsorted(view.firings.time_ns, [from_ns, to_ns])
        lost = float(place[1] - place[0]) * view.engine.firings_per_revolution / view.firings.pulses_per_revolution
        if lost < FEWEST_FIRINGS:
            continue
        strength = float(falls[k] / unrest[k])
        found.append(Sign("weak_torque", "tach_pulses", from_ns, to_ns, lost, strength, from_ns - 2 * STEP_NS))
    return found


def _held(view: View, motion: Motion, law: Law) -> BoolArray:
    """Where the throttle is known, open and held still about a step, with the engine running in a car on its wheels."""
    place = np.clip(np.searchsorted(view.firings.time_ns, motion.time_ns), 0, view.firings.time_ns.size - 1)
    whole = motion.running & law.grounded(motion) & np.isfinite(view.load[place]) & view.firings.seen[place]
    whole = ndimage.minimum_filter1d(whole.astype(np.uint8), HELD).astype(bool)
    least, most = ndimage.minimum_filter1d(motion.load, HELD), ndimage.maximum_filter1d(motion.load, HELD)
    return np.asarray(whole & (least > LOADED) & (most - least < HELD_WITHIN))


def _before(value: FloatArray) -> FloatArray:
    """The mean over the steps before each one, the last left out, (n,)."""
    return _mean(value, -BEFORE, -1)


def _after(value: FloatArray, n_steps: int) -> FloatArray:
    """The mean over each step and those that follow, (n,)."""
    return _mean(value, 0, n_steps)


def _mean(value: FloatArray, first: int, stop: int) -> FloatArray:
    total = np.concatenate(([0.0], np.cumsum(value)))
    low, high = (np.clip(np.arange(value.size) + off, 0, value.size) for off in (first, stop))
    return np.asarray((total[high] - total[low]) / np.maximum(high - low, 1))
