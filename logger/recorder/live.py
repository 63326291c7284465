"""What is going on right now, as one small JSON file, replaced once a second, and ten times while somebody looks.

`<run_dir>/live.json`, UTF-8, in SI units; whoever reads it always finds a whole one, and says that it does
(`logger.recorder.viewers`)::

    format            "stumblelog-live", version 1
    written_utc       ISO 8601, by the system's clock; written_ns: monotonic ns of this boot
    pid, boot_id      of the recorder
    state             "recording" or "not_recording"; why: empty, or the reason in words
    recording         null, or {file (relative to the data directory), uuid, power_up, started_utc, seconds (since the
                      recording's start), committed_s (of those, safely stored)}
    clock_is_set      whether the wall clock can be believed
    free_mb           space left for recordings; absent where the card does not say
    lamp              "recording", "sensor_missing" or "not_recording"
    calibrations      channel to the conversion out of the logbook by which its value was made; others: the settings'
    values            channel to {value (null: the sensor gave none), unit, age_s}; acceleration is [x, y, z]
    pulses            pulse channel to {rate_hz, total}
    engine_rpm        crank revolutions per minute from the tach pulses; 0 when none came for a second; null without
                      a tach input
    levels            null, or {rms_g, peak_g}: forward, left, up, resultant over the last 50 ms
    sensors           list of {part, where, state, message, samples, errors, missed, peak_late_ms, details}
    health            see `logger.recorder.health.RecorderHealth`
    warnings          list of sentences
"""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from logger.channels import CHANNELS
from logger.clock import Clock
from logger.conversion import COUNTS_PER_G, mounting_matrix
from logger.errors import StoreError
from logger.event import NS_PER_S, IntArray
from logger.recorder.health import CommitHealth, part_dict
from logger.recorder.place import replace_file
from logger.recorder.viewers import say_in_use
from logger.sensors.batch import Batch, Levels
from logger.settings import Settings
from logger.store.calibrated import SUPPLY

NAME = "live.json"
FORMAT, VERSION = "stumblelog-live", 1
RATE_NS = NS_PER_S // 2
"""Pulse rates are taken over the last half second."""

STOPPED_NS = NS_PER_S


class Latest:
    """The newest value of every channel, gathered from batches. Times are on the clock."""

    def __init__(self, settings: Settings) -> None:
        self.use(settings)
        self._counts: dict[str, tuple[int, Any]] = {}
        self._states: dict[str, tuple[int, int]] = {}
        self._pulses: dict[str, IntArray] = {name: np.empty(0, dtype=np.int64) for name in settings.pulse_inputs}
        self._totals = dict.fromkeys(settings.pulse_inputs, 0)
        self._levels: Levels | None = None

    def use(self, settings: Settings) -> None:
        """Turn counts into values by these settings from now on."""
        self.settings = settings
        self._calibration = {name: channel.calibration for name, channel in settings.channels.items()}
        self._g_per_count = mounting_matrix(settings.accelerometer.mounting).T / COUNTS_PER_G

    def add(self, batch: Batch) -> None:
        """Take in a batch."""
        for name, (time_ns, counts) in batch.samples.items():
            self._counts[name] = (int(time_ns[-1]), counts[-1])
        for name, (time_ns, state) in batch.states.items():
            self._states[name] = (int(time_ns[-1]), int(state[-1]))
        for name, time_ns in batch.pulses.items():
            if name in self._pulses:
                kept = np.concatenate([self._pulses[name], time_ns])
                self._pulses[name] = kept[np.searchsorted(kept, kept[-1] - RATE_NS) :]
                self._totals[name] += time_ns.size
        self._levels = batch.levels or self._levels

    def values(self, now_ns: int) -> dict[str, Any]:
        """The `values` entry of live.json."""
        supply_v = None
        if SUPPLY in self._counts and now_ns - self._counts[SUPPLY][0] < NS_PER_S:
            supply_v = float(self._calibration[SUPPLY].to_si(self._counts[SUPPLY][1]))
        out = {}
        for name, (time_ns, counts) in self._counts.items():
            if name == "acceleration":
                value = (counts @ self._g_per_count).round(4).tolist()
            else:
                value = _number(float(self._calibration[name].to_si(counts, supply_v)))
            out[name] = {"value": value, "unit": CHANNELS[name].unit, "age_s": _age(now_ns, time_ns)}
        for name, (time_ns, state) in self._states.items():
            out[name] = {"value": state, "unit": CHANNELS[name].unit, "age_s": _age(now_ns, time_ns)}
        return out

    def pulses(self, now_ns: int) -> dict[str, Any]:
        """The `pulses` entry of live.json."""
        return {
            name: {"rate_hz": round(self.rate_hz(name, now_ns), 2), "total": total}
            for name, total in self._totals.items()
        }

    def rate_hz(self, name: str, now_ns: int) -> float:
        """Mean pulse rate of the last half second with pulses; 0 once none has come for a second."""
        times = self._pulses[name]
        if times.size < 2 or now_ns - int(times[-1]) > STOPPED_NS:
            return 0.0
        return float((times.size - 1) * NS_PER_S / max(1, int(times[-1]) - int(times[0])))

    def engine_rpm(self, now_ns: int) -> float | None:
        """Crank speed, or None without a tach input."""
        if "tach_pulses" not in self._pulses:
            return None
        return round(self.rate_hz("tach_pulses", now_ns) * 60.0 / self.settings.engine.pulses_per_revolution, 1)

    def levels(self) -> dict[str, Any] | None:
        """The `levels` entry of live.json."""
        if self._levels is None:
            return None
        rms, peak = self._levels.rms[-1].tolist(), self._levels.peak[-1].tolist()
        return {"rms_g": [round(x, 4) for x in rms], "peak_g": [round(x, 4) for x in peak]}


