"""An observation of the car as it is now: from the recorder where it runs, else from the sensors themselves.

The bus has one owner. While a recorder runs, its live values and the recording that it is writing are all that is
looked at; only without one is the bus opened, for a few seconds.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from logger.channels import CHANNELS
from logger.check import CheckLine, last_healthy_start, lines, recorder_lines
from logger.check.observation import SUPPLY, TACH, Observation, of_batches, of_recording
from logger.clock import Clock
from logger.errors import SensorError, StoreError
from logger.event import NS_PER_S, Trace
from logger.recorder.live import read_live
from logger.recorder.place import boot_id
from logger.sensors.batch import Batch, PartHealth
from logger.settings import Settings
from logger.store.calibrated import with_calibrations
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store

FRESH_NS = 3 * NS_PER_S
STEP_NS = NS_PER_S // 10
BACK_S = 60
"""How far back a recording is read: far enough for the key and the pump's prime, most of the time."""

WATCH_S = 3.0


class HardwareLike(Protocol):
    """What is asked of `logger.sensors.hardware.Hardware`."""

    def poll(self, until_ns: int) -> Batch: ...

    def finish(self) -> Batch: ...

    def close(self) -> None: ...


OpenHardware = Callable[[Settings, Clock], HardwareLike]


@dataclass(frozen=True, slots=True)
class Seen:
    """What was observed, the settings to judge it by, the recorder's last word (None: it does not run), and the
    recording it is writing (empty: none)."""

    observation: Observation
    settings: Settings
    live: Mapping[str, Any] | None
    file: str = ""


def live_of(run_dir: Path, clock: Clock) -> dict[str, Any] | None:
    """The word of a recorder that runs now on this machine; None where none does, or where it has fallen silent."""
    live = read_live(run_dir)
    if live is None:
        return None
    age_ns = clock.monotonic_ns() - int(live.get("written_ns", 0))
    alive = 0 <= age_ns <= FRESH_NS and live.get("boot_id", "") == boot_id()
    return live if alive else None


def observe(
    settings: Settings, store: Store, clock: Clock, open_hardware: OpenHardware | None, *, seconds: float = WATCH_S
) -> Seen | None:
    """Look for some seconds. Without `open_hardware` only a running recorder is asked; None where there is none.

    Raises SensorError where there is no recorder and this machine has no pins.
    """
    run_dir = Path(settings.recorder.run_dir)
    if live_of(run_dir, clock) is None:
        return None if open_hardware is None else from_hardware(settings, store, clock, open_hardware, seconds)
    if open_hardware is not None:
        # What is happening right now reaches the recording a second later.
        clock.sleep_until_ns(clock.monotonic_ns() + 2 * NS_PER_S)
    return from_recorder(settings, store, clock, seconds if open_hardware is not None else 0.0)


def from_hardware(
    settings: Settings, store: Store, clock: Clock, open_hardware: OpenHardware, seconds: float = WATCH_S
) -> Seen:
    """Open bus and pins, sample for so long, close them again."""
    with Watcher(settings, store, clock, open_hardware) as watcher:
        return watcher.look(seconds)


class Watcher:
    """Looks at the car again and again: at the live values of a running recorder, else at sensors that it opens and
    keeps until it is closed. Raises SensorError where there is no recorder and this machine has no pins."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, open_hardware: OpenHardware) -> None:
        self._given = settings
        self._clock = clock
        self.settings = store.calibrated(settings)
        recorder = live_of(Path(settings.recorder.run_dir), clock)
        self._hardware = open_hardware(self.settings, clock) if recorder is None else None

    def look(self, seconds: float) -> Seen:
        """What is seen from now on for so long."""
        if self._hardware is None:
            live = live_of(Path(self._given.recorder.run_dir), self._clock)
            if live is None:
                raise SensorError("the recorder has stopped meanwhile; begin again")
            observation = watch_live(self._given, self.settings, self._clock, live, seconds)
            return Seen(observation, self.settings, live)
        batches = []
        until_ns = self._clock.monotonic_ns() + round(seconds * NS_PER_S)
        while (now_ns := self._clock.monotonic_ns()) < until_ns:
            batches.append(self._hardware.poll(min(until_ns, now_ns + STEP_NS)))
        return Seen(of_batches(batches, self.settings, self._clock.monotonic_ns()), self.settings, None)

    def close(self) -> None:
        """Give bus and pins back; may be called twice."""
        hardware, self._hardware = self._hardware, None
        if hardware is not None:
            hardware.finish()
            hardware.close()

    def __enter__(self) -> "Watcher":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def from_recorder(settings: Settings, store: Store, clock: Clock, seconds: float) -> Seen | None:
    """From the recording being written, to the last second stored; where nothing is stored, from the live values."""
    live = live_of(Path(settings.recorder.run_dir), clock)
    if live is None:
        return None
    recording = live.get("recording")
    parts = parts_of(live)
    if recording:
        try:
            with RecordingReader(store.data_dir / recording["file"]) as reader:
                recorded = store.calibrated(Settings.from_dict(reader.meta.settings, recording["file"]))
                end_ns = reader.n_seconds * NS_PER_S
                seen = of_recording(reader, recorded, max(0, end_ns - BACK_S * NS_PER_S), end_ns, parts)
            if seen.traces:
                return Seen(seen, recorded, live, recording["file"])
        except StoreError:
            live = live_of(Path(settings.recorder.run_dir), clock) or live  # what it says of itself still stands
    calibrated = store.calibrated(settings)
    return Seen(watch_live(settings, calibrated, clock, live, seconds), calibrated, live)


def parts_of(live: Mapping[str, Any]) -> tuple[PartHealth, ...]:
    """How each physical part is, by the recorder's word."""
    known = PartHealth.__dataclass_fields__
    return tuple(PartHealth(**{k: v for k, v in part.items() if k in known}) for part in live.get("sensors") or [])


