"""The samples of an event in windows, so that a long day needs no more memory than a short one."""

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np

from logger.event import NS_PER_S, FloatArray
from logger.store.blocks import Series
from logger.store.description import StoredChannel
from logger.store.exports.contents import Contents
from logger.store.exports.held import Held

WINDOW_NS = 10 * 60 * NS_PER_S
"""Long enough that Parquet's row groups are worth their overhead, short enough to be small in memory."""

MOST_WINDOWS = 1000
N_THREADS = 2


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


def hand_out(
    contents: Contents,
    begin: Callable[[ExitStack, Held], Callable[[Piece], None]],
    progress: Callable[[float], None],
) -> dict[tuple[str, str], int]:
    """Hand every piece to what `begin` gives for its recording; while a window is written, the next one is read.

    The pieces of one window are written by several threads, those of one channel in order and never at a time. Returns
    the number of samples of each (recording, channel). begin: may leave what is to be closed with the stack.
    """
    counts: dict[tuple[str, str], int] = {}
    with ExitStack() as stack, ThreadPoolExecutor(N_THREADS) as pool:
        current: Held | None = None
        under_way: list[Future[None]] = []
        for held, given, share in pieces(contents):
            _finish(under_way)
            if held is not current:
                stack.close()
                write, current = begin(stack, held), held
            under_way = [pool.submit(write, piece) for piece in given]
            for piece in given:
                key = (held.name, piece.channel.name)
                counts[key] = counts.get(key, 0) + piece.series.time_ns.size
            progress(share)
        _finish(under_way)
    return counts


def _finish(under_way: "list[Future[None]]") -> None:
    for future in under_way:
        future.result()
