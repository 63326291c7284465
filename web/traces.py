"""Windows of traces: what a chart asks for at one zoom step, as bytes that a browser takes without parsing.

Layout, all little-endian::

    "SLW2" | header length, uint32 | header, JSON padded with spaces to a multiple of 8
    then, for each entry of header["series"]:
        time   float64 x n, seconds from the recording's start; left out where "times_of" names the entry (by its place)
               that has the same times
        value  float32 x n, SI units, NaN: not known (absent for pulses), padded with zeros to a multiple of 8

Far out, a series keeps the lowest and the highest value of each column in turn, so that no single spike is lost.
"""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from logger.channels import CHANNELS
from logger.event import NS_PER_S, Engine, FloatArray, IntArray, Trace
from logger.store.recording_reader import RecordingReader
from web.overviews import Extremes, Overviews

MAGIC = b"SLW2"
MAX_POINTS = 10_000
MAX_PULSES = 4_000
"""Above this many pulses in a window no screen can show them one by one."""
LONGEST_READ_S = 100.0
"""Longer windows are drawn from the stored one-second summaries, shorter ones from every sample."""
REST_S = 0.16
SHORTEST_GAP_S = 1.0
LONGEST_INTERVAL_NS = NS_PER_S
"""Two pulses farther apart than this say nothing about the speed between them: the engine may have stopped."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One chart of the stack: the channels that share its scale. `unit` is SI; the browser shows it as chosen."""

    key: str
    unit: str
    channels: tuple[str, ...]


PANELS = (
    Panel("speed", "rpm", ("engine_speed",)),
    Panel("pulses", "", ("tach_pulses", "spark_pulses", "injector_pulses", "crank_pulses")),
    Panel("voltages", "V", ("battery_voltage", "ignition_feed_voltage", "sensor_supply_voltage", "pump_feed_voltage")),
    Panel("pressure", "kPa", ("fuel_pressure",)),
    Panel("shock", "g", ("shock_level", "vibration_peak")),
    Panel("temperature", "degC", ("coolant_temperature", "under_bonnet_temperature", "intake_temperature")),
    Panel("throttle", "%", ("throttle_position",)),
    Panel("mixture", "", ("air_fuel_ratio",)),
    Panel("ground", "V", ("engine_ground_drop",)),
)
SOURCE_OF = {"engine_speed": "tach_pulses", "shock_level": "acceleration"}
"""Derived series, and the channel each is made from when it is read."""


@dataclass(frozen=True, slots=True)
class Series:
    """One line of a chart. time_s: float64 (n,). value: float32 (n,), or None for pulses. hidden: too many to
    show. thinned: lowest and highest values of columns, not samples."""

    channel: str
    time_s: FloatArray
    value: npt.NDArray[np.float32] | None
    hidden: bool = False
    thinned: bool = False


def panels_of(available: Iterable[str]) -> list[Panel]:
    """The panels that a recording with these channels can fill, each with only the channels that are there."""
    there = set(available)
    shown = []
    for panel in PANELS:
        channels = tuple(name for name in panel.channels if SOURCE_OF.get(name, name) in there)
        if channels:
            shown.append(Panel(panel.key, panel.unit, channels))
    return shown


def window(
    reader: RecordingReader,
    engine: Engine,
    channels: list[str],
    from_s: float,
    to_s: float,
    points: int,
    overviews: Overviews,
    version: str = "",
) -> bytes:
    """The bytes for these channels between two instants, at most about `points` values for each.

    overviews: where summaries are kept from one zoom step to the next. version: of the calibrations in force.
    """
    if to_s - from_s > LONGEST_READ_S:
        shown = far(reader, engine, channels, from_s, to_s, points, overviews, version)
    else:
        shown = near(reader, engine, channels, from_s, to_s, points)
    return encode(from_s, to_s, shown)


