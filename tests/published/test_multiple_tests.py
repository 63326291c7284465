"""Corrections for many looks against published worked numbers."""

import pytest

from logger.analysis.links.matched import benjamini_hochberg, holm
from logger.errors import AnalysisError


@pytest.mark.parametrize(
    ("raw", "step_down", "step_up"),
    [
        # Worked examples of a public p-value adjustment routine's documentation (stdlib, "padjust").
        ([0.008, 0.03, 0.123, 0.6, 0.2], [0.04, 0.12, 0.369, 0.6, 0.4], [0.04, 0.075, 0.205, 0.6, 0.25]),
        ([0.319, 0.201, 0.4, 0.374, 0.113], [0.957, 0.804, 0.957, 0.957, 0.565], [0.4] * 5),
        # R package multtest, as quoted in statsmodels' tests of multiple comparisons.
        (
            [0.001, 0.002, 0.003, 0.004, 0.005, 0.05, 0.06, 0.07, 0.08, 0.09],
            [0.01, 0.018, 0.024, 0.028, 0.03, 0.25, 0.25, 0.25, 0.25, 0.25],
            [0.01] * 5 + [0.083333, 0.085714, 0.0875, 0.088889, 0.09],
        ),
        # By hand from S. Holm, Scand. J. Stat. 6 (1979) 65-70: 5, 4, 3, 2, 1 times the ordered values, never falling.
        ([0.01, 0.02, 0.03, 0.04, 0.05], [0.05, 0.08, 0.09, 0.09, 0.09], [0.05] * 5),
    ],
)
def test_adjusted_p_values(raw: list[float], step_down: list[float], step_up: list[float]) -> None:
    assert holm(raw) == pytest.approx(step_down, abs=1e-6)
    assert benjamini_hochberg(raw) == pytest.approx(step_up, abs=1e-6)


def test_benjamini_and_hochbergs_own_example_rejects_four_where_holm_rejects_three() -> None:
    # Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300, section 3.2; the 15 p-values from memory.
    raw = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
           0.7590, 1.0]  # fmt: skip
    assert (benjamini_hochberg(raw) <= 0.05).sum() == 4
    assert (holm(raw) <= 0.05).sum() == 3


def test_nothing_to_adjust_and_nonsense_to_adjust() -> None:
    # Definition: a p-value lies between 0 and 1.
    assert holm([]).size == benjamini_hochberg([]).size == 0
    with pytest.raises(AnalysisError, match="from 0 to 1"):
        holm([0.2, 1.2])
