"""A voltage's measuring wire that fails now and then: the recordings of an event vote on it.

Where the tach wire hangs on the crank its pulses do not tell a wire that came off from a coil without current: only a
crank that gains speed meanwhile does (electrical.py), and a driver brakes as often as he pulls. Over all stretches of
an event in which the voltage read nothing a driven engine about keeps its speed; a dead one loses it each time.
"""

from collections.abc import Sequence

import numpy as np

from logger.analysis.channels import electrical
from logger.analysis.channels.scene import Scene, running_spans, spans_of
from logger.analysis.findings import SensorFault
from logger.event import NS_PER_S, Engine, IntArray, Recording

VOLTAGES = ("battery_voltage", "ignition_feed_voltage")
# Of its speed a second, at most; a dead engine in gear loses two or three tenths (no source).
LOSES_PER_S = 0.1
FEWEST_S = 1.0
ENDING_NS = NS_PER_S  # before an engine stops: there the key is turned off


def liars(looked: Sequence[tuple[Recording, Sequence[SensorFault]]], engine: Engine) -> frozenset[str]:
    """The voltages whose reading of nothing is the wire's all day: proven in some recording, and all together allow it.

    looked: recordings of an event with the faults found in each by itself.
    """
    if not engine.tach_far_from_coil:
        return frozenset()
    proven = {fault.channel for _, faults in looked for fault in faults if fault.kind in ("open", "intermittent")}
    return frozenset(
        name for name in VOLTAGES if name in proven and _turned_on(name, [one for one, _ in looked], engine)
    )


def _turned_on(name: str, recordings: Sequence[Recording], engine: Engine) -> bool:
    gained = lasted = 0.0
    for recording in recordings:
        scene = Scene(recording, engine, running_spans(recording, engine), recording.traces)
        each, each_lasted = electrical.gains(scene, _dead(name, scene))
        gained, lasted = gained + float(each.sum()), lasted + float(each_lasted.sum())
    return lasted > FEWEST_S and gained > -LOSES_PER_S * lasted


def _dead(name: str, scene: Scene) -> IntArray:
    """Stretches in which a voltage read nothing while the engine ran, and not just before it stopped, ns, (m, 2)."""
    trace = scene.recording.traces.get(name)
    if trace is None or trace.time_ns.size < 2:
        return electrical.NO_SPANS
    spans = spans_of(scene.while_running(trace.value < electrical.COIL_DEAD_V, trace.time_ns))
    ends = trace.time_ns[spans[:, 1] - 1]
    left = scene.running_ns[:, 1][None, :] - ends[:, None]
    spans = spans[~((left >= -ENDING_NS) & (left < ENDING_NS)).any(axis=1)]
    return np.column_stack((trace.time_ns[spans[:, 0]], trace.time_ns[spans[:, 1] - 1]))
