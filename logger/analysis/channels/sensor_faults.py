"""Sensors and their wires that failed while the engine ran on, told apart from a car that really failed.

A reading is a lie where it is absent, off the end of its sensor's scale, moves faster than the quantity can, repeats
itself exactly where it never did before, or contradicts what else was measured (electrical.py). What a sagging 5 V
supply does to the sensors it feeds is charged to the supply. Not detected: a sensor that is wrong yet plausible (an
offset, a slow drift), and anything while the engine stands. Faults of the tach wire belong to the pulse analysis.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from logger.analysis.channels import clamps, electrical, frozen, off_scale
from logger.analysis.channels.plausible import PLAUSIBLE
from logger.analysis.channels.scene import Scene, interval_ns, merge, running_spans, spans_of
from logger.analysis.findings import FaultKind, SensorFault
from logger.event import NS_PER_S, BoolArray, Engine, IntArray, Recording, Trace

# Dropouts of one bad contact closer together than this are one fault.
TOGETHER_NS = 2 * NS_PER_S
# A lie that begins no longer than this before the engine stops, and ends with it, is the key being turned off.
DYING_NS = NS_PER_S
FAST_NS = NS_PER_S // 20
WARM_UP_NS = 90 * NS_PER_S
_ORDER = ("battery_voltage", "ignition_feed_voltage", "pump_feed_voltage", "sensor_supply_voltage")


@dataclass(frozen=True, slots=True)
class _Lies:
    """Samples at which one channel lied, by how; boolean masks, each shape (n,)."""

    absent: BoolArray
    low: BoolArray
    high: BoolArray
    stuck: BoolArray

    @property
    def any(self) -> BoolArray:
        return self.absent | self.low | self.high | self.stuck


def find(
    recording: Recording,
    engine: Engine,
    running: list[tuple[float, float]] | None = None,
    liars: frozenset[str] = frozenset(),
) -> list[SensorFault]:
    """Faults of the sampled channels and of the pulse inputs beside the tach wire, in order of channel and time.

    running: where the engine ran, seconds; worked out from the tach pulses where not given. liars: voltages whose wire
    is known to come off (taps.py).
    """
    running_ns = (
        running_spans(recording, engine)
        if running is None
        else np.array([(a * NS_PER_S, b * NS_PER_S) for a, b in running]).astype(np.int64).reshape(-1, 2)
    )
    if not len(running_ns):
        return []
    faults: list[SensorFault] = []
    trusted = dict(recording.traces)
    scene = Scene(recording, engine, running_ns, trusted, liars)
    for name in _ORDER:  # a frozen voltage must not bear witness against another
        if name in trusted and trusted[name].time_ns.size >= 3:
            trusted[name] = _without_frozen(name, trusted[name], scene)
    sags_ns: IntArray | None = None
    for name in sorted(recording.traces, key=lambda name: _ORDER.index(name) if name in _ORDER else len(_ORDER)):
        trace = recording.traces[name]
        if name not in PLAUSIBLE or trace.time_ns.size < 3:
            continue
        if sags_ns is None and not PLAUSIBLE[name].electrical:
            sags_ns = electrical.supply_sags(scene)  # the voltages have been judged by now
        found = _judge(name, trace, scene, sags_ns)
        trusted[name] = mask(trace, found)
        faults += found
    return faults + clamps.silences(scene)


def _without_frozen(name: str, trace: Trace, scene: Scene) -> Trace:
    stuck = frozen.stuck(trace.value, trace.time_ns, np.zeros(trace.time_ns.size, bool), PLAUSIBLE[name], scene)
    return replace(trace, value=np.where(stuck, np.nan, trace.value)) if stuck.any() else trace


def mask(trace: Trace, faults: list[SensorFault]) -> Trace:
    """The trace with NaN where its sensor lied, so that the analysis goes on with what is left.

    faults: those of this channel in this recording. The sample before and after each is blanked too: what a filter
    makes of the edge of a lie is a lie as well.
    """
    if not faults or trace.time_ns.size == 0:
        return trace
    value = trace.value.copy()
    for fault in faults:
        first = np.searchsorted(trace.time_ns, round(fault.from_s * NS_PER_S)) - 1
        last = np.searchsorted(trace.time_ns, round(fault.to_s * NS_PER_S), side="right") + 1
        value[max(first, 0) : last] = np.nan
    return replace(trace, value=value)


def gaps(recording: Recording) -> list[dict[str, Any]]:
    """Stretches without rows: {"channel": name or "all", "from_s", "to_s"}, in order of time.

    A gap is five sample intervals and a quarter of a second, or more; "all" where every sampled channel has it and no
    tach pulse falls into it. Gaps that the recorder noted itself are listed with the reason it gave.
    """
    is_part = recording.goes_on or recording.from_ns > 0  # what is absent from it is there elsewhere
    noted: list[dict[str, Any]] = [
        {"channel": gap.channel, "from_s": gap.from_ns / NS_PER_S, "to_s": gap.to_ns / NS_PER_S, "why": gap.why}
        for gap in recording.gaps
    ]
    missing = {
        name: _missing(trace.time_ns, recording)
        for name, trace in recording.traces.items()
        if name != "key_sense" and (trace.time_ns.size >= 3 or is_part)
    }
    if not missing:
        return noted
    # A channel sampled once a second cannot tell a gap of two; where there are faster ones, they decide.
    fast = [name for name in missing if interval_ns(recording.traces[name].time_ns) <= FAST_NS]
    deciding = [missing[name] for name in fast or missing]
    shared = min(deciding, key=len)
    for spans in deciding:
        shared = shared[_overlapping(shared, spans)]
    shared = shared[~_pulses_inside(shared, recording.pulses.get("tach_pulses", np.empty(0, np.int64)))]
    found = []
    for name, spans in {"all": shared, **missing}.items():
        known = [[gap.from_ns, gap.to_ns] for gap in recording.gaps if gap.channel in (name, "all")]
        new = spans[~_overlapping(spans, np.array(sorted(known), np.int64).reshape(-1, 2))]
        if name != "all":
            new = new[~_overlapping(new, shared)]
        found += [{"channel": name, "from_s": a / NS_PER_S, "to_s": b / NS_PER_S} for a, b in new.tolist()]
    return sorted(noted + found, key=lambda gap: (gap["from_s"], gap["channel"]))


def _missing(time_ns: IntArray, recording: Recording) -> IntArray:
    longest = max(5 * interval_ns(time_ns), NS_PER_S // 4)
    end_ns = max([recording.duration_ns, *time_ns[-1:].tolist()])
    bounds = np.concatenate(([recording.from_ns], time_ns, [end_ns]))
    at = np.flatnonzero(np.diff(bounds) > longest)
    return merge(np.column_stack((bounds[at], bounds[at + 1])), longest)


def _pulses_inside(spans: IntArray, pulses: IntArray) -> BoolArray:
    """Which spans, shape (m, 2), hold a pulse in their middle four fifths."""
    edge = (spans[:, 1] - spans[:, 0]) // 10
    return np.asarray(np.searchsorted(pulses, spans[:, 0] + edge) < np.searchsorted(pulses, spans[:, 1] - edge))


def _overlapping(spans: IntArray, others: IntArray) -> BoolArray:
    """Which of sorted spans, shape (m, 2), share time with any of the sorted others."""
    if not len(others):
        return np.zeros(len(spans), bool)
    before = np.searchsorted(others[:, 0], spans[:, 1]) - 1
    return np.asarray((before >= 0) & (others[before, 1] > spans[:, 0]))


def _judge(name: str, trace: Trace, scene: Scene, sags_ns: IntArray | None) -> list[SensorFault]:
    """Judge one channel: gather its lies, drop what the supply is to blame for, and name what is left.

    sags_ns: stretches in which it is, (m, 2); None for a voltage."""
    limits = PLAUSIBLE[name]
    time_ns = trace.time_ns
    nothing = np.zeros(time_ns.size, bool)
    excused = nothing if sags_ns is None or limits.electrical else electrical.during(sags_ns, time_ns)
    absent, low, high, stuck = nothing, nothing, nothing, nothing
    for axis in trace.value.reshape(time_ns.size, -1).T:
        value = np.where(excused, np.nan, axis) if excused.any() else axis
        absent = absent | scene.while_running(np.isnan(axis) & ~excused, time_ns)
        stuck = stuck | frozen.stuck(axis, time_ns, excused, limits, scene)
        if limits.electrical:
            off_low, off_high = electrical.lies(name, value, time_ns, limits, scene)
        elif name == "fuel_pressure":
            off_low, off_high = off_scale.pressure_lies(value, time_ns, limits, scene)
        elif name == "air_fuel_ratio":
            off_low, off_high = off_scale.probe_lies(value, time_ns, limits, scene)
        else:
            off_low, off_high = off_scale.off_scale(value, time_ns, limits, scene)
        low, high = low | off_low, high | off_high
    if name == "acceleration":
        low = low | off_scale.weightless(trace.value, time_ns, scene)
    if name == "air_fuel_ratio":
        absent = absent & ~_warming_up(trace, scene)
    return _name_faults(name, time_ns, _Lies(absent, low, high, stuck), scene)


def _warming_up(trace: Trace, scene: Scene) -> BoolArray:
    """Samples before a lambda probe's first value: until it is hot it gives none, for up to 90 s from the start."""
    given = np.flatnonzero(~np.isnan(trace.value))
    cold = np.zeros(trace.time_ns.size, bool)
    if given.size and trace.time_ns[given[0]] <= scene.running_ns[0, 0] + WARM_UP_NS:
        cold[: given[0]] = True
    return cold


