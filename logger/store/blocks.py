"""Packets: what some channels gave in a stretch of time, as one compressed piece of bytes, and back exactly.

A packet is one zstd frame. Inside it, little-endian throughout::

    unit_ns   int32     what one step of the time stream is: 1000, or 1 where a time is no whole microsecond
    n_series  int32
    directory int32 (7, n_series), byte-shuffled: channel, code, n, n_columns, first (ns since t0, two halves),
              step (ns; 0: the times are in the time stream)
    times     all series whose times are no even grid, one after the other: int32 or int64 steps since t0
    values    all int16 series, then all int32, then all float64 series, columns of a vector one after the other

Each stream is differenced (times twice: their intervals are nearly alike), folded so that small numbers of either sign
have small bytes (zigzag), and byte-shuffled, which puts the almost constant upper bytes side by side for zstd. Integer
arithmetic wraps, so every step is undone exactly whatever the values are; differencing runs on over the border between
two series, so that a second of twelve channels costs as many NumPy calls as one of a single channel.

Decimal numbers from a text file (12.503) are kept as whole numbers times a power of ten wherever that gives every
float64 back bit by bit; INT32_MIN stands for absent (NaN), INT32_MIN + 1 for -0.0. Any other float64 keeps its bits.
"""

import struct
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import zstandard

from logger.errors import StoreError
from logger.event import FloatArray, IntArray

RawArray = npt.NDArray[np.int16] | FloatArray
Stream = npt.NDArray[Any]

_NO_VALUE, _INT16, _FLOAT64, _DECIMAL = 0, 1, 2, 16  # _DECIMAL + k: whole numbers, times 10**-k
_MOST_DECIMALS = 6
_ABSENT = np.iinfo(np.int32).min
_MINUS_ZERO = _ABSENT + 1
_STREAMS = (np.dtype("<i2"), np.dtype("<i4"), np.dtype("<i8"))
_NEGATIVE_ZERO_BITS = np.iinfo(np.int64).min
_LARGEST_PACKET = 1 << 28
_SHORT_GRID = 1000


class _Zstd(threading.local):
    """Making a compressor costs more than using it, and none may be used by two threads at a time."""

    def __init__(self) -> None:
        self.decompressor = zstandard.ZstdDecompressor()
        self.compressors: dict[int, zstandard.ZstdCompressor] = {}

    def compress(self, data: bytes, level: int) -> bytes:
        if level not in self.compressors:
            self.compressors[level] = zstandard.ZstdCompressor(level=level, write_checksum=False)
        packed: bytes = self.compressors[level].compress(data)
        return packed

    def decompress(self, data: bytes) -> bytes:
        body: bytes = self.decompressor.decompress(data, max_output_size=_LARGEST_PACKET)
        return body


zstd = _Zstd()


@dataclass(frozen=True, slots=True)
class Series:
    """One channel in one stretch of time.

    channel: its number in the file's list of channels. time_ns: int64, shape (n,), never decreasing, since the
    recording's start. raw: int16 counts or float64 values, shape (n,) or (n, 3); None for pulses and marks.
    """

    channel: int
    time_ns: IntArray
    raw: RawArray | None = None


def encode(series: Sequence[Series], t0_ns: int, level: int = 1) -> bytes:
    """Pack series into bytes; `t0_ns` is handed to `decode` again. Order of the series is kept."""
    directory: list[tuple[int, ...]] = []
    times: list[IntArray] = []
    values: tuple[list[Stream], list[Stream], list[Stream]] = ([], [], [])
    for item in series:
        time_ns, raw = item.time_ns, item.raw
        n = time_ns.size
        first = time_ns.item(0) - t0_ns if n else 0
        step = _even_step(time_ns)
        if n and not step:
            times.append(time_ns)
        code = _NO_VALUE
        n_columns = 0
        if raw is not None:
            is_counts = raw.dtype == np.int16
            code, stream = (_INT16, raw) if is_counts else _float_stream(raw)
            n_columns = raw.shape[1] if raw.ndim == 2 else 0
            if n:
                place = 0 if is_counts else _STREAMS.index(stream.dtype)
                values[place].append(stream.T.reshape(-1) if n_columns else stream)
        directory.append((item.channel, code, n, n_columns, first & 0x7FFFFFFF, first >> 31, step))
    unit_ns, time_bytes = _encode_times(times, t0_ns)
    columns = [word for column in zip(*directory, strict=True) for word in column]
    body = [
        struct.pack("<2i", unit_ns, len(directory)),
        _shuffled(struct.pack(f"<{len(columns)}i", *columns), 4),
        time_bytes,
        *(_encode_stream(np.concatenate(parts)) for parts in values if parts),
    ]
    return zstd.compress(b"".join(body), level)


