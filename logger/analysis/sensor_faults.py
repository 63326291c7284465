"""Sensors and their wires that failed while the engine ran on, told apart from a car that really failed.

A reading is a lie where it is absent, off the end of its sensor's scale, moves faster than the quantity can, repeats
itself exactly where it never did before, or contradicts what else was measured (electrical.py). What a sagging 5 V
supply does to the sensors it feeds is charged to the supply. Not detected: a sensor that is wrong yet plausible (an
offset, a slow drift), and anything while the engine stands. Faults of the tach wire belong to the pulse analysis.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from logger.analysis import electrical
from logger.analysis.findings import FaultKind, SensorFault
from logger.analysis.plausible import PLAUSIBLE, Plausible
from logger.analysis.scene import Scene, merge, running_spans, spans_of
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray, Recording, Trace

# Dropouts of one bad contact closer together than this are one fault.
TOGETHER_NS = 2 * NS_PER_S
# A lie that starts this shortly before the engine stops is the key being turned off under the sensors.
DYING_NS = NS_PER_S
# Chance, per recording, that a healthy noisy signal repeats itself long enough to be called stuck.
STUCK_BY_CHANCE = 1e-7
# A voltage that rests at nothing is dead, not stuck.
DEAD_V = 1.0
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


def find(recording: Recording, engine: Engine, running: list[tuple[float, float]] | None = None) -> list[SensorFault]:
    """Faults of the sampled channels of one recording, in order of channel and time.

    running: where the engine ran, seconds; worked out from the tach pulses where not given.
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
    scene = Scene(recording, engine, running_ns, trusted)
    for name in sorted(recording.traces, key=lambda name: _ORDER.index(name) if name in _ORDER else len(_ORDER)):
        trace = recording.traces[name]
        if name not in PLAUSIBLE or trace.time_ns.size < 3:
            continue
        found = _judge(name, trace, scene)
        trusted[name] = mask(trace, found)
        faults += found
    return faults


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
    noted = [
        {"channel": gap.channel, "from_s": gap.from_ns / NS_PER_S, "to_s": gap.to_ns / NS_PER_S, "why": gap.why}
        for gap in recording.gaps
    ]
    missing = {
        name: _missing(trace.time_ns, recording.duration_ns)
        for name, trace in recording.traces.items()
        if name != "key_sense" and trace.time_ns.size >= 3
    }
    pulses = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    found: list[dict[str, Any]] = []
    for name, spans in missing.items():
        for start, stop in spans.tolist():
            shared = all(_overlaps(other, start, stop) for other in missing.values())
            silent = np.searchsorted(pulses, stop) - np.searchsorted(pulses, start) <= 1
            channel = "all" if shared and silent else name
            if any(gap["channel"] in (channel, "all") and _same(gap, start, stop) for gap in noted + found):
                continue
            found.append({"channel": channel, "from_s": start / NS_PER_S, "to_s": stop / NS_PER_S})
    return sorted(noted + found, key=lambda gap: (gap["from_s"], gap["channel"]))