def watch_live(
    settings: Settings, calibrated: Settings, clock: Clock, live: Mapping[str, Any], seconds: float
) -> Observation:
    """Ten live values a second, for so long; at least the one there is. settings: those that the recorder was started
    with."""
    words = [live]
    until_ns = clock.monotonic_ns() + round(seconds * NS_PER_S)
    while clock.monotonic_ns() < until_ns:
        clock.sleep_until_ns(clock.monotonic_ns() + STEP_NS)
        words.append(live_of(Path(settings.recorder.run_dir), clock) or words[-1])
    rows: dict[str, list[tuple[int, Any]]] = {}
    for word in words:
        for name, entry in (word.get("values") or {}).items():
            value = entry["value"] if entry["value"] is not None else float("nan")
            rows.setdefault(name, []).append((int(word["written_ns"]) - round(1e9 * entry["age_s"]), value))
    traces = {
        name: Trace(np.array([t for t, _ in row], dtype=np.int64), np.array([v for _, v in row], dtype=np.float64))
        for name, row in rows.items()
        if name in CHANNELS
    }
    end_ns = int(words[-1]["written_ns"])
    observation = Observation(traces, _pulses(words, end_ns), end_ns, parts=parts_of(words[-1]))
    return _calibrated(observation, with_calibrations(settings, words[-1].get("calibrations") or {}), calibrated)


def _pulses(words: list[Mapping[str, Any]], end_ns: int) -> dict[str, Any]:
    """Live values give only a rate: evenly spaced pulses of that rate stand for it."""
    rate_hz = float(((words[-1].get("pulses") or {}).get(TACH) or {}).get("rate_hz") or 0.0)
    n = int(rate_hz * 4.0)
    return {TACH: end_ns - np.arange(n, 0, -1, dtype=np.int64) * round(NS_PER_S / rate_hz)} if n else {}


def _calibrated(observation: Observation, settings: Settings, calibrated: Settings) -> Observation:
    """Live values follow the logbook some seconds late; back to volts, and from there with its calibrations of now."""
    pin_v: dict[str, float] = {}
    traces = dict(observation.traces)
    supply = observation.now(SUPPLY)
    against = supply if np.isfinite(supply) and supply > 0.0 else None
    for name in settings.channels.keys() & traces.keys():
        volts = settings.channels[name].calibration.to_pin_volts(traces[name].value, against)
        new = calibrated.channels[name].calibration
        car_v = np.asarray(volts) * new.ratio
        value = new.curve.to_si(car_v, np.asarray(against if against else 5.0))
        traces[name] = Trace(traces[name].time_ns, np.asarray(value))
        if np.isfinite(volts).any():
            pin_v[name] = float(np.nanmedian(volts))
    return Observation(traces, observation.pulses, observation.end_ns, pin_v, observation.parts)


def check_now(
    settings: Settings, store: Store, clock: Clock, *, run_dir: Path | None = None, sensors: bool = True
) -> list[CheckLine]:
    """The whole check: observe, judge against this car's last healthy start, and say whether it is being recorded.

    run_dir: instead of the settings'. sensors: False asks only a running recorder and takes no time, which is what the
    page does. Raises SensorError where there is no recorder and this machine has no pins.
    """
    if run_dir is not None:
        settings = replace(settings, recorder=replace(settings.recorder, run_dir=str(run_dir)))
    seen = observe(settings, store, clock, _open_hardware if sensors else None)
    if seen is None:
        return recorder_lines(None)
    judged_by = replace(seen.settings, display=settings.display)  # units are a matter of who looks, not of who records
    reference = last_healthy_start(store, judged_by, without=seen.file)
    return [*recorder_lines(seen.live), *lines(seen.observation, judged_by, reference)]


def _open_hardware(settings: Settings, clock: Clock) -> HardwareLike:
    # Imported only now: who asks a running recorder needs no drivers.
    from logger.sensors.hardware import open_hardware

    return open_hardware(settings, clock)
