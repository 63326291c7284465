"""Our medians are NumPy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from logger.analysis.medians import median, row_medians

NUMBERS = st.floats(-1e9, 1e9) | st.just(float("nan"))


@given(arrays(np.float64, st.integers(1, 40), elements=NUMBERS))
def test_the_median_is_that_of_numpy_to_the_bit(value: np.ndarray) -> None:
    np.testing.assert_array_equal(median(value), np.median(value))


@given(arrays(np.int64, st.integers(1, 40), elements=st.integers(-(10**12), 10**12)))
def test_so_it_is_of_nanoseconds(value: np.ndarray) -> None:
    assert median(value) == np.median(value)


def test_nothing_has_no_median() -> None:
    assert np.isnan(median(np.empty(0)))


@given(arrays(np.float64, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=NUMBERS))
def test_the_medians_of_rows_are_those_of_numpy(value: np.ndarray) -> None:
    np.testing.assert_array_equal(row_medians(value), np.median(value, axis=1))


def test_rows_of_nothing_are_refused() -> None:
    with pytest.raises(IndexError):
        row_medians(np.empty((3, 0)))
