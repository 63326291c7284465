"""Segment acceleration against a table worked out from the equations of motion.

Four cylinders (segment angle pi), constant deceleration of 200 rad/s2. The usual index (T2 - T1) / T1^3 (M. Plapp,
M. Klenk and W. Moser, SAE Technical Paper 900232, 1990, from memory) over-reads by 1 % at 3000 rpm and 18 % at 800 rpm.
"""

import numpy as np
import pytest

from logger.analysis.crank.roughness import segment_acceleration

TABLE = {
    3000: ((10032.04, 10096.94, 10163.11), 201.94),
    800: ((39348.12, 43930.28, 50623.69), 236.29),
}


@pytest.mark.parametrize("rpm", TABLE)
def test_the_exact_form_gives_back_the_deceleration(rpm: int) -> None:
    segments_us, _ = TABLE[rpm]
    at_ns = np.rint(np.concatenate(([0.0], np.cumsum(segments_us))) * 1000).astype(np.int64)
    assert segment_acceleration(at_ns, per_revolution=2.0) == pytest.approx([-200.0, -200.0], abs=0.1)


@pytest.mark.parametrize("rpm", TABLE)
def test_the_cubed_form_over_reads_as_published(rpm: int) -> None:
    (first, second, _), cubed = TABLE[rpm]
    assert np.pi * (second - first) * 1e-6 / (first * 1e-6) ** 3 == pytest.approx(cubed, rel=1e-3)
