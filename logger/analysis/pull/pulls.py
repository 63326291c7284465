"""Full-load pulls on the road or a dyno, as curves of how fast the crank gains speed.

    find(event, running, stumbles=()) -> list[Pull]         pulls_compared.py lays them over each other

A pull is at least MINIMUM_S of rising crank speed in one gear over at least MINIMUM_RATIO in speed, with the throttle
nearly as wide as it ever opened in the event (where it is measured). What its torque follows from: pull.py. Road drag,
slope and the engine's own inertia are in it: pulls compare on the same stretch or dyno, and only coarsely elsewhere.
Curves are corrected to standard air (air.py).

Gears are told apart by forward acceleration over dω/dt where acceleration shows it, else by how fast speed rises.
A stretch that begins at idle is a launch, where clutch and wheels slip, and is left out. What it does not find: pulls
with a stumble in which speed falls by more than a quarter, or that take longer than BRIDGED_S to go on.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import minimum_filter1d
from scipy.signal import savgol_filter

from logger.analysis.findings import Stumble
from logger.analysis.links.frames import Interval
from logger.analysis.links.temperature import on_grid
from logger.analysis.medians import median
from logger.analysis.pull import air
from logger.analysis.pull.pull import Pull, Warmth
from logger.event import NS_PER_S, BoolArray, Engine, Event, FloatArray, IntArray, Recording, Trace

MINIMUM_S = 1.2
MINIMUM_RATIO = 1.25
FULL_SHARE = 0.9
BRIDGED_S = 1.0
GRID_S = 0.02
SMOOTH_S = 0.5
BIN_RPM = 250.0
WARM_DEGC, HOT_DEGC = 70.0, 92.0
GEAR_STEP = 1.2
LAUNCH_S = 0.6
BEGUN_S = 0.2
LEAST_IN_BIN = 5


def find(
    event: Event,
    running: Sequence[Sequence[Interval]],
    stumbles: Sequence[Stumble] = (),
    *,
    standard: air.Standard = "SAE J1349",
    pressure_kpa: float = air.DEFAULT_PRESSURE_KPA,
    temperature_degc: float = air.DEFAULT_TEMPERATURE_DEGC,
    vapour_kpa: float = 0.0,
) -> list[Pull]:
    """All pulls of an event in time order. Weather as entered, or the standard's own; where intake air is measured,
    its temperature at each pull takes the place of the entered one."""
    given = Air(standard, pressure_kpa, temperature_degc, vapour_kpa)
    full = full_throttle([widest_throttle(recording) for recording in event.recordings])
    pulls = []
    for recording, spans in zip(event.recordings, running, strict=True):
        pulls += of_recording(recording, event.engine, spans, stumbles, full, given)
    return geared(pulls)


@dataclass(frozen=True, slots=True)
class Air:
    """The air that an event's curves are corrected from, and by which standard."""

    standard: air.Standard = "SAE J1349"
    pressure_kpa: float = air.DEFAULT_PRESSURE_KPA
    temperature_degc: float = air.DEFAULT_TEMPERATURE_DEGC
    vapour_kpa: float = 0.0


def of_recording(
    recording: Recording,
    engine: Engine,
    running: Sequence[Interval],
    stumbles: Sequence[Stumble],
    full: float | None,
    given: Air,
) -> list[Pull]:
    """The pulls of one recording, or of a part of it, their gears not yet told apart. full: from full_throttle."""
    mine = [s for s in stumbles if s.recording == recording.name]
    time_s, speed = _speed(recording, engine)
    wide = _wide_open(recording, time_s, full)
    stretches = _stretches(time_s, speed, wide, engine, running, mine)
    intakes = _means_at(recording.traces.get("intake_temperature"), stretches)
    coolants = _means_at(recording.traces.get("coolant_temperature"), stretches)
    pulls = []
    for (from_s, to_s), intake, coolant in zip(stretches, intakes, coolants, strict=True):
        factor = air.correction(
            given.standard, given.pressure_kpa, given.temperature_degc if intake is None else intake, given.vapour_kpa
        )
        first, last = np.searchsorted(time_s, [from_s - SMOOTH_S, to_s + SMOOTH_S])
        part = slice(first, last)
        pull = _curve(recording, time_s[part], speed[part], wide[part], from_s, to_s, mine, coolant, factor)
        if pull is not None:
            pulls.append(pull)
    return pulls


def widest_throttle(recording: Recording) -> float | None:
    """The widest opening of the throttle in a recording, but for half a per cent; None where it is not measured."""
    throttle = recording.traces.get("throttle_position")
    if throttle is None or not np.isfinite(throttle.value).any():
        return None
    return float(np.percentile(throttle.value[np.isfinite(throttle.value)], 99.5))


