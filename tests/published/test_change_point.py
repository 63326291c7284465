"""Change-point detection against published data with known breaks."""

import numpy as np
import pytest
from statsmodels.datasets import nile

from logger.analysis.changepoint import mean_shift, tabular_cusum


def test_the_nile_fell_after_1898() -> None:
    """G. W. Cobb, Biometrika 65 (1978) 243-251; break after observation 28, year 1898 (R strucchange, bcp)."""
    flow = np.asarray(nile.load_pandas().data["volume"], float)
    k = mean_shift(flow)
    assert k == 28
    assert flow[:k].mean() == pytest.approx(1097.75)
    assert flow[k:].mean() == pytest.approx(849.972, abs=1e-3)


def test_cusum_without_an_alarm() -> None:
    """D. C. Montgomery and G. C. Runger, Applied Statistics and Probability for Engineers, example 16-6."""
    x = "102.0 94.8 98.3 98.4 102.0 98.5 99.0 97.7 100.0 98.1 101.3 98.7 101.1 98.4 97.0 96.7 100.3 101.4 97.2 101.0"
    upper, lower = tabular_cusum(np.array(x.split(), float), target=99.0, slack=1.0)
    assert upper == pytest.approx([2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1], abs=1e-9)
    assert lower[:4] == pytest.approx([0, 3.2, 2.9, 2.5], abs=1e-9)
    assert max(upper.max(), lower.max()) < 10.0


def test_cusum_alarms_at_the_fourteenth_point() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (data from memory)."""
    x = (
        "324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 "
        "324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350"
    )
    upper, lower = tabular_cusum(np.array(x.split(), float), target=325.0, slack=0.3175)
    assert upper[12:] == pytest.approx([3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=1e-4)
    assert int(np.flatnonzero(upper > 4.1959)[0]) + 1 == 14
    assert lower.max() < 4.1959
