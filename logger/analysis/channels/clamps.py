"""Pulse inputs beside the tach wire that fell silent while the engine pulled on: a clamp that slipped off, a wire gone.

A spark that is truly missing costs combustion, so a clamp is only said to have failed where the engine did what it
cannot do without: gained speed, or held it for longer than any car rolls on. Injectors are silent on the overrun; there
only gained speed counts. An independent crank pick-up has no reason to fall silent while the coil fires.
"""

import numpy as np

from logger.analysis.channels.scene import Scene
from logger.analysis.findings import SensorFault
from logger.event import NS_PER_S, IntArray

CLAMPED = ("spark_pulses", "injector_pulses", "crank_pulses")
SHORTEST_S = 1.5
# Without spark an engine does not hold its speed this long, in gear or out of it (common practice, no source).
HOLDS_SPEED_S = 4.0


def silences(scene: Scene) -> list[SensorFault]:
    """Faults of the pulse inputs of a recording, in order of channel and time.

    An input that gave no pulse at all was not connected: no fault is reported.
    """
    faults = []
    for name in CLAMPED:
        pulses = scene.recording.pulses.get(name)
        if pulses is None or not pulses.size:
            continue
        for start, stop in _quiet(pulses, scene).tolist():
            if _engine_pulled_on(name, start, stop, scene):
                note = "no pulse from it while the engine pulled on"
                faults.append(SensorFault(scene.recording.name, name, start / NS_PER_S, stop / NS_PER_S, "open", note))
    return faults


def _quiet(pulses: IntArray, scene: Scene) -> IntArray:
    """Stretches without a pulse within running, nanoseconds, shape (m, 2)."""
    found = []
    for begin, end in scene.running_ns.tolist():
        inside = pulses[np.searchsorted(pulses, begin) : np.searchsorted(pulses, end)]
        bounds = np.concatenate(([begin], inside, [end]))
        at = np.flatnonzero(np.diff(bounds) > SHORTEST_S * NS_PER_S)
        found.append(np.column_stack((bounds[at], bounds[at + 1])))
    return np.concatenate(found).astype(np.int64) if found else np.empty((0, 2), np.int64)


def _engine_pulled_on(name: str, start: int, stop: int, scene: Scene) -> bool:
    tach = scene.recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    middle = (start + stop) // 2
    first, half, last = np.searchsorted(tach, [start, middle, stop])
    if last - first < 20:
        return False
    if name == "crank_pulses" or scene.pulls(start + NS_PER_S // 2, stop):
        return True
    held = last - half > 0.85 * (half - first)
    return name == "spark_pulses" and held and stop - start > HOLDS_SPEED_S * NS_PER_S