def full_throttle(widest: Sequence[float | None]) -> float | None:
    """The opening from which the throttle counts as full: a share of the widest seen, or None where not measured."""
    wide = [one for one in widest if one is not None]
    return FULL_SHARE * max(wide) if wide and max(wide) > 30 else None


def _stretches(
    time_s: FloatArray,
    speed: FloatArray,
    wide: BoolArray,
    engine: Engine,
    running: Sequence[Interval],
    stumbles: Sequence[Stumble],
) -> list[Interval]:
    """Stretches of rising speed under load; those that only a stumble parts are one. wide: from _wide_open, (n,)."""
    if time_s.size < MINIMUM_S / GRID_S:
        return []
    rate = np.gradient(speed, GRID_S)
    rising: BoolArray = (rate > 0.02 * speed) & (speed > 1.2 * (engine.idle_rpm or 0.0))
    rising &= _inside_any(time_s, running)
    rising &= wide
    edges = np.flatnonzero(np.diff(np.concatenate([[False], rising, [False]]).astype(int)))
    pieces = [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if not _is_launch(speed, int(a), engine)]
    joined: list[tuple[int, int]] = []
    for first, last in pieces:
        if joined and _parted_by_stumble(time_s, speed, joined[-1], (first, last), stumbles):
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return [
        (float(time_s[first]), float(time_s[last - 1]))
        for first, last in joined
        if (last - first) * GRID_S >= MINIMUM_S and speed[last - 1] >= MINIMUM_RATIO * speed[first]
    ]


def _wide_open(recording: Recording, time_s: FloatArray, full: float | None) -> BoolArray:
    """Where the throttle is full, (n,); everywhere where it is not measured."""
    throttle = recording.traces.get("throttle_position")
    if full is None or throttle is None or not np.isfinite(throttle.value).any():
        return np.ones(time_s.size, dtype=bool)
    good = np.isfinite(throttle.value)
    return np.interp(time_s, throttle.time_ns[good] / NS_PER_S, throttle.value[good]) >= full


def _is_launch(speed: FloatArray, first: int, engine: Engine) -> bool:
    """Whether the crank stood at idle right before: then clutch and wheels slip, and the gain is not torque."""
    before = speed[max(0, first - int(LAUNCH_S / GRID_S)) : first + 1]
    return bool(before.min() < 1.35 * (engine.idle_rpm or 0.0))


def _parted_by_stumble(
    time_s: FloatArray, speed: FloatArray, one: tuple[int, int], other: tuple[int, int], stumbles: Sequence[Stumble]
) -> bool:
    """Whether a stumble lies between two stretches, and the second goes on from about where the first ended."""
    from_s, to_s = time_s[one[1] - 1] - 0.3, time_s[min(other[0], time_s.size - 1)] + 0.3
    near = to_s - from_s - 0.6 <= BRIDGED_S and any(s.onset_s <= to_s and s.end_s >= from_s for s in stumbles)
    return bool(near and speed[other[0]] > 0.75 * speed[one[1] - 1])


def _curve(
    recording: Recording,
    time_s: FloatArray,
    speed: FloatArray,
    wide: BoolArray,
    from_s: float,
    to_s: float,
    stumbles: Sequence[Stumble],
    coolant: float | None,
    factor: float,
) -> Pull | None:
    """Gain of speed by bins of BIN_RPM, without what is within SMOOTH_S / 2 of the pull's ends or of a lifted throttle,
    or within SMOOTH_S of a stumble, around which chattering contacts make pulses of their own.

    time_s, speed, wide: from _speed and _wide_open, (n,), around the pull.
    """
    gain = np.gradient(speed, GRID_S) * (2 * np.pi / 60) * factor
    use = (time_s >= from_s + SMOOTH_S / 2) & (time_s <= to_s - SMOOTH_S / 2)
    broken = [(s.onset_s, s.end_s) for s in stumbles if s.onset_s <= to_s and s.end_s >= from_s]
    clean = use & ~_inside_any(time_s, [(a - SMOOTH_S, b + SMOOTH_S) for a, b in broken])
    width = int(SMOOTH_S / GRID_S) // 2 * 2 + 1
    clean &= minimum_filter1d(wide, width, mode="nearest")
    number = np.maximum(speed[clean] / BIN_RPM, 0.0).astype(int)
    n = np.bincount(number)
    full = np.flatnonzero(n >= LEAST_IN_BIN)
    if full.size < 3:
        return None
    mean = np.bincount(number, gain[clean]) / np.maximum(n, 1)
    variance = np.bincount(number, (gain[clean] - mean[number]) ** 2) / np.maximum(n, 1)
    errors = np.asarray(np.sqrt(variance[full] / np.maximum(1.0, n[full] * GRID_S / SMOOTH_S)))
    push = _push(recording.traces.get("acceleration"), from_s, to_s, float(gain[clean].mean()) / factor)
    at_s = sorted(a for a, _ in broken if a > from_s + BEGUN_S)
    before_s = np.maximum(np.array(at_s) - SMOOTH_S / 2, from_s)
    return Pull(
        recording.name, from_s, to_s, BIN_RPM * np.asarray(full + 0.5), mean[full], errors, coolant,
        _warmth(coolant), factor, push=push, break_ups_s=tuple(at_s),
        break_ups_rpm=tuple(np.interp(before_s, time_s, speed).tolist()),
    )  # fmt: skip