def decode(packet: bytes, t0_ns: int, channels: Iterable[int] | None = None) -> list[Series]:
    """Unpack a packet: all its series, or those of the channels asked for.

    Raises StoreError where the bytes are no packet.
    """
    try:
        return _decode_body(zstd.decompress(packet), t0_ns, None if channels is None else frozenset(channels))
    except (zstandard.ZstdError, ValueError, IndexError, OverflowError, MemoryError) as error:
        raise StoreError(f"a block of the recording cannot be unpacked: {error}") from error


def _decode_body(body: bytes, t0_ns: int, wanted: frozenset[int] | None) -> list[Series]:
    unit_ns, n_series = (int(x) for x in np.frombuffer(body, "<i4", 2))
    place = 8 + 28 * n_series
    directory = _unshuffle(body[8:place], _STREAMS[1]).reshape(7, n_series)
    rows = directory.T.tolist()
    in_stream = sum(row[2] for row in rows if row[2] and not row[6])
    time_type = _STREAMS[1] if unit_ns == 1000 else _STREAMS[2]
    stop = place + in_stream * time_type.itemsize
    steps = _decode_times(body[place:stop], time_type) if in_stream else np.empty(0, np.int64)
    streams: list[Stream | None] = [None, None, None]
    at_value = [0, 0, 0]
    places = []
    for dtype in _STREAMS:
        size = sum(row[2] * max(1, row[3]) for row in rows if _stream_type(row[1]) == dtype) * dtype.itemsize
        places.append((stop, stop + size))
        stop += size
    if stop != len(body):
        raise StoreError(f"a block of the recording holds {len(body)} bytes where {stop} were expected")
    out = []
    at_time = 0
    for channel, code, n, n_columns, low, high, step in rows:
        first = t0_ns + (high << 31) + low
        keep = wanted is None or channel in wanted
        value_type = _stream_type(code)
        raw: RawArray | None = None
        if value_type is not None:
            k = _STREAMS.index(value_type)
            size = n * max(1, n_columns)
            if keep:
                whole = streams[k]
                if whole is None:
                    whole = streams[k] = _decode_stream(body[slice(*places[k])], value_type)
                raw = _values(whole[at_value[k] : at_value[k] + size], code)
                if n_columns:
                    raw = raw.reshape(n_columns, n).T
            at_value[k] += size
        if step:
            time_ns = _even_grid(n, step) + first if keep else None
        else:
            time_ns = steps[at_time : at_time + n] * unit_ns + t0_ns if keep else None
            at_time += n
        if time_ns is not None:
            out.append(Series(channel, time_ns, raw))
    return out


def _even_step(time_ns: IntArray) -> int:
    """The interval of a perfectly even grid, in ns, or 0; a single sample has none."""
    n = time_ns.size
    if n < 2:
        return 0
    first = time_ns.item(0)
    step: int = time_ns.item(1) - first
    # Most uneven series are found out by their last sample.
    if not 0 < step < 1 << 31 or time_ns.item(-1) - first != (n - 1) * step:
        return 0
    if n <= _SHORT_GRID:
        return step if (time_ns - first).tobytes() == _grid(n, step) else 0
    return step if bool((time_ns[1:] - time_ns[:-1] == step).all()) else 0


@lru_cache(maxsize=256)
def _grid(n: int, step: int) -> bytes:
    """An even grid from 0 on: comparing its bytes costs a quarter of comparing arrays."""
    return (np.arange(n, dtype=np.int64) * step).tobytes()


