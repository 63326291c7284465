"""Some seconds of a car as the logger saw them, whichever way they came: from the sensors, or from a recording."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from logger.conversion import NOMINAL_SUPPLY_V, counts_to_g, counts_to_volts
from logger.event import NS_PER_S, Engine, FloatArray, IntArray, Trace
from logger.sensors.batch import Batch, PartHealth
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader

SUPPLY = "sensor_supply_voltage"
TACH = "tach_pulses"
USUAL_IDLE_RPM = 800.0
LOOK_S = 2.0
"""What a channel reads now is the median of so many seconds."""


@dataclass(frozen=True, slots=True)
class Observation:
    """traces: SI values, pulses: int64 ns, both on one clock whose end is `end_ns`. pin_v: median volts at the ADC's
    pin over the last two seconds, for channels read as counts. parts: how each physical part was."""

    traces: Mapping[str, Trace]
    pulses: Mapping[str, IntArray]
    end_ns: int
    pin_v: Mapping[str, float] = field(default_factory=dict)
    parts: tuple[PartHealth, ...] = ()

    def values(self, channel: str, seconds: float = LOOK_S) -> FloatArray:
        """The values of the last seconds, shape (n,) or (n, 3); empty where there are none."""
        trace = self.traces.get(channel)
        if trace is None:
            return np.empty(0)
        # A slow channel's last value is still its value.
        recent = trace.value[trace.time_ns >= self.end_ns - round(seconds * NS_PER_S)]
        return recent if len(recent) else trace.value[-1:]

    def now(self, channel: str, seconds: float = LOOK_S) -> float:
        """Median of the last seconds; NaN where the sensor gave nothing."""
        values = self.values(channel, seconds)
        good = values[np.isfinite(values)]
        return float(np.median(good)) if 2 * good.size >= max(1, values.size) else float("nan")

    def recent_pulses(self, channel: str = TACH, seconds: float = LOOK_S) -> IntArray:
        """Pulse times of the last seconds."""
        times = self.pulses.get(channel, np.empty(0, dtype=np.int64))
        return times[times >= self.end_ns - round(seconds * NS_PER_S)]

    @property
    def gravity(self) -> FloatArray:
        """Mean acceleration of the last seconds, g, shape (3,); NaN without an accelerometer."""
        values = self.values("acceleration")
        return np.asarray(values.mean(axis=0)) if values.ndim == 2 and len(values) else np.full(3, np.nan)

    @property
    def vibration_g(self) -> float:
        """RMS of the resultant about its mean over the last seconds; NaN without an accelerometer."""
        values = self.values("acceleration")
        if values.ndim != 2 or len(values) < 2:
            return float("nan")
        return float(np.sqrt(((values - values.mean(axis=0)) ** 2).sum(axis=1).mean()))

    def noise(self, channel: str) -> float:
        """Standard deviation of what changes from sample to sample, from the median absolute difference."""
        steps = np.abs(np.diff(self.values(channel)))
        steps = steps[np.isfinite(steps)]
        return float(np.median(steps) / 0.6745 / np.sqrt(2.0)) if steps.size else 0.0

    def key(self) -> tuple[bool | None, float | None]:
        """(whether the ignition is on, None where nothing tells; for how many seconds, None where it was not seen)."""
        trace = self.traces.get("key_sense")
        if trace is None or not trace.value.size:
            feed = self.now("ignition_feed_voltage")
            return (None if np.isnan(feed) else True if feed > 2.0 else None), None
        on = bool(trace.value[-1])
        since = int(trace.time_ns[-1]) if on and trace.value.size > 1 else None
        return on, None if since is None else (self.end_ns - since) / NS_PER_S

    def rpm(self, engine: Engine, seconds: float = LOOK_S) -> float:
        """Crank speed by the tach pulses of the last seconds; 0 where they are too few."""
        times = self.recent_pulses(seconds=seconds)
        if times.size < 3:
            return 0.0
        return 60.0 * NS_PER_S / float(np.median(np.diff(times))) / engine.pulses_per_revolution

    def is_running(self, engine: Engine) -> bool:
        """Whether the engine turns by itself: pulses at a speed it can have, and not on a car that stands dead still.

        Hum on a torn-off tach wire can be as regular as an engine, but it neither shakes the car nor charges it.
        """
        if self.recent_pulses(seconds=0.7).size < 2:
            return False
        rpm = self.rpm(engine)
        possible = 0.4 * (engine.idle_rpm or USUAL_IDLE_RPM) < rpm < 1.3 * (engine.redline_rpm or 9000.0)
        still = self.vibration_g < STILL_G and not self.now("battery_voltage") > CHARGING_V
        return possible and not still


STILL_G = 0.012
"""The accelerometer's own noise is about half of that; an idling engine gives more than twice as much (common
practice, no source)."""

CHARGING_V = 13.2


def of_batches(batches: Sequence[Batch], settings: Settings, end_ns: int) -> Observation:
    """What the sensors gave in several polls, `end_ns` on their clock."""
    counts: dict[str, Trace] = {}
    for name in {name for batch in batches for name in batch.samples}:
        parts = [batch.samples[name] for batch in batches if name in batch.samples]
        counts[name] = Trace(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    traces = _in_si(counts, settings)
    states = [batch.states["key_sense"] for batch in batches if "key_sense" in batch.states]
    if states:
        times, levels = (np.concatenate(column) for column in zip(*states, strict=True))
        traces["key_sense"] = Trace(times, levels.astype(np.float64))
    names = {name for batch in batches for name in batch.pulses}
    pulses = {name: np.concatenate([b.pulses[name] for b in batches if name in b.pulses]) for name in names}
    return Observation(traces, pulses, end_ns, _pin_volts(counts, settings, end_ns), batches[-1].health)


def of_recording(
    reader: RecordingReader, settings: Settings, t0_ns: int, t1_ns: int, parts: tuple[PartHealth, ...] = ()
) -> Observation:
    """A stretch of a recording, also of one still growing; `settings` with the calibrations to read it by."""
    stored = {channel.name: channel for channel in reader.meta.channels}
    raws = reader.raws(list(stored), t0_ns, t1_ns)
    if "key_sense" in stored:
        raws["key_sense"] = reader.raw("key_sense", None, t1_ns)  # stored on change only, so its state is older
    counts: dict[str, Trace] = {}
    traces: dict[str, Trace] = {}
    pulses: dict[str, IntArray] = {}
    for name, series in raws.items():
        if series.raw is None:
            pulses[name] = series.time_ns
        elif stored[name].counts and stored[name].kind != "state":
            counts[name] = Trace(series.time_ns, series.raw.astype(np.float64))
        elif len(series.raw):
            traces[name] = Trace(series.time_ns, np.asarray(series.raw, dtype=np.float64))
    counts = {name: trace for name, trace in counts.items() if trace.time_ns.size}
    return Observation(
        {**traces, **_in_si(counts, settings)}, pulses, t1_ns, _pin_volts(counts, settings, t1_ns), parts
    )


def _in_si(counts: Mapping[str, Trace], settings: Settings) -> dict[str, Trace]:
    """SI values from counts, sensors that need it read against the measured supply."""
    traces: dict[str, Trace] = {}
    supply: Trace | None = None
    if SUPPLY in counts and SUPPLY in settings.channels:
        raw = counts[SUPPLY]
        supply = Trace(raw.time_ns, settings.channels[SUPPLY].calibration.to_si(raw.value))
    for name, raw in counts.items():
        if name == "acceleration":
            traces[name] = Trace(raw.time_ns, counts_to_g(raw.value, settings.accelerometer.mounting))
        elif name in settings.channels:
            calibration = settings.channels[name].calibration
            against = None
            if calibration.needs_supply and supply is not None:
                against = np.interp(raw.time_ns, supply.time_ns, supply.value)
            traces[name] = Trace(raw.time_ns, calibration.to_si(raw.value, against))
    return traces


def _pin_volts(counts: Mapping[str, Trace], settings: Settings, end_ns: int) -> dict[str, float]:
    volts = {}
    for name, raw in counts.items():
        if name in settings.channels:
            recent = raw.value[raw.time_ns >= end_ns - round(LOOK_S * NS_PER_S)]
            chosen = recent if len(recent) else raw.value[-1:]
            volts[name] = float(np.median(counts_to_volts(chosen, settings.channels[name].gain)))
    return volts


def share_of_supply(observation: Observation, settings: Settings, channel: str) -> float:
    """The sensor's output over its supply, 0 to 1; NaN where that is not known."""
    supply = observation.now(SUPPLY)
    supply = supply if supply > 1.0 else NOMINAL_SUPPLY_V
    pin_v = observation.pin_v.get(channel, float("nan"))
    return pin_v * settings.channels[channel].ratio / supply