def geared(pulls: Sequence[Pull]) -> list[Pull]:
    """Number like gearing by gaps in push (forward g per gain of speed), or in the gain itself without it."""
    if not pulls:
        return []
    by_push = all(pull.push is not None for pull in pulls)
    key = np.log([pull.push if by_push and pull.push else max(1.0, median(pull.gain)) for pull in pulls])
    order = np.argsort(key)
    step = np.concatenate([[0], np.cumsum(np.diff(key[order]) > np.log(GEAR_STEP))])
    gear = np.empty(len(pulls), dtype=int)
    gear[order] = step
    return [replace(pull, gear=int(number)) for pull, number in zip(pulls, gear, strict=True)]


def _speed(recording: Recording, engine: Engine) -> tuple[FloatArray, FloatArray]:
    """Crank speed, rev/min, on GRID_S: turns counted by the pulses, differentiated by a local parabola over SMOOTH_S
    (A. Savitzky & M. J. E. Golay, Anal. Chem. 36 (1964) 1627-1639)."""
    tach: IntArray = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    if tach.size < 10:
        return np.empty(0), np.empty(0)
    pulse_s = tach / NS_PER_S
    time_s = np.arange(pulse_s[0], pulse_s[-1], GRID_S)
    width = int(SMOOTH_S / GRID_S) // 2 * 2 + 1
    if time_s.size <= width:
        return np.empty(0), np.empty(0)
    turns = np.interp(time_s, pulse_s, np.arange(tach.size, dtype=np.float64)) / engine.pulses_per_revolution
    return time_s, np.asarray(savgol_filter(turns, width, 2, deriv=1, delta=GRID_S) * 60.0)


def _push(trace: Trace | None, from_s: float, to_s: float, gain: float) -> float | None:
    """Forward g per rad/s² of the crank: metres per turn in disguise, one value for each gear. None on a dyno."""
    if trace is None or trace.value.ndim != 2 or gain <= 0:
        return None
    # Whole nanoseconds: for the sake of one fraction, the times of the whole recording would be made floats.
    first, last = np.searchsorted(trace.time_ns, [int(np.ceil(from_s * NS_PER_S)), int(to_s * NS_PER_S) + 1])
    forward = trace.value[first:last, 0]
    forward = forward[np.isfinite(forward)]
    mean = float(forward.mean()) if forward.size else 0.0
    return mean / gain if mean > 0.05 else None


def _means_at(trace: Trace | None, stretches: Sequence[Interval]) -> list[float | None]:
    """The mean temperature of each stretch; None where it is not known."""
    if trace is None or not trace.time_ns.size or not stretches:
        return [None] * len(stretches)
    from_s, to_s = np.array(stretches).T
    value = on_grid(trace, np.linspace(from_s, to_s, 11, axis=1).ravel()).reshape(-1, 11)
    known = np.isfinite(value)
    n = np.count_nonzero(known, axis=1)
    mean = np.where(known, value, 0.0).sum(axis=1) / np.maximum(n, 1)
    return [one if has else None for one, has in zip(mean.tolist(), n.tolist(), strict=True)]


def _warmth(coolant: float | None) -> Warmth:
    if coolant is None:
        return "unknown"
    return "cold" if coolant < WARM_DEGC else "warm" if coolant < HOT_DEGC else "hot"


def _inside_any(time_s: FloatArray, intervals: Sequence[Interval]) -> BoolArray:
    """Which of these times, in order, lie in one of the intervals, both ends included."""
    mask = np.zeros(time_s.size, dtype=bool)
    for begin, end in intervals:
        mask[np.searchsorted(time_s, begin) : np.searchsorted(time_s, end, side="right")] = True
    return mask
