"""Packets give back exactly what went in, and never anything else."""

import numpy as np
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as nps

from logger.errors import StoreError
from logger.store.blocks import Series, decode, encode
from tests.store.recordings import same

T0 = 40_000_000_000


def times(n: int, unit: int) -> st.SearchStrategy[np.ndarray]:
    steps = st.lists(st.integers(0, 10**9), min_size=n, max_size=n)
    return steps.map(lambda s: T0 - 10**9 + np.cumsum(np.array(s, dtype=np.int64)) * unit)


def floats() -> st.SearchStrategy[float]:
    decimal = st.integers(-(10**7), 10**7).flatmap(lambda n: st.integers(0, 6).map(lambda k: n / 10.0**k))
    return st.one_of(decimal, st.just(float("nan")), st.just(-0.0), st.floats(width=64))


@st.composite
def series(draw: st.DrawFn) -> Series:
    n = draw(st.integers(0, 40))
    time_ns = draw(times(n, draw(st.sampled_from([1, 1000, 10_000_000]))))
    columns = draw(st.sampled_from([0, 1, 3]))
    if columns == 0:
        return Series(draw(st.integers(0, 1000)), time_ns)
    shape = (n,) if columns == 1 else (n, 3)
    if draw(st.booleans()):
        return Series(draw(st.integers(0, 1000)), time_ns, draw(nps.arrays(np.int16, shape)))
    values = np.array(draw(st.lists(floats(), min_size=n * columns, max_size=n * columns)), dtype=np.float64)
    return Series(draw(st.integers(0, 1000)), time_ns, values.reshape(shape))


def without_nan_bits(item: Series) -> Series:
    """NaN means absent, whatever its bits."""
    if item.raw is None or item.raw.dtype != np.float64:
        return item
    return Series(item.channel, item.time_ns, np.where(np.isnan(item.raw), np.nan, item.raw))


@given(st.lists(series(), max_size=5))
@settings(max_examples=200, deadline=None)
def test_any_mixture_of_channels_comes_back_bit_by_bit(items: list[Series]) -> None:
    back = decode(encode(items, T0), T0)
    assert [item.channel for item in back] == [item.channel for item in items]
    assert all(same(without_nan_bits(one), without_nan_bits(two)) for one, two in zip(items, back, strict=True))


def test_only_the_channels_asked_for_are_unpacked_and_are_the_right_ones() -> None:
    grid = T0 + np.arange(5, dtype=np.int64) * 10_000_000
    items = [Series(k, grid, np.arange(5, dtype=np.int16) + 10 * k) for k in range(3)]
    items.append(Series(3, np.array([T0, T0 + 1_500], dtype=np.int64)))
    [one, pulses] = decode(encode(items, T0), T0, [1, 3])
    assert one.raw is not None
    assert one.raw.tolist() == [10, 11, 12, 13, 14]
    assert pulses.time_ns.tolist() == [T0, T0 + 1_500]


def test_numbers_from_a_text_file_take_a_fraction_of_their_float64() -> None:
    random = np.random.default_rng(1)
    value = np.round(13.8 + 0.05 * random.standard_normal(6000), 3)
    time_ns = np.arange(6000, dtype=np.int64) * 10_000_000
    assert len(encode([Series(0, time_ns, value)], 0)) < 6000 * 8 / 6


def test_a_regular_grid_costs_next_to_nothing() -> None:
    short, long = (
        len(encode([Series(0, np.arange(n, dtype=np.int64) * 10_000_000, np.zeros(n, np.int16))], 0))
        for n in (10, 6000)
    )
    assert long - short < 40


@pytest.mark.parametrize("junk", [b"", b"junk", encode([], 0)[:-1]])
def test_what_is_no_packet_is_refused_with_words(junk: bytes) -> None:
    with pytest.raises(StoreError, match="cannot be unpacked"):
        decode(junk, 0)


@given(st.binary(min_size=1, max_size=200))
@settings(max_examples=200, deadline=None)
def test_a_frame_around_nonsense_is_refused_and_never_crashes(body: bytes) -> None:
    with pytest.raises(StoreError):
        decode(zstandard.ZstdCompressor().compress(b"\xff" + body), 0)
