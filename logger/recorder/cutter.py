"""From batches, on the clock, to seconds of a recording, since its start.

Times are rounded to what they are worth: pulses to 1 µs, which is what the input's edge is good for; sampled values to
0.1 ms, because the ADC averages over 1.2 ms anyway, and stored jitter would cost as much as the values themselves.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, cast

import numpy as np

from logger.event import NS_PER_S, FloatArray, Gap, IntArray
from logger.sensors.batch import Batch
from logger.settings import Settings
from logger.store.blocks import RawArray, Series
from logger.store.description import StoredChannel, stored_channel
from logger.store.recording_writer import Second

PULSE_STEP_NS = 1_000
SAMPLE_STEP_NS = 100_000
RESULTANT = 3
"""Column of the levels that does not depend on how the box is mounted."""
LEVELS_PER_G = 1000.0
"""The chip's own step is 4 mg; more digits would be noise that does not compress."""


def channels_of(settings: Settings) -> tuple[StoredChannel, ...]:
    """What a recording made with these settings can hold."""
    names = [*settings.channels]
    levels: list[str] = []
    if settings.accelerometer.fitted:
        # With the samples stored the levels can be derived from them; without, they are all there is of the road.
        if settings.accelerometer.store_raw:
            names.append("acceleration")
        else:
            levels = ["vibration_rms", "vibration_peak"]
    if settings.key_sense.fitted:
        names.append("key_sense")
    stored = [stored_channel(name, counts=True) for name in names]
    stored += [stored_channel(name) for name in (*levels, *settings.pulse_inputs)]
    if settings.mark_button.fitted:
        stored.append(stored_channel("driver_marks"))
    return tuple(stored)


class Cutter:
    """Gathers batches; `take` gives the second that has just ended. `start_ns` is the recording's zero on the clock."""

    def __init__(self, channels: tuple[StoredChannel, ...], start_ns: int) -> None:
        self.start_ns = start_ns
        self._channels = channels
        self.n_samples = 0
        self.n_pulses = 0
        self._number = {channel.name: number for number, channel in enumerate(channels)}
        self._times: dict[int, list[IntArray]] = {}
        self._values: dict[int, list[RawArray]] = {}
        self._gaps: list[Gap] = []
        self._last_ns: dict[int, int] = {}
        self._state: dict[int, np.int16] = {}
        self._taken_ns: dict[int, int] = {}

    def anew(self, start_ns: int) -> "Cutter":
        """One for another recording, which counts on and knows the states that hold."""
        other = Cutter(self._channels, start_ns)
        other.n_samples, other.n_pulses, other._state = self.n_samples, self.n_pulses, self._state
        return other

    def add(self, batch: Batch) -> None:
        """Take in a batch. What lies before the recording's start is left out."""
        for name, (time_ns, counts) in batch.samples.items():
            self.n_samples += self._gather(name, time_ns, counts, SAMPLE_STEP_NS)
        for name, time_ns in batch.pulses.items():
            self.n_pulses += self._gather(name, time_ns, None, PULSE_STEP_NS)
        for name, (time_ns, state) in batch.states.items():
            # The first state stands from before the start on, so its time is moved there rather than left out.
            self._gather(name, np.maximum(time_ns, self.start_ns), state.astype(np.int16), PULSE_STEP_NS)
        if batch.levels is not None:
            for name, value in (("vibration_rms", batch.levels.rms), ("vibration_peak", batch.levels.peak)):
                resultant: FloatArray = np.rint(value[:, RESULTANT].astype(np.float64) * LEVELS_PER_G) / LEVELS_PER_G
                self._gather(name, batch.levels.time_ns, resultant, SAMPLE_STEP_NS)
        for gap in batch.gaps:
            since, until = max(0, gap.from_ns - self.start_ns), max(0, gap.to_ns - self.start_ns)
            self._gaps.append(replace(gap, from_ns=since, to_ns=until))

    def _gather(self, name: str, time_ns: IntArray, raw: RawArray | None, step_ns: int) -> int:
        number = self._number.get(name)
        if number is None or not time_ns.size:
            return 0
        since = (time_ns - self.start_ns + step_ns // 2) // step_ns * step_ns
        early = int(np.searchsorted(since, 0))
        since = np.maximum(since[early:], self._last_ns.get(number, 0))
        if not since.size:
            return 0
        self._last_ns[number] = int(since[-1])
        self._times.setdefault(number, []).append(since)
        if raw is not None:
            self._values.setdefault(number, []).append(raw[early:])
        return int(since.size)

    def take(self, index: int, health: Mapping[str, Any] | None = None) -> Second:
        """Everything gathered since the last call, as second `index`."""
        self._repeat_states(index)
        series = []
        for number, times in sorted(self._times.items()):
            values = self._values.get(number)
            raw = None if values is None else cast(RawArray, np.concatenate(values))
            series.append(Series(number, np.concatenate(times), raw))
        gaps, self._gaps = tuple(self._gaps), []
        self._times, self._values = {}, {}
        self._taken_ns.update(self._last_ns)
        return Second(index, tuple(series), gaps, health)

    def _repeat_states(self, index: int) -> None:
        """Say again at the start of each second what holds, so that any window knows without looking further back."""
        start = index * NS_PER_S
        for number, state in self._state.items():
            times = self._times.get(number, [])
            first = int(times[0][0]) if times else start + 1
            # A tick that was late has put into the second before what belongs into this one.
            if self._taken_ns.get(number, 0) <= start < first:
                self._times[number] = [np.array([start], dtype=np.int64), *times]
                self._values[number] = [np.array([state], dtype=np.int16), *self._values.get(number, [])]
                self._last_ns[number] = max(self._last_ns.get(number, 0), start)
        for number, values in self._values.items():
            if self._is_state(number):
                self._state[number] = values[-1][-1]

    def _is_state(self, number: int) -> bool:
        return self._number.get("key_sense") == number
