"""Recordings read back as SI values, growing or closed.

The file itself is described in `logger.store.schema`. A reader may be opened at any time, in any number, in any
process, also while the recording grows, and sees every second that has been committed.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from logger.event import NS_PER_S, FloatArray, Gap, IntArray, Recording, Trace
from logger.settings import Settings
from logger.store import schema
from logger.store.blocks import Series
from logger.store.calibrated import Calibrated
from logger.store.closed_source import ClosedSource
from logger.store.description import RecordingMeta, StoredChannel
from logger.store.growing_source import GrowingSource
from logger.store.overview import column_extremes, columns_of_rates, columns_of_samples, columns_of_states
from logger.store.schema import sqlite_errors
from logger.store.sources import cut
from logger.store.summary import COARSE_S

TACH, MARKS = "tach_pulses", "driver_marks"


class RecordingReader:
    """One recording, read in windows: SI values with the calibration in force, or with the settings handed in.

    t0_ns, t1_ns: window t0 <= time < t1 in ns since the recording's start; None is open. Raises StoreError where the
    file is missing, damaged, newer than this program, or has no such channel.
    """

    def __init__(self, path: Path, settings: Settings | None = None) -> None:
        self.path = path
        self._connection = schema.connect(path)
        try:
            self.meta: RecordingMeta = schema.read_recording_meta(self._connection, path)
            with sqlite_errors(path):
                tables = self._connection.execute("SELECT name FROM sqlite_master WHERE name = 'blocks'").fetchall()
        except BaseException:
            self._connection.close()
            raise
        kind = ClosedSource if tables else GrowingSource
        self._source: ClosedSource | GrowingSource = kind(self._connection, path, self.meta)
        self._calibrated = Calibrated(self.meta, settings, str(path))

    @property
    def settings(self) -> Settings:
        """The settings by which counts become SI values: those handed in, or the recording's own."""
        return self._calibrated.settings

    @property
    def how_closed(self) -> str | None:
        """ "closed", "imported", "recovered" (its power was cut), "salvaged" (it was damaged); None while it grows."""
        closed = schema.read_meta(self._connection, self.path, "closed")
        return None if closed is None else str(closed["how"])

    @property
    def is_closed(self) -> bool:
        """Whether nothing will be added any more."""
        return self.how_closed is not None

    @property
    def is_compacted(self) -> bool:
        """Whether the file is in its final shape."""
        return isinstance(self._source, ClosedSource)

    @property
    def duration_ns(self) -> int:
        """Time of the last sample; while the recording grows, the whole seconds stored."""
        return self._source.duration_ns

    @property
    def n_seconds(self) -> int:
        """Seconds stored while recording, or that the compacted recording spans."""
        if isinstance(self._source, GrowingSource):
            return self._source.n_rows
        return self._source.duration_ns // NS_PER_S + 1

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of all channels the recording was set up for, whether or not they gave anything."""
        return tuple(channel.name for channel in self.meta.channels)

    def raw(self, channel: str, t0_ns: int | None = None, t1_ns: int | None = None) -> Series:
        """A channel as stored: times and counts (int16) or values (float64)."""
        return self.raws([channel], t0_ns, t1_ns)[channel]

    def raws(self, channels: Sequence[str], t0_ns: int | None = None, t1_ns: int | None = None) -> dict[str, Series]:
        """Several channels as stored, in one pass over the file."""
        numbers = {name: self.meta.number(name) for name in channels}
        series = self._source.series(list(numbers.values()), t0_ns, t1_ns)
        return {name: series[number] for name, number in numbers.items()}

    def read(self, channel: str, t0_ns: int | None = None, t1_ns: int | None = None) -> Trace:
        """A sampled channel in SI values."""
        return self.reads([channel], t0_ns, t1_ns)[channel]

    def reads(self, channels: Sequence[str], t0_ns: int | None = None, t1_ns: int | None = None) -> dict[str, Trace]:
        """Several sampled channels in SI values, in one pass over the file."""
        for name in channels:
            if self._stored(name).is_pulses:
                raise ValueError(f"{name} holds times only; read it with pulses()")
        return self._calibrated.traces(self._with_supply(channels, t0_ns, t1_ns), channels, t0_ns, t1_ns)

    def both(
        self, channels: Sequence[str], t0_ns: int | None = None, t1_ns: int | None = None
    ) -> dict[str, tuple[Series, FloatArray | None]]:
        """Several channels as stored and, beside it, in SI values (None for pulses), in one pass over the file."""
        series = self._with_supply(channels, t0_ns, t1_ns)
        sampled = [name for name in channels if not self._stored(name).is_pulses]
        traces = self._calibrated.traces(series, sampled, t0_ns, t1_ns)
        return {
            name: (cut(series[name], t0_ns, t1_ns), traces[name].value if name in traces else None) for name in channels
        }

    def _with_supply(self, channels: Sequence[str], t0_ns: int | None, t1_ns: int | None) -> dict[str, Series]:
        """Channels as stored; where a sensor is read against its supply, with that and so much around the window."""
        supply = self._calibrated.supply_channel([name for name in channels if not self._stored(name).is_pulses])
        wanted = [*channels, *([supply] if supply and supply not in channels else [])]
        margin = NS_PER_S if supply else 0
        return self.raws(wanted, None if t0_ns is None else t0_ns - margin, None if t1_ns is None else t1_ns + margin)

    def pulses(self, channel: str, t0_ns: int | None = None, t1_ns: int | None = None) -> IntArray:
        """Times of a pulse channel or of the driver's marks."""
        if not self._stored(channel).is_pulses:
            raise ValueError(f"{channel} holds values; read it with read()")
        return self.raw(channel, t0_ns, t1_ns).time_ns

    def overview(
        self, channel: str, t0_ns: int | None = None, t1_ns: int | None = None, n_columns: int = 2000
    ) -> tuple[IntArray, FloatArray, FloatArray]:
        """Lowest and highest value in each of `n_columns` equal stretches of the window, so that no dip is lost.

        Returns (start of each stretch in ns, minimum, maximum), shapes (n,), or (n, 3) for acceleration; NaN where
        nothing was recorded. For pulse channels the values are pulse rates in Hz, each from two neighbouring pulses.
        """
        t0 = 0 if t0_ns is None else t0_ns
        t1 = max(t0 + 1, self.duration_ns + 1 if t1_ns is None else t1_ns)
        if n_columns < 1:
            raise ValueError(f"n_columns is {n_columns}; give 1 or more")
        edges = t0 + (t1 - t0) * np.arange(n_columns, dtype=np.int64) // n_columns
        stored = self._stored(channel)
        is_coarse = t1 - t0 >= n_columns * NS_PER_S
        if stored.kind == "state" and (self.is_compacted or not is_coarse):
            # While recording, the recorder says again each second what holds; otherwise it may be long ago.
            trace = self.read(channel, None if self.is_compacted else t0 - 2 * NS_PER_S, t1)
            return edges, *columns_of_states(trace, t0, t1, n_columns)
        if is_coarse:
            width_s = COARSE_S if t1 - t0 >= n_columns * COARSE_S * NS_PER_S else 1
            second, summary = self._source.summaries(self.meta.number(channel), width_s)
            supply = self._calibrated.supply_channel([channel])
            supplies = self._source.summaries(self.meta.number(supply), width_s) if supply else None
            low, high = self._calibrated.extremes(stored, second, summary, supplies)
            return edges, *column_extremes(second * NS_PER_S, low, high, t0, t1, n_columns, width_ns=width_s * NS_PER_S)
        if stored.is_pulses:
            return edges, *columns_of_rates(self.pulses(channel, t0 - 10 * NS_PER_S, t1), t0, t1, n_columns)
        return edges, *columns_of_samples(self.read(channel, t0, t1), t0, t1, n_columns)

    def gaps(self) -> tuple[Gap, ...]:
        """Stretches in which something was not recorded, in time order, those that touch made one."""
        return merge_gaps(self._source.gaps())

    def health(self) -> list[dict[str, Any]]:
        """The recorder's own health as noted now and then, each with the "second" it belongs to."""
        return self._source.health()

    def summaries(self, channel: str, width_s: int = 1) -> tuple[IntArray, FloatArray]:
        """Stored summaries of each second, or of every ten: (their first seconds, shape (n,); count, min, mean, max of
        each column, shape (n, columns, 4))."""
        return self._source.summaries(self.meta.number(channel), width_s)

    def quick_check(self) -> str:
        """SQLite's own verdict on the file's pages: "ok", or what is wrong."""
        with sqlite_errors(self.path):
            return str(self._connection.execute("PRAGMA quick_check(1)").fetchone()[0])

    @property
    def given(self) -> tuple[str, ...]:
        """Names of the channels that gave something; an imported folder's are all of them."""
        return tuple(
            name
            for number, name in enumerate(self.channels)
            if self.meta.origin == "import" or name in (TACH, MARKS) or self._source.gave(number)
        )

    def recording(
        self, name: str | None = None, offset_ns: int | None = None, t0_ns: int | None = None, t1_ns: int | None = None
    ) -> Recording:
        """The recording as the analysis takes it, or the samples of a window of it; channels that gave nothing are left
        out."""
        given = self.given
        series = self._with_supply(given, t0_ns, t1_ns)
        sampled = [name for name in given if not self._stored(name).is_pulses]
        return Recording(
            name=name or self.path.name.removesuffix(schema.SUFFIX),
            duration_ns=self.duration_ns,
            traces=self._calibrated.traces(series, sampled, t0_ns, t1_ns),
            pulses={name: cut(series[name], t0_ns, t1_ns).time_ns for name in given if self._stored(name).is_pulses},
            offset_ns=offset_ns,
            gaps=self.gaps(),
        )

    def _stored(self, channel: str) -> StoredChannel:
        return self.meta.channels[self.meta.number(channel)]

    def close(self) -> None:
        """Close the file. May be called twice."""
        self._connection.close()

    def __enter__(self) -> "RecordingReader":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"RecordingReader({str(self.path)!r})"


def merge_gaps(gaps: Sequence[Gap]) -> tuple[Gap, ...]:
    """Gaps of one channel and one reason that touch or overlap become one; in time order."""
    out: list[Gap] = []
    last: dict[tuple[str, str], int] = {}
    for gap in sorted(gaps, key=lambda gap: (gap.from_ns, gap.to_ns)):
        place = last.get((gap.channel, gap.why))
        if place is not None and gap.from_ns <= out[place].to_ns:
            out[place] = Gap(gap.channel, out[place].from_ns, max(out[place].to_ns, gap.to_ns), gap.why)
        else:
            last[gap.channel, gap.why] = len(out)
            out.append(gap)
    return tuple(out)