def far(
    reader: RecordingReader,
    engine: Engine,
    channels: list[str],
    from_s: float,
    to_s: float,
    points: int,
    overviews: Overviews,
    version: str,
) -> list[Series]:
    """Series of a window too long to be read whole, from the stored one-second summaries."""
    t0 = max(round(from_s * NS_PER_S), 0)
    t1 = max(min(round(to_s * NS_PER_S), reader.duration_ns), t0 + NS_PER_S)
    n_columns = max(min(points // 2, (t1 - t0) // NS_PER_S), 1)

    def extremes(name: str) -> Extremes:
        return overviews.columns(reader, version, name, t0, t1, n_columns)

    return [_far(engine, name, extremes) for name in channels]


def near(
    reader: RecordingReader, engine: Engine, channels: list[str], from_s: float, to_s: float, points: int
) -> list[Series]:
    """Series of a window short enough to be read whole, thinned where they hold more than can be shown."""
    t0, t1 = round(from_s * NS_PER_S), round(to_s * NS_PER_S)
    stored = [SOURCE_OF.get(name, name) for name in channels]
    raw_pulses = {name for name in stored if is_pulses(name)}
    traces = reader.reads([name for name in stored if not is_pulses(name)], t0, t1)
    pulses = {name: reader.pulses(name, t0 - LONGEST_INTERVAL_NS, t1 + LONGEST_INTERVAL_NS) for name in raw_pulses}
    return [
        _near(name, traces.get(source), pulses.get(source), engine, points)
        for name, source in zip(channels, stored, strict=True)
    ]


def is_pulses(name: str) -> bool:
    """Whether a stored channel holds times only."""
    return CHANNELS[name].kind in ("pulses", "marks")


def _near(name: str, trace: Trace | None, pulses: IntArray | None, engine: Engine, points: int) -> Series:
    if pulses is not None and name == "engine_speed":
        return _thinned(name, *speed(pulses, engine.pulses_per_revolution), points)
    if pulses is not None:
        shown = pulses if pulses.size <= MAX_PULSES else pulses[:0]
        return Series(name, shown / NS_PER_S, None, hidden=shown.size < pulses.size)
    if trace is None:
        return Series(name, np.empty(0), np.empty(0, np.float32))
    value = shock(trace) if name == "shock_level" else trace.value
    return _thinned(name, trace.time_ns, value, points)


def _far(engine: Engine, name: str, extremes: Callable[[str], Extremes]) -> Series:
    if name != "engine_speed" and is_pulses(SOURCE_OF.get(name, name)):
        return Series(name, np.empty(0), None, hidden=True)
    time_ns, low, high = extremes(SOURCE_OF.get(name, name))
    if name == "engine_speed":
        per_hz = 60.0 / engine.pulses_per_revolution
        low, high = low * per_hz, high * per_hz
    if name == "shock_level":
        low, high = np.zeros(low.shape[0]), np.sqrt((((high - low) / 2) ** 2).sum(axis=1))
    return _zigzag(name, time_ns, low, high)


def speed(pulses: IntArray, pulses_per_revolution: float) -> tuple[IntArray, FloatArray]:
    """Speed in revolutions per minute at each pulse from the interval that ends there; NaN after a long silence.

    pulses: int64 ns, sorted, (n,). Returns times (n - 1,) and speeds (n - 1,); empty for fewer than two pulses.
    """
    interval = np.diff(pulses)
    with np.errstate(divide="ignore"):
        value = 60.0 * NS_PER_S / pulses_per_revolution / interval.astype(np.float64)
    value[(interval > LONGEST_INTERVAL_NS) | (interval <= 0)] = np.nan
    return pulses[1:], value


def shock(acceleration: Trace) -> FloatArray:
    """Length (n,) in g of what acceleration, value (n, 3), adds to its own running mean over REST_S.

    Gravity, the mounting, bends and braking are gone; the engine's own shaking is not (logger.analysis.links.shock does
    that, at a cost no zoom step can pay). In far views it is half the swing within each second instead.
    """
    n = acceleration.time_ns.size
    square = np.zeros(n)
    if n < 3:
        return square
    step_s = float(np.median(np.diff(acceleration.time_ns[:1000]))) / NS_PER_S
    half = max(round(REST_S / 2 / max(step_s, 1e-6)), 1)
    index = np.arange(n)
    first, last = np.maximum(index - half, 0), np.minimum(index + half + 1, n)
    total = np.zeros(n + 1)
    for axis in np.nan_to_num(acceleration.value).T:  # one at a time: all in one array take twice as long
        np.cumsum(axis, out=total[1:])
        square += (axis - (total[last] - total[first]) / (last - first)) ** 2
    return np.sqrt(square)


def _thinned(name: str, time_ns: IntArray, value: FloatArray, points: int) -> Series:
    if time_ns.size > points:
        starts = np.arange(0, time_ns.size, -(-time_ns.size * 2 // points))
        low, high = np.fmin.reduceat(value, starts), np.fmax.reduceat(value, starts)
        return _zigzag(name, time_ns[starts], low, high)
    time_s, shown = _broken_at_gaps(time_ns / NS_PER_S, value)
    return Series(name, time_s, shown.astype(np.float32))


def _zigzag(name: str, time_ns: IntArray, low: FloatArray, high: FloatArray) -> Series:
    """Lowest and highest value of each column, the second a half column later: one line that shows both."""
    if time_ns.size == 0:
        return Series(name, np.empty(0), np.empty(0, np.float32))
    half = np.diff(time_ns, append=time_ns[-1]) // 2
    time_s = np.column_stack([time_ns, time_ns + half]).ravel() / NS_PER_S
    return Series(name, time_s, np.column_stack([low, high]).ravel().astype(np.float32), thinned=True)


def _broken_at_gaps(time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Put a NaN into every stretch in which a channel was silent for more than ten of its steps, and SHORTEST_GAP_S."""
    if time_s.size < 3:
        return time_s, value
    step = np.diff(time_s)
    if float(step.max()) <= SHORTEST_GAP_S:
        return time_s, value
    gaps = np.flatnonzero(step > max(10.0 * float(np.median(step)), SHORTEST_GAP_S)) + 1
    return np.insert(time_s, gaps, time_s[gaps - 1] + 1e-6), np.insert(value, gaps, np.nan)


def encode(from_s: float, to_s: float, shown: list[Series]) -> bytes:
    """Pack series into the layout above."""
    times_of = [_same_times(shown, place) for place in range(len(shown))]
    described = [
        {
            "channel": one.channel,
            "n": one.time_s.size,
            "times_of": same,
            "values": one.value is not None,
            "hidden": one.hidden,
            "thinned": one.thinned,
        }
        for one, same in zip(shown, times_of, strict=True)
    ]
    header = json.dumps({"from_s": from_s, "to_s": to_s, "series": described}).encode()
    header += b" " * (-len(header) % 8)
    parts = [MAGIC, len(header).to_bytes(4, "little"), header]
    for each, same in zip(shown, times_of, strict=True):
        if same is None:
            parts.append(each.time_s.astype("<f8", copy=False).tobytes())
        if each.value is not None:
            values = each.value.astype("<f4", copy=False).tobytes()
            parts += [values, b"\0" * (-len(values) % 8)]
    return b"".join(parts)


def _same_times(shown: list[Series], place: int) -> int | None:
    """The first series before this one that has the same times. Far out they all have: a day is half as many bytes."""
    time_s = shown[place].time_s
    same = (k for k in range(place) if shown[k].time_s.size == time_s.size and (shown[k].time_s == time_s).all())
    return next(same, None)


def values_csv(reader: RecordingReader, from_s: float, to_s: float) -> str:
    """Every stored value of a stretch as lines `channel,time_s,value,unit`; acceleration has one channel per axis."""
    t0, t1 = round(from_s * NS_PER_S), round(to_s * NS_PER_S)
    lines = ["channel,time_s,value,unit"]
    sampled = [name for name in reader.channels if not is_pulses(name)]
    for name, trace in reader.reads(sampled, t0, t1).items():
        columns = np.atleast_2d(trace.value.T)
        names = [f"{name}_{axis}" for axis in "xyz"] if CHANNELS[name].kind == "vector" else [name]
        for label, column in zip(names, columns, strict=False):
            lines += [
                f"{label},{at / NS_PER_S:.6f},{'' if value != value else f'{value:.7g}'},{CHANNELS[name].unit}"
                for at, value in zip(trace.time_ns.tolist(), column.tolist(), strict=True)
            ]
    for name in reader.channels:
        if is_pulses(name):
            lines += [f"{name},{at / NS_PER_S:.6f},," for at in reader.pulses(name, t0, t1).tolist()]
    return "\n".join(lines) + "\n"
