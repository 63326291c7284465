"""Injections that did not come while the coil was fired: pulses missing on an injector's wire.

An injector opens once in a fixed number of crank revolutions (how many is read off the event itself). Where more than
one and a half times that angle passes without a pulse while the throttle is open, injections were left out. With the
throttle shut that is the usual cut of fuel on overrun and means nothing.
"""

import numpy as np

from logger.analysis.crank.states import State, View
from logger.analysis.signs.sign import Sign
from logger.analysis.signs.sparks import in_noise
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

LEFT_OUT = 1.6  # of the usual angle between injections
AROUND_NS = 120_000_000  # the throttle must have been open this long before
LOAD_AT_LEAST = 0.2
NOISE_NS = NS_PER_S // 2  # around noise on the tach wire nobody knows how far the crank turned


def signs(view: View) -> list[Sign]:
    """Stretches without injection while the engine pulled, as no_injection signs; empty without that wire or a load."""
    told = _angles(view) if view.load_channel is not None else None
    if told is None:
        return []
    turns, running, usual = told
    pulses, firings = view.recording.pulses["injector_pulses"], view.firings
    noisy = in_noise(firings)
    found = []
    for k in np.flatnonzero(running & (turns > LEFT_OUT * usual)).tolist():
        expected_ns = int(pulses[k] + (pulses[k + 1] - pulses[k]) * usual / turns[k])
        until_ns = int(pulses[k + 1])
        first, last = np.searchsorted(firings.time_ns, [expected_ns - AROUND_NS, until_ns])
        load, state = view.load[first:last], view.state[first:last]
        if noisy[slice(*np.searchsorted(firings.time_ns, [expected_ns - NOISE_NS, until_ns + NOISE_NS]))].any():
            continue
        if load.size and float(load.min()) > LOAD_AT_LEAST and bool((state >= State.IDLE).all()):
            lost = (turns[k] / usual - 1.0) * usual * view.engine.firings_per_revolution
            found.append(
                Sign("no_injection", "injector_pulses", expected_ns, until_ns, float(lost), float(lost), int(pulses[k]))
            )
    return found


def went_on(view: View) -> BoolArray:
    """Whether injections kept coming around each firing, (n,): fuel that no one cut; False without that wire."""
    told, time_ns = _angles(view), view.firings.time_ns
    if told is None:
        return np.zeros(time_ns.size, bool)
    turns, running, usual = told
    pulses = view.recording.pulses["injector_pulses"]
    good = np.concatenate(([False], running & (turns < LEFT_OUT * usual), [False]))
    return np.asarray(good[np.searchsorted(pulses, time_ns, side="right")])


def _angles(view: View) -> tuple[FloatArray, BoolArray, float] | None:
    """Crank revolutions from each injection to the next, (m,), whether the engine ran then, and their usual number;
    None where no such wire tells."""
    pulses = view.recording.pulses.get("injector_pulses")
    if pulses is None or pulses.size < 100 or view.firings.time_ns.size < 200:
        return None
    turns = np.diff(_revolutions(view, pulses))
    running = view.running[_place(view, pulses[:-1])]
    if np.count_nonzero(running) < 50:
        return None
    return turns, running, float(np.median(turns[running]))


def _place(view: View, time_ns: IntArray) -> IntArray:
    return np.clip(np.searchsorted(view.firings.time_ns, time_ns), 0, view.firings.time_ns.size - 1)


def _revolutions(view: View, time_ns: IntArray) -> FloatArray:
    """Crank revolutions since the first pulse at the given times, (n,), from the tach pulses."""
    firings = view.firings
    count = np.arange(firings.time_ns.size, dtype=np.float64)
    return np.asarray(np.interp(time_ns, firings.time_ns, count) / firings.pulses_per_revolution)
