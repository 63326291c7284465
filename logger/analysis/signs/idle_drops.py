"""Firings lost at idle: the crank of a standing car falls at a stroke and comes back to where it was.

An idling engine has nothing but friction against it and slows some per cent with every firing that is lost: a few in a
row take a fifth of its speed within a tenth of a second. The driver's clutch does it as well, but not at a stroke, and
it moves the car; his foot lets the speed come down from above, or takes it there afterwards. So it must have idled
evenly before, come back to the same speed soon after, and neither throttle nor car may have moved.
"""

import numpy as np

from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import OPEN_AT, State, View
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, FloatArray

MS = 1_000_000
SIDE = 3  # pulses over which speed is taken
DROP = 0.07  # relative loss of speed from one SIDE to the next
STEADY = 0.025  # between the three SIDEs before
IDLING = (0.75, 1.25)  # of idle speed
DEPTH = 0.87  # of the speed before, that it must fall to
LOWEST_NS, BACK_NS = 600 * MS, 1200 * MS  # within which it is lowest, and back
BACK = (0.95, 1.1)  # of the speed before
FOOT_NS = 300 * MS  # before the drop
CAR_NS = (1200 * MS, 200 * MS, 800 * MS)  # at rest from the first to the second before; watched until the third after
STILL_G = 0.1  # what moves of the car, over MEAN_NS
MEAN_NS = 60 * MS


def signs(view: View) -> list[Sign]:
    """Such drops, as weak_torque signs from the first interval that was longer to the slowest; empty without an
    accelerometer."""
    time_ns = view.firings.time_ns
    if time_ns.size < 5 * SIDE or "acceleration" not in view.traces:
        return []
    speed = _speed(view)
    found: list[Sign] = []
    for k in np.flatnonzero(_drops(view, speed)).tolist():
        if found and time_ns[k] < found[-1].to_ns + BACK_NS:
            continue
        usual = float(speed[k])
        lowest_by, back_by = np.searchsorted(time_ns, [time_ns[k] + LOWEST_NS, time_ns[k] + BACK_NS]).tolist()
        after = speed[k + SIDE : back_by + SIDE]
        # Speeds are those of the SIDE before each pulse.
        whole = bool(view.firings.seen[k - 3 * SIDE : back_by].all()) and float(speed[k:back_by].min()) > 0.0
        if lowest_by <= k + SIDE or back_by + SIDE > time_ns.size or not whole:
            continue
        slowest = k + SIDE + int(np.argmin(speed[k + SIDE : lowest_by]))
        if speed[slowest] > DEPTH * usual or not BACK[0] < after[slowest - k - SIDE :].max() / usual < BACK[1]:
            continue
        if _foot_moved(view, k, back_by) or _car_moved(view, int(time_ns[k])):
            continue
        lost = (slowest - k) * view.engine.firings_per_revolution / view.firings.pulses_per_revolution
        from_ns = int(time_ns[k])
        found.append(Sign("weak_torque", "tach_pulses", from_ns, int(time_ns[slowest]), lost, 5.0, from_ns))
    return found


def _speed(view: View) -> FloatArray:
    """Pulses a second over the SIDE before each pulse, (n,); 0 where a stretch has not that many."""
    firings = view.firings
    speed = np.zeros(firings.time_ns.size)
    took = np.maximum(firings.time_ns[SIDE:] - firings.time_ns[:-SIDE], 1)
    same = firings.stretch[SIDE:] == firings.stretch[:-SIDE]
    speed[SIDE:] = np.where(same, SIDE * NS_PER_S / took, 0.0)
    return speed


def _drops(view: View, speed: FloatArray) -> BoolArray:
    """Pulses (n,) after which an even idle lost speed at a stroke."""
    idle = (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0 * view.firings.pulses_per_revolution
    n = speed.size
    drop, even = np.zeros(n), np.zeros(n, bool)
    log = np.log(np.maximum(speed, 1e-6))
    k = np.arange(3 * SIDE, n - SIDE)
    drop[k] = log[k] - log[k + SIDE]
    before = np.stack((log[k], log[k - SIDE], log[k - 2 * SIDE]))
    even[k] = np.ptp(before, axis=0) < STEADY
    at_idle = view.running & (speed > IDLING[0] * idle) & (speed < IDLING[1] * idle)
    if view.load_channel is not None:  # or the crank alone shows it, which after a drop it gets wrong
        at_idle &= view.state == State.IDLE
    return np.asarray(at_idle & even & (drop > DROP))


def _foot_moved(view: View, k: int, back_by: int) -> bool:
    """Whether the throttle, where it is recorded, was open from shortly before until the speed was back."""
    if view.load_channel != "throttle_position":
        return False
    first = int(np.searchsorted(view.firings.time_ns, view.firings.time_ns[k] - FOOT_NS))
    return not float(view.load[first:back_by].max()) < OPEN_AT


def _car_moved(view: View, at_ns: int) -> bool:
    """Whether anything but the engine's shaking moved the box around a time."""
    rest = view.near("acceleration", at_ns - CAR_NS[0], at_ns - CAR_NS[1])
    now = view.near("acceleration", at_ns - CAR_NS[1], at_ns + CAR_NS[2])
    if rest.time_ns.size < 10 or now.time_ns.size < 10:
        return True  # nobody knows
    width = max(1, round(MEAN_NS * now.time_ns.size / (CAR_NS[1] + CAR_NS[2])))
    sums = np.concatenate((np.zeros((1, 3)), np.cumsum(now.value - np.median(rest.value, axis=0), axis=0)))
    return float(np.abs(sums[width:] - sums[:-width]).max()) / width > STILL_G