@lru_cache(maxsize=32)
def _even_grid(n: int, step: int) -> IntArray:
    """The same as an array: minutes of one channel are alike."""
    grid: IntArray = np.arange(n, dtype=np.int64) * step
    grid.setflags(write=False)
    return grid


def _encode_times(times: list[IntArray], t0_ns: int) -> tuple[int, bytes]:
    if not times:
        return 1000, b""
    since = (np.concatenate(times) if len(times) > 1 else times[0]) - t0_ns
    steps = since // 1000
    narrow = steps.astype("<i4")
    if (narrow * np.int64(1000) != since).any():
        return 1, _encode_stream(_difference(since.astype("<i8")))
    return 1000, _encode_stream(_difference(narrow))


def _decode_times(data: bytes, dtype: np.dtype[Any]) -> IntArray:
    steps = _decode_stream(data, dtype)
    return np.cumsum(steps, dtype=dtype, out=steps).astype(np.int64)


def _float_stream(raw: npt.NDArray[Any]) -> tuple[int, Stream]:
    for decimals in range(_MOST_DECIMALS + 1):
        whole = _as_decimals(raw, decimals)
        if whole is not None:
            return _DECIMAL + decimals, whole
    return _FLOAT64, np.ascontiguousarray(raw, dtype=np.float64).view("<i8")


def _as_decimals(raw: npt.NDArray[Any], decimals: int) -> Stream | None:
    """Whole numbers that give every float back bit by bit, or None where there are none."""
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(raw * 10.0**decimals)
        inside = np.abs(scaled) < np.iinfo(np.int32).max
    absent = np.isnan(raw)
    if not bool((inside | absent).all()):
        return None
    whole = np.where(absent, _ABSENT, np.where(absent, 0.0, scaled)).astype("<i4")
    bits = np.ascontiguousarray(raw, dtype=np.float64).view(np.int64)
    whole[bits == _NEGATIVE_ZERO_BITS] = _MINUS_ZERO
    back = _values(whole, _DECIMAL + decimals).view(np.int64)
    return whole if bool(((back == bits) | absent).all()) else None


def _stream_type(code: int) -> np.dtype[Any] | None:
    if code == _NO_VALUE:
        return None
    if code == _INT16:
        return _STREAMS[0]
    if code == _FLOAT64:
        return _STREAMS[2]
    if _DECIMAL <= code <= _DECIMAL + _MOST_DECIMALS:
        return _STREAMS[1]
    raise StoreError(f"a block of the recording uses encoding {code}, which this version does not know")


def _values(stream: Stream, code: int) -> RawArray:
    if code == _INT16:
        return stream
    if code == _FLOAT64:
        return stream.view(np.float64)
    # Division, not multiplication by 0.001: it is correctly rounded, as reading the text 12.503 is.
    value = stream / 10.0 ** (code - _DECIMAL)
    value[stream == _ABSENT] = np.nan
    value[stream == _MINUS_ZERO] = -0.0
    return value


def _difference(values: Stream) -> Stream:
    out = values.copy()
    out[1:] -= values[:-1]
    return out


def _encode_stream(values: Stream) -> bytes:
    step = _difference(values)
    return _shuffle((step << 1) ^ (step >> (8 * step.itemsize - 1)))


def _decode_stream(data: bytes, dtype: np.dtype[Any]) -> Stream:
    folded = _unshuffle(data, np.dtype(f"<u{dtype.itemsize}"))
    step = (folded >> 1).view(dtype)
    folded &= 1
    step ^= np.negative(folded, out=folded).view(dtype)
    out: Stream = np.add.accumulate(step, dtype=dtype, out=step)
    return out


def _shuffle(values: Stream) -> bytes:
    return _shuffled(values, values.itemsize)


def _shuffled(data: Stream | bytes, itemsize: int) -> bytes:
    return np.frombuffer(data, np.uint8).reshape(-1, itemsize).T.tobytes()


def _unshuffle(data: bytes, dtype: np.dtype[Any]) -> Stream:
    # Shifting planes together is five times as fast as transposing them.
    planes = np.frombuffer(data, np.uint8).reshape(dtype.itemsize, -1)
    values: Stream = planes[-1].astype(dtype)
    for plane in planes[-2::-1]:
        values <<= 8
        values |= plane
    return values
