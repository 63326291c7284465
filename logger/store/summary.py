"""Count, lowest, mean and highest value of each channel in each second: what an overview is drawn from.

One second's summary is a fixed record, the same for every second of a file: int16 (n, min, mean, max) for each column
of each counts channel, then float64 ones for value channels, then float32 ones for pulse channels, whose value is the
pulse rate in Hz (from the intervals that end in this second, also those which began in an earlier one; 0 where none
does). Where n is 0 the other three mean nothing.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import zstandard

from logger.errors import StoreError
from logger.event import NS_PER_S, FloatArray, IntArray
from logger.store.blocks import Series, zstd
from logger.store.description import StoredChannel

ROLLUP_SECONDS = 300
COARSE_S = 10
"""Seconds in one entry of the coarse summaries, which draw a day at a tenth of the cost."""

N, MIN, MEAN, MAX = range(4)


class SummaryLayout:
    """Where each channel lies in a file's summaries."""

    def __init__(self, channels: Sequence[StoredChannel]) -> None:
        sizes = {"counts": 0, "values": 0, "rates": 0}
        self.place: list[tuple[str, int, int]] = []
        for channel in channels:
            group = "rates" if channel.is_pulses else "counts" if channel.counts else "values"
            width = max(1, channel.n_columns)
            self.place.append((group, sizes[group], sizes[group] + width))
            sizes[group] += width
        self._sizes = sizes
        self.dtype = np.dtype([
            ("counts", "<i2", (sizes["counts"], 4)),
            ("values", "<f8", (sizes["values"], 4)),
            ("rates", "<f4", (sizes["rates"], 4)),
        ])  # fmt: skip

    def summarise(self, series: Iterable[Series], last_pulse_ns: dict[int, int]) -> bytes:
        """The record of one second. `last_pulse_ns` keeps each pulse channel's last time from call to call."""
        counts = np.zeros((self._sizes["counts"], 4), dtype="<i2")
        values = np.zeros((self._sizes["values"], 4), dtype="<f8")
        rates = np.zeros((self._sizes["rates"], 4), dtype="<f4")
        parts: list[npt.NDArray[Any]] = []
        starts: list[int] = []
        sizes: list[int] = []
        rows: list[int] = []
        filled = 0
        for item in series:
            n = item.time_ns.size
            if not n:
                continue
            group, low, high = self.place[item.channel]
            if item.raw is None:
                rates[low] = pulse_rates(item, last_pulse_ns)
            elif group == "values":
                values[low:high] = summary_of_values(np.asarray(item.raw, np.float64).reshape(n, -1))
            else:
                parts.append(item.raw.T.reshape(-1))
                for row in range(low, high):
                    rows.append(row)
                    starts.append(filled)
                    sizes.append(n)
                    filled += n
        if parts:
            joined = np.concatenate(parts)
            places = np.array(starts)
            table = np.empty((4, len(rows)), dtype="<i2")
            table[N] = sizes
            np.minimum.reduceat(joined, places, out=table[MIN])
            np.maximum.reduceat(joined, places, out=table[MAX])
            table[MEAN] = np.add.reduceat(joined, places, dtype=np.int64) // table[N]
            counts[rows] = table.T
        return counts.tobytes() + values.tobytes() + rates.tobytes()

    def coarsen(self, records: bytes) -> bytes:
        """Consecutive seconds, joined, as one record for every ten of them (the last for what is left)."""
        fine = self.parse(records)
        out = np.zeros(-(-fine.size // COARSE_S), self.dtype)
        group = np.arange(fine.size) // COARSE_S
        for name in self._sizes:
            if self._sizes[name]:
                coarse = coarse_of(fine[name].astype(np.float64), group, are_rates=name == "rates")[1]
                out[name] = np.rint(coarse) if name == "counts" else coarse
        return out.tobytes()

    def parse(self, records: bytes) -> npt.NDArray[np.void]:
        """Summaries of consecutive seconds, joined, as a structured array. Raises StoreError where they do not fit."""
        if len(records) % self.dtype.itemsize:
            raise StoreError(f"a summary of the recording has {len(records)} bytes, no multiple of a second's")
        return np.frombuffer(records, self.dtype)

    def columns(self, records: npt.NDArray[np.void], channel: int) -> FloatArray:
        """One channel's summaries as float64, shape (seconds, columns, 4)."""
        group, low, high = self.place[channel]
        return np.asarray(records[group][:, low:high], dtype=np.float64)


def pulse_rates(item: Series, last_pulse_ns: dict[int, int]) -> tuple[float, float, float, float]:
    """(n, lowest, mean, highest rate in Hz) of one second's pulses."""
    time_ns = item.time_ns
    n, first, last = time_ns.size, time_ns.item(0), time_ns.item(-1)
    before = last_pulse_ns.get(item.channel, first)
    last_pulse_ns[item.channel] = last
    if before < first:
        intervals = np.empty_like(time_ns)
        intervals[0] = first - before
        np.subtract(time_ns[1:], time_ns[:-1], out=intervals[1:])
    else:
        before = first
        intervals = time_ns[1:] - time_ns[:-1]
    # The ufuncs' own methods: those of the array cost twice as much on so few numbers.
    if intervals.size and not np.minimum.reduce(intervals):
        intervals = intervals[intervals > 0]
    if not intervals.size:
        return float(n), 0.0, 0.0, 0.0
    return (
        float(n),
        NS_PER_S / np.maximum.reduce(intervals).item(),
        NS_PER_S * intervals.size / (last - before),
        NS_PER_S / np.minimum.reduce(intervals).item(),
    )


def summary_of_values(values: npt.NDArray[np.float64]) -> FloatArray:
    """(n, min, mean, max) of each column of shape (n, columns), NaN left out; all 0 where nothing is left."""
    present = ~np.isnan(values)
    n = present.sum(axis=0)
    out = np.zeros((values.shape[1], 4))
    out[:, N] = n
    some = n > 0
    out[some, MIN] = np.where(present, values, np.inf).min(axis=0)[some]
    with np.errstate(over="ignore"):
        out[some, MEAN] = np.where(present, values, 0.0).sum(axis=0)[some] / n[some]
    out[some, MAX] = np.where(present, values, -np.inf).max(axis=0)[some]
    return out


def coarse_of(summary: FloatArray, group: IntArray, *, are_rates: bool) -> tuple[IntArray, FloatArray]:
    """Summaries (seconds, columns, 4) joined where neighbours have the same group; (groups, (groups, columns, 4))."""
    if not group.size:
        return group, summary
    starts = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    n = summary[..., N]
    # A second can have a pulse and no interval: its rates are 0 and say nothing.
    some = summary[..., MAX] > 0 if are_rates else n > 0
    out = np.zeros((starts.size, *summary.shape[1:]))
    out[..., N] = np.add.reduceat(n, starts)
    weight = np.add.reduceat(np.where(some, n, 0.0), starts)
    any_value = weight > 0
    lowest = np.minimum.reduceat(np.where(some, summary[..., MIN], np.inf), starts)
    highest = np.maximum.reduceat(np.where(some, summary[..., MAX], -np.inf), starts)
    with np.errstate(over="ignore", invalid="ignore"):
        total = np.add.reduceat(np.where(some, n * summary[..., MEAN], 0.0), starts)
        mean = total / np.where(any_value, weight, 1.0)
    out[..., MIN] = np.where(any_value, lowest, 0.0)
    out[..., MAX] = np.where(any_value, highest, 0.0)
    out[..., MEAN] = np.where(any_value, mean, 0.0)
    return group[starts], out


def pack_rollup(records: bytes, layout: SummaryLayout) -> bytes:
    """Consecutive summaries as one piece; byte k of every record side by side, for zstd."""
    table = np.frombuffer(records, np.uint8).reshape(-1, layout.dtype.itemsize)
    return zstd.compress(table.T.tobytes(), 1)


def unpack_rollup(data: bytes, layout: SummaryLayout) -> bytes:
    """The inverse of `pack_rollup`: the summaries, joined."""
    try:
        table = np.frombuffer(zstd.decompress(data), np.uint8)
        return table.reshape(layout.dtype.itemsize, -1).T.tobytes()
    except (zstandard.ZstdError, ValueError) as error:
        raise StoreError(f"an overview row of the recording cannot be unpacked: {error}") from error