def make_run_dir(run_dir: Path) -> None:
    """Make the folder of the live values. Raises StoreError where that is refused."""
    try:
        run_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"{run_dir}: cannot be made: {error.strerror or error}; name another folder as recorder.run_dir"
        ) from error


class LiveFile:
    """Writes live.json. A run directory that cannot be written never stops recording: it is counted in `failures`."""

    def __init__(self, run_dir: Path, settings: Settings, clock: Clock) -> None:
        self.path = run_dir / NAME
        self.latest = Latest(settings)
        self.failures = 0
        self._clock = clock
        make_run_dir(run_dir)

    def write(self, batch: Batch | None, status: Mapping[str, Any]) -> None:
        """Replace the file. `status`: the entries that only the recorder knows."""
        now_ns = self._clock.monotonic_ns()
        document = {
            "format": FORMAT,
            "version": VERSION,
            "written_utc": self._clock.utc_now().isoformat(timespec="milliseconds"),
            "written_ns": now_ns,
            **status,
            "values": self.latest.values(now_ns),
            "pulses": self.latest.pulses(now_ns),
            "engine_rpm": self.latest.engine_rpm(now_ns),
            "levels": self.latest.levels(),
            "sensors": [part_dict(part) for part in batch.health] if batch else [],
        }
        try:
            replace_file(self.path, json.dumps(document, separators=(",", ":"), allow_nan=False).encode())
        except OSError:
            self.failures += 1


def warnings_of(batch: Batch | None, commit: CommitHealth, others: Sequence[str]) -> list[str]:
    """What somebody should look at, as sentences."""
    out = [f"{part.part}: {part.message}" for part in batch.health if part.message] if batch else []
    out += others
    if commit.is_stalling:
        out.append(f"the card is stalling: {commit.buffered} s wait in memory, {commit.max_buffered} s fit")
    if commit.dropped:
        out.append(f"{commit.dropped} s were lost because the card stalled for too long")
    return out


def read_live(run_dir: Path) -> dict[str, Any] | None:
    """The newest live values, or None where no recorder has written any. Look at `written_ns` for their age.

    From the first call on they come ten times a second, until ten seconds after the last.
    """
    if run_dir.exists():
        say_in_use(run_dir)
    try:
        return dict(json.loads((run_dir / NAME).read_bytes()))
    except (FileNotFoundError, ValueError):
        return None


def _number(value: float) -> float | None:
    """Six significant digits; JSON has no NaN."""
    return float(f"{value:.6g}") if np.isfinite(value) else None


def _age(now_ns: int, time_ns: int) -> float:
    return round(max(0, now_ns - time_ns) / NS_PER_S, 3)
