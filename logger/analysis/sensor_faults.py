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
STUCK_BY_CHANCE = 1e-6
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
    nothing = np.zeros(time_ns.size, bool)
    excused = nothing if limits.electrical else electrical.supply_sags(time_ns, scene)
    absent, low, high, stuck = nothing, nothing, nothing, nothing
    for axis in trace.value.reshape(time_ns.size, -1).T:
        value = np.where(excused, np.nan, axis) if excused.any() else axis
        absent = absent | scene.while_running(np.isnan(axis) & ~excused, time_ns)
        stuck = stuck | _stuck(axis, time_ns, limits, scene)
        if limits.electrical:
            off_low, off_high = electrical.lies(name, value, time_ns, limits, scene)
        elif name == "fuel_pressure":
            off_low, off_high = _pressure_lies(value, time_ns, limits, scene)
        else:
            off_low, off_high = _off_scale(value, time_ns, limits, scene)
        low, high = low | off_low, high | off_high
    lies = _Lies(_after_warm_up(name, absent, time_ns, scene), low, high, stuck)
    return _name_faults(name, time_ns, lies, scene)


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

    Below the atmosphere by more than a tenth of the running pressure: an open wire reads -12.5 % of a full scale that
    lies above the running pressure. Gone from one sample to the next, 25 ms at most: a rail whose pump died empties
    through the injectors, and that takes longer; at lower rates it must also stay gone for 3 s under a running engine.
    Far above the running pressure from one sample to the next, or without the ripple that injection makes.
    """
    inside = np.concatenate([value[start:stop] for start, stop in scene.running_samples(time_ns)] or [value[:0]])
    inside = inside[:: max(1, inside.size // 20_000)]
    plain = inside[(inside > -limits.low) & (inside < 700.0)]
    usual = float(np.median(plain)) if plain.size else 0.0
    low = value < -max(-limits.low, 0.1 * usual)
    high = value > limits.high
    interval_ns = float(np.median(np.diff(time_ns[:2000])))
    if usual and interval_ns <= 0.11 * NS_PER_S and bool((np.abs(np.diff(value)) > 0.6 * usual).any()):
        low_step, high_step = _stepped(value, time_ns, 0.6 * usual, 0.0)
        shortest_ns = 0 if interval_ns <= 0.025 * NS_PER_S else 3 * NS_PER_S
        for start, stop in spans_of(scene.while_running(low_step, time_ns)).tolist():
            low[start:stop] |= time_ns[stop - 1] - time_ns[start] >= shortest_ns
        high |= high_step & (value > 1.5 * usual)
    ripple = float(np.median(np.abs(np.diff(plain)))) if plain.size > 1 else 0.0
    for start, stop in merge(spans_of(value > 1.5 * max(usual, 100.0)), 2).tolist():
        if stop - start >= 8 and np.nanmedian(np.abs(np.diff(value[start:stop]))) < 0.5 * ripple:
            high[start:stop] = True
    return scene.while_running(low, time_ns), scene.while_running(high, time_ns)


def _stuck(value: FloatArray, time_ns: IntArray, limits: Plausible, scene: Scene) -> BoolArray:
    """Samples that repeat the one before for longer than chance allows.

    Only a lively signal can be called stuck: one that before and after moves by more than its resolution. A coarse or
    quiet one may truthfully rest on one code for minutes, and so may any at the ends of its travel or scale.
    """
    stuck = np.zeros(value.size, bool)
    changes = np.flatnonzero(value[1:] != value[:-1]) + 1
    bounds = np.concatenate(([0], changes, [value.size]))
    interval_ns = float(np.median(np.diff(time_ns[:2000]))) or 1.0
    shortest = max(8, int(0.4 * NS_PER_S / interval_ns))
    long = np.flatnonzero(np.diff(bounds) >= shortest)
    if not long.size or np.isnan(value).all():
        return stuck
    ran = np.concatenate(
        [np.arange(first, last) for first, last in scene.running_samples(time_ns).tolist()] or [long[:0]]
    )
    ends = (float(np.nanmin(value)), float(np.nanmax(value)))
    for start, stop in np.column_stack((bounds[long], bounds[long + 1])).tolist():
        before, after = np.searchsorted(ran, [start, stop])
        held = float(value[start])
        if after - before < shortest or np.isnan(held) or (limits.electrical and held < DEAD_V):
            continue
        if stop - start == value.size:
            seconds = (after - before) * interval_ns / NS_PER_S
            stuck[start:stop] = limits.must_move_s is not None and seconds >= limits.must_move_s
        elif not limits.rests:
            stuck[start:stop] = _by_chance(value[ran], before, after) < STUCK_BY_CHANCE
        elif held not in ends and time_ns[stop - 1] - time_ns[start] > 1.5 * NS_PER_S:
            stuck[start:stop] = _by_chance_at_rest(value[ran], before, after) < STUCK_BY_CHANCE
    return scene.while_running(stuck, time_ns)


def _by_chance(value: FloatArray, start: int, stop: int) -> float:
    """Chance that a healthy signal somewhere repeats itself as long as from start to stop, judged by either side of it.

    1 where the signal there is not lively: hardly any of its changes are of two least steps or more.
    """
    share = 0.0
    reach = int(np.clip(stop - start, 60, 400))
    for side in (value[max(0, start - reach) : start], value[stop : stop + reach]):
        change = np.abs(np.diff(side[~np.isnan(side)]))
        if change.size < 10:
            continue
        if not change.any() or np.mean(change >= 1.9 * change[change > 0].min()) < 0.1:
            return 1.0
        share = max(share, (np.count_nonzero(change == 0) + 1.0) / (change.size + 2.0))
    return 1.0 if share == 0.0 or share > 0.7 else float(value.size * share ** (stop - start - 1))


def _by_chance_at_rest(value: FloatArray, start: int, stop: int) -> float:
    """As _by_chance, for what a foot can hold: judged by how the signal behaves elsewhere when it rests near there.

    Where it never did, by how seldom it repeats itself at all. A sensor without noise of its own proves nothing.
    """
    elsewhere = np.concatenate((value[:start], value[stop:]))
    if elsewhere.size < 60:
        return 1.0
    same = elsewhere[1:] == elsewhere[:-1]
    near = np.abs(elsewhere - value[start]) <= 0.03 * float(np.nanmax(value) - np.nanmin(value))
    resting = near[1:] & near[:-1]
    calm = same[resting] if np.count_nonzero(resting) >= 30 else same
    share = (np.count_nonzero(calm) + 1.0) / (calm.size + 2.0)
    return 1.0 if share > 0.35 else float(value.size * share ** (stop - start - 1))


def _name_faults(name: str, time_ns: IntArray, lies: _Lies, scene: Scene) -> list[SensorFault]:
    """Group lies into faults and give each its kind."""
    samples = spans_of(lies.any)
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
