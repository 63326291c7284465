"""Torque that goes with the fuel: while the rail is short of pressure the push ends, and it comes back with the rail.

How far an engine can be starved before it misses is known only roughly (rail.py), and where no throttle is recorded
nothing shows lost combustion by itself: a driver's lift ends the push as well. But a lift does not wait for the pump,
and behind a shut throttle a tired pump recovers at once. So where the pressure is below its floor, the torque reading e
(motion.py) need not be held against a load channel, least of all against a load read from the very rail that fails: it
is enough that car and crank had pushed, coast while the pressure is low, and push again after; or that the pressure
comes back just as the driver gives up and brakes.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from logger.analysis.channels.scene import spans_of
from logger.analysis.crank.states import View
from logger.analysis.signs import motion
from logger.analysis.signs.motion import MS, STEP_NS, Law, Motion, blind
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, FloatArray

CLEARLY_STARVED, JUST_NOT = 1.5, 0.95  # times what makes an engine stumble
LEAST_DUE = 0.3  # of full torque, that the load must promise to tell anything
PULLED, STILL_PULLED = 0.9, 0.65  # of what is promised: the median, and the weakest tenth
LEAST_STARVED = 0.3  # of what surely makes an engine stumble (rail.py): less is no fault of the pump's
SMOOTH = 3  # steps over which the reading is averaged
GONE, PUSHED = 0.6, 0.4  # of the way from pushing to coasting
COASTED = 0.85  # of it, on average: at part load a sound engine gets as far as half
SHORTEST, LONG, HOLES, SOON = 12, 40, 3, 15  # steps
WITH_NS = 500 * MS  # between the pressure's return and the brakes
JOIN_NS = NS_PER_S // 2
BEFORE_NS, AFTER_NS = NS_PER_S, NS_PER_S  # within which the push must have been there, and be back
BRAKED_G = 0.25  # below coasting: brakes, not a lost torque
SHIFTED = 0.15  # of crank speed, from before to after a short loss: another gear
SHIFT_NS = NS_PER_S
CLUTCH_RPS2 = 45.0  # changes of crank speed that only a clutch or a tyre makes


def learn(views: Sequence[View]) -> Law | None:
    """How the car pushes, told without a throttle; None where one is recorded throughout, or too little is known."""
    if all(view.load_channel == "throttle_position" and np.isfinite(view.load).all() for view in views):
        return None
    return motion.learn([ride for view in views if (ride := blind(view)) is not None])


def signs(view: View, low: Sequence[Sign], law: Law | None) -> list[Sign]:
    """Stretches without torque while the rail was short, as weak_torque signs; low: the view's low_pressure signs.

    Only where no throttle tells; elsewhere torque.py and cutouts.py see better. law: from learn().
    """
    short = [sign for sign in low if sign.strength >= LEAST_STARVED and not _throttle_known(view, sign)]
    ride = blind(view) if short and law is not None else None
    if law is None or ride is None:
        return []
    return [found for from_ns, to_ns in _joined(short) for found in _within(view, ride, law, from_ns, to_ns)]


def spans(low: Sequence[Sign]) -> list[tuple[int, int]]:
    """Where the rail was short enough to be felt, and a little after, ns; low: low_pressure signs."""
    return _joined([replace(sign, to_ns=sign.to_ns + WITH_NS) for sign in low if sign.strength >= LEAST_STARVED])


def eased(sign: Sign, motion: Motion, law: Law) -> Sign:
    """A shortage that by itself just makes a stumble, taken back where the engine pulled as hard as its load promises.

    motion: with its load by a throttle.
    """
    if not 1.0 <= sign.strength < CLEARLY_STARVED:
        return sign
    first, stop = np.searchsorted(motion.time_ns, [sign.from_ns, sign.to_ns])
    due = law.promised(motion)[first:stop] - law.coast_level
    tells = motion.running[first:stop] & (due > LEAST_DUE * (law.open_level - law.coast_level))
    if np.count_nonzero(tells) < max(SHORTEST, 0.5 * (stop - first)):
        return sign
    given = (law.e(motion)[first:stop] - law.coast_level)[tells] / due[tells]
    pulled = float(np.median(given)) > PULLED and float(np.percentile(given, 10)) > STILL_PULLED
    return replace(sign, strength=JUST_NOT) if pulled else sign


def _throttle_known(view: View, sign: Sign) -> bool:
    """Whether a throttle is recorded and its sensor told the truth while the pressure was low."""
    first, last = np.searchsorted(view.firings.time_ns, [sign.from_ns, sign.to_ns])
    return view.load_channel == "throttle_position" and bool(np.isfinite(view.load[first:last]).all())


def _joined(low: Sequence[Sign]) -> list[tuple[int, int]]:
    """Stretches of low pressure, those less than JOIN_NS apart as one."""
    spans: list[tuple[int, int]] = []
    for sign in sorted(low, key=lambda sign: sign.from_ns):
        if spans and sign.from_ns - spans[-1][1] < JOIN_NS:
            spans[-1] = (spans[-1][0], max(spans[-1][1], sign.to_ns))
        else:
            spans.append((sign.from_ns, sign.to_ns))
    return spans


def _within(view: View, motion: Motion, law: Law, low_ns: int, high_ns: int) -> list[Sign]:
    begin, first, stop, end = np.searchsorted(
        motion.time_ns, [low_ns - BEFORE_NS, low_ns, high_ns, high_ns + AFTER_NS]
    ).tolist()
    if stop - first < SHORTEST:
        return []
    fallen = (law.open_level - law.e(motion)[begin : end + SMOOTH]) / (law.open_level - law.coast_level)
    fallen = ndimage.uniform_filter1d(fallen, SMOOTH, mode="nearest")
    braked = (law.open_level - law.coast_level + max(BRAKED_G, 3.0 * law.spread)) / (law.open_level - law.coast_level)
    gone = (fallen > GONE) & (fallen < braked) & motion.running[begin : end + SMOOTH]
    gone = ndimage.binary_closing(gone, np.ones(HOLES, bool))
    found = []
    for a, b in spans_of(gone).tolist():
        inside = min(b, stop - begin) - max(a, first - begin)
        if inside < SHORTEST or inside < 0.6 * (b - a) or _other_gear(motion, begin + a, begin + b):
            continue
        if float(fallen[a:b].mean()) < COASTED:
            continue
        from_ns, to_ns = int(motion.time_ns[begin + a]), int(motion.time_ns[begin + b - 1]) + STEP_NS
        given_up = inside >= LONG and abs(to_ns - high_ns) < WITH_NS
        if not (_pushes(fallen[max(0, a - BEFORE_NS // STEP_NS) : a]) and (_pushes(fallen[b : b + SOON]) or given_up)):
            continue
        from_ns = max(from_ns, low_ns)
        place = np.searchsorted(view.firings.time_ns, [from_ns, to_ns])
        lost = float(place[1] - place[0]) * view.engine.firings_per_revolution / view.firings.pulses_per_revolution
        strength = 10.0 * float(fallen[a:b].mean())
        found.append(Sign("weak_torque", "tach_pulses", from_ns, to_ns, lost, strength, from_ns - STEP_NS))
    return found


def _pushes(fallen: FloatArray) -> bool:
    """Whether the engine pushed at some grid point of a stretch."""
    return bool(fallen.size) and float(fallen.min()) < PUSHED


def _other_gear(motion: Motion, a: int, b: int) -> bool:
    """Whether a clutch or a change of gear explains the grid points a..b-1."""
    if (b - a) * STEP_NS >= SHIFT_NS:
        return False
    before, after = motion.speed[max(0, a - 3)], motion.speed[min(b + 3, motion.speed.size - 1)]
    ratio = float(after) / max(float(before), 0.1)
    return abs(ratio - 1.0) > SHIFTED or float(np.abs(motion.crank[a:b]).max()) > CLUTCH_RPS2