def _missing(time_ns: IntArray, duration_ns: int) -> IntArray:
    steps = np.diff(time_ns)
    longest = max(5 * int(np.median(steps[:20_000])), NS_PER_S // 4)
    bounds = np.concatenate(([0], time_ns, [max(duration_ns, int(time_ns[-1]))]))
    at = np.flatnonzero(np.diff(bounds) > longest)
    return np.column_stack((bounds[at], bounds[at + 1]))


def _overlaps(spans: IntArray, start: int, stop: int) -> bool:
    return bool(((spans[:, 0] < stop) & (spans[:, 1] > start)).any())


def _same(gap: dict[str, Any], start: int, stop: int) -> bool:
    return bool(gap["from_s"] * NS_PER_S < stop and gap["to_s"] * NS_PER_S > start)


def _judge(name: str, trace: Trace, scene: Scene) -> list[SensorFault]:
    """Judge one channel: gather its lies, drop what the supply is to blame for, and name what is left."""
    limits = PLAUSIBLE[name]
    time_ns = trace.time_ns
    axes = trace.value.reshape(time_ns.size, -1).T
    nothing = np.zeros(time_ns.size, bool)
    absent, low, high, stuck = nothing, nothing, nothing, nothing
    for value in axes:
        absent = absent | scene.while_running(np.isnan(value), time_ns)
        stuck = stuck | _stuck(value, time_ns, limits, scene)
        if limits.electrical:
            off_low, off_high = electrical.lies(name, value, time_ns, limits, scene)
        elif name == "fuel_pressure":
            off_low, off_high = _pressure_lies(value, time_ns, limits, scene)
        else:
            off_low, off_high = _off_scale(value, time_ns, limits, scene)
        low, high = low | off_low, high | off_high
    lies = _Lies(_after_warm_up(name, absent, time_ns, scene), low, high, stuck)
    excused = nothing if limits.electrical else electrical.supply_sags(time_ns, scene)
    return _name_faults(name, time_ns, lies, excused, scene)


def _after_warm_up(name: str, absent: BoolArray, time_ns: IntArray, scene: Scene) -> BoolArray:
    """A lambda probe gives nothing until it is hot: up to 90 s after the start that is no fault."""
    if name != "air_fuel_ratio" or not absent.any() or absent.all():
        return absent
    first_value = int(np.argmin(absent))
    started = int(scene.running_ns[0, 0])
    after = absent.copy()
    if time_ns[first_value] <= started + 90 * NS_PER_S:
        after[:first_value] = False
    return after


def _off_scale(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> tuple[BoolArray, BoolArray]:
    """Samples below and above what the sensor can say, and stretches reached by a step the quantity cannot make."""
    low = scene.while_running(value < limits.low, time_ns)
    high = scene.while_running(value > limits.high, time_ns)
    if limits.step is not None:
        step_low, step_high = _stepped(value, time_ns, limits.step, limits.rate_per_s)
        low |= scene.while_running(step_low, time_ns)
        high |= scene.while_running(step_high, time_ns)
    return low, high


def _stepped(value: FloatArray, time_ns: IntArray, step: float, rate_per_s: float) -> tuple[BoolArray, BoolArray]:
    """Stretches entered by an impossible step down or up, until a step comes back or, if none does, to the end."""
    low, high = np.zeros(value.size, bool), np.zeros(value.size, bool)
    given = np.flatnonzero(~np.isnan(value))
    if given.size < 2:
        return low, high
    jump = np.diff(value[given])
    limit = step + rate_per_s * np.diff(time_ns[given]) / NS_PER_S
    (at,) = np.nonzero(np.abs(jump) > limit)
    level: float | None = None
    begin, sign = 0, 0.0
    for k in at.tolist():
        if level is None:
            level, begin, sign = float(value[given[k]]), k + 1, float(np.sign(jump[k]))
            continue
        allowed = step + rate_per_s * (time_ns[given[k]] - time_ns[given[begin]]) / NS_PER_S
        if np.sign(jump[k]) != sign and abs(value[given[k + 1]] - level) <= allowed:
            (high if sign > 0 else low)[given[begin] : given[k] + 1] = True
            level = None
    if level is not None:
        (high if sign > 0 else low)[given[begin] :] = True
    return low, high


def _pressure_lies(
    value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene
) -> tuple[BoolArray, BoolArray]:
    """Rail pressure that no rail can have.

    Below the atmosphere by more than a tenth of the running pressure (an open wire reads -12.5 % of a full scale that
    lies above the running pressure); or, reached by a jump of more than 60 % of the running pressure between samples
    no more than 25 ms apart, anything: a rail with its pump dead empties through the injectors, and that takes longer;
    or far above and without the ripple that injection makes.
    """
    inside = np.concatenate([value[start:stop] for start, stop in scene.running_samples(time_ns)] or [value[:0]])
    inside = inside[:: max(1, inside.size // 20_000)]
    plain = inside[(inside > -limits.low) & (inside < 700.0)]
    usual = float(np.median(plain)) if plain.size else 0.0
    low = value < -max(-limits.low, 0.1 * usual)
    high = value > limits.high
    if usual:
        low_step, high_step = _fast_jumps(value, time_ns, 0.6 * usual)
        low |= low_step
        high |= high_step
    above = spans_of(value > 1.5 * max(usual, 100.0))
    ripple = float(np.median(np.abs(np.diff(plain)))) if plain.size > 1 else 0.0
    for start, stop in merge(above, 2).tolist():
        piece = value[start:stop]
        if stop - start >= 8 and np.nanmedian(np.abs(np.diff(piece))) < 0.5 * ripple:
            high[start:stop] = True
    return scene.while_running(low, time_ns), scene.while_running(high, time_ns)


def _fast_jumps(value: FloatArray, time_ns: IntArray, step: float) -> tuple[BoolArray, BoolArray]:
    """As _stepped, for jumps between neighbouring samples no more than 25 ms apart."""
    jumps = np.abs(np.diff(value)) > step
    if not jumps.any() or float(np.median(np.diff(time_ns[:2000]))) > 0.025 * NS_PER_S:
        return np.zeros(value.size, bool), np.zeros(value.size, bool)
    return _stepped(value, time_ns, step, 0.0)


def _stuck(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> BoolArray:
    """Samples that repeat the one before for longer than chance allows.

    How often the signal repeats itself is counted around each candidate, once a repeat has happened, so that a coarse
    or filtered signal, which repeats often, must repeat very long. Values held at the ends of travel or scale are no
    evidence.
    """
    stuck = np.zeros(value.size, bool)
    changes = np.flatnonzero(value[1:] != value[:-1]) + 1
    bounds = np.concatenate(([0], changes, [value.size]))
    lengths = np.diff(bounds)
    interval_ns = float(np.median(np.diff(time_ns[:2000]))) or 1.0
    shortest = max(8, int(0.4 * NS_PER_S / interval_ns))
    ends = (float(np.nanmin(value)), float(np.nanmax(value))) if not np.isnan(value).all() else (np.nan, np.nan)
    spans = np.column_stack((bounds[:-1], bounds[1:]))[lengths >= shortest]
    running = scene.running_samples(time_ns)
    for start, stop in spans.tolist():
        ran = int(np.clip(np.minimum(running[:, 1], stop) - np.maximum(running[:, 0], start), 0, None).sum())
        held = float(value[start])
        if ran < shortest or np.isnan(held):
            continue
        if (limits.rests and _at_an_end(held, ends)) or (limits.electrical and held < DEAD_V):
            continue
        if stop - start == value.size:
            seconds = ran * interval_ns / NS_PER_S
            stuck[start:stop] = limits.must_move_s is not None and seconds >= limits.must_move_s
        elif _by_chance(value, start, stop, ran) < STUCK_BY_CHANCE:
            stuck[start:stop] = True
    return scene.while_running(stuck, time_ns)


def _at_an_end(held: float, ends: tuple[float, float]) -> bool:
    margin = 0.02 * (ends[1] - ends[0])
    return held <= ends[0] + margin or held >= ends[1] - margin


def _by_chance(value: FloatArray, start: int, stop: int, length: int) -> float:
    """Chance that a healthy signal somewhere repeats itself `length` times, judged by the neighbourhood."""
    worst = 0.0
    reach = max(40, min(length, 2000))
    for piece in (value[max(0, start - reach) : start], value[stop : stop + reach]):
        if piece.size < 10:
            continue
        same = piece[1:] == piece[:-1]
        again = (np.count_nonzero(same[1:] & same[:-1]) + 1.0) / (np.count_nonzero(same[:-1]) + 2.0)
        worst = max(worst, again, (np.count_nonzero(same) + 1.0) / (same.size + 2.0))
    return 1.0 if worst == 0.0 else float(value.size * worst ** (length - 1))


def _name_faults(name: str, time_ns: IntArray, lies: _Lies, excused: BoolArray, scene: Scene) -> list[SensorFault]:
    """Group lies into faults and give each its kind."""
    samples = spans_of(lies.any & ~excused)
    if not len(samples):
        return []
    interval_ns = int(np.median(np.diff(time_ns[:2000])))
    spans_ns = np.column_stack((time_ns[samples[:, 0]], time_ns[samples[:, 1] - 1] + interval_ns))
    groups = merge(spans_ns, TOGETHER_NS)
    enough_alone = 2
    faults = []
    for start, stop in groups.tolist():
        member = (spans_ns[:, 0] >= start) & (spans_ns[:, 1] <= stop)
        counted = int((samples[member, 1] - samples[member, 0]).sum())
        if counted < enough_alone or _dying(start, scene.running_ns):
            continue
        first, last = int(samples[member][0, 0]), int(samples[member][-1, 1])
        kind = _kind(lies, first, last, int(member.sum()), counted)
        faults.append(SensorFault(scene.recording.name, name, start / NS_PER_S, stop / NS_PER_S, kind, _NOTES[kind]))
    return faults


def _dying(start_ns: int, running_ns: IntArray) -> bool:
    """Whether a lie begins in the last second of a stretch of running."""
    left = running_ns[:, 1] - start_ns
    return bool(((left >= 0) & (left < DYING_NS)).any())


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
