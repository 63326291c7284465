"""Fisher's exact test as the plain odds of a repair use it."""

import pytest

from logger.analysis.links.exposure import Exposure
from logger.analysis.repair.provoking import Run
from logger.analysis.repair.repair_words import chance_of_split, plain_odds


def runs(failed: int, clean: int) -> list[Run]:
    """Runs of which some had a burst."""
    return [Run(Exposure("r", 60.0, 60.0, 60.0, int(k < failed), int(k < failed))) for k in range(failed + clean)]


@pytest.mark.parametrize(
    ("table", "p"),
    [
        # R. A. Fisher, The Design of Experiments (1935), ch. 2: the lady tasting tea; 17/70, and 1/70 all right.
        (((3, 1), (1, 3)), 17 / 70),
        (((4, 0), (0, 4)), 1 / 70),
    ],
)
def test_the_lady_tasting_tea(table: tuple[tuple[int, int], tuple[int, int]], p: float) -> None:
    (a, b), (c, d) = table
    assert chance_of_split(runs(a, b), runs(c, d)) == pytest.approx(p, rel=1e-9)


def test_three_of_four_before_and_none_of_four_since() -> None:
    # By hand from Fisher's formula: C(4,3) C(4,0) / C(8,3) = 4/56.
    assert chance_of_split(runs(3, 1), runs(0, 4)) == pytest.approx(4 / 56, rel=1e-9)
    assert plain_odds(runs(3, 1), runs(0, 4)) == (
        "Before, 3 of 4 runs failed; since, none of 4 (by chance alone: 7.1 %)."
    )