def _name_faults(name: str, time_ns: IntArray, lies: _Lies, scene: Scene) -> list[SensorFault]:
    """Group lies into faults and give each its kind."""
    samples = spans_of(lies.any)
    if not len(samples):
        return []
    step_ns = interval_ns(time_ns)
    spans_ns = np.column_stack((time_ns[samples[:, 0]], time_ns[samples[:, 1] - 1] + step_ns))
    groups = merge(spans_ns, max(TOGETHER_NS, 5 * step_ns))
    enough_alone = 2
    faults = []
    for start, stop in groups.tolist():
        member = (spans_ns[:, 0] >= start) & (spans_ns[:, 1] <= stop)
        counted = int((samples[member, 1] - samples[member, 0]).sum())
        if counted < enough_alone or _dying(start, stop - step_ns, scene.running_ns):
            continue
        first, last = int(samples[member][0, 0]), int(samples[member][-1, 1])
        kind = _kind(lies, first, last, int(member.sum()), counted)
        faults.append(SensorFault(scene.recording.name, name, start / NS_PER_S, stop / NS_PER_S, kind, _NOTES[kind]))
    return faults


def _dying(start_ns: int, stop_ns: int, running_ns: IntArray) -> bool:
    """Whether a lie is confined to the last second of a stretch of running."""
    left = running_ns[:, 1] - start_ns
    return bool(((left >= 0) & (left < DYING_NS) & (running_ns[:, 1] >= stop_ns)).any())


def _kind(lies: _Lies, first: int, last: int, stretches: int, counted: int) -> FaultKind:
    if stretches >= 3 and counted < 0.9 * (last - first):
        return "intermittent"
    lied = {
        "open": lies.absent | lies.low,
        "short": lies.high,
        "stuck": lies.stuck & ~(lies.absent | lies.low | lies.high),
    }
    kinds: tuple[FaultKind, ...] = ("open", "short", "stuck")
    return max(kinds, key=lambda kind: int(np.count_nonzero(lied[kind][first:last])))


_NOTES: dict[FaultKind, str] = {
    "open": "nothing, or the reading of an open wire, while the engine ran on",
    "short": "reads off the top of its scale while the engine ran on",
    "stuck": "repeated one value exactly while the engine ran on",
    "intermittent": "came and went, as a bad contact does, while the engine ran on",
}
