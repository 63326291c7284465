"""The samples of an event in windows, so that a long day needs no more memory than a short one."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logger.event import NS_PER_S, FloatArray
from logger.store.blocks import Series
from logger.store.exports.contents import Contents, Held
from logger.store.schema import StoredChannel

WINDOW_NS = 10 * 60 * NS_PER_S
"""Long enough that Parquet's row groups are worth their overhead, short enough to be small in memory."""

MOST_WINDOWS = 1000


@dataclass(frozen=True, slots=True)
class Piece:
    """What one channel gave in one window. raw: int16 counts, shape (n,) or (n, 3), None where it was stored as
    values or times; value: SI, the same shape, NaN where the sensor gave nothing; None for pulses and marks."""

    held: Held
    channel: StoredChannel
    series: Series
    value: FloatArray | None

    @property
    def counts(self) -> np.ndarray[tuple[int, ...], np.dtype[np.int16]] | None:
        """The chip's counts, where that is what was stored."""
        return np.asarray(self.series.raw, np.int16) if self.channel.counts and self.series.raw is not None else None


def windows(held: Held) -> list[tuple[int | None, int | None]]:
    """Windows (t0_ns, t1_ns) that cover all of a recording, the first and the last open to their side."""
    duration_ns = held.reader.duration_ns
    step = max(WINDOW_NS, duration_ns // MOST_WINDOWS)
    edges = list(range(step, duration_ns + 1, step))
    return list(zip([None, *edges], [*edges, None], strict=True))


def pieces(contents: Contents) -> Iterator[tuple[Held, list[Piece], float]]:
    """For each window of each recording in order: what the channels gave, and the share of the work done after it."""
    todo = [(held, window) for held in contents.recordings for window in windows(held)]
    for number, (held, window) in enumerate(todo, 1):
        both = held.reader.both(held.reader.channels, *window)
        given = [
            Piece(held, channel, *both[channel.name])
            for channel in held.reader.meta.channels
            if both[channel.name][0].time_ns.size
        ]
        yield held, given, number / len(todo)
