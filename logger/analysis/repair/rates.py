"""Burst rates before and after, as numbers only: the core of repairs.py, fed from an event or from a season.

compare(counts_before, exposure_before, counts_after, exposure_after) -> Compared      one number per recording
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.analysis.findings import Verdict
from logger.analysis.repair.sequential import LEVEL, confidence_fallen, evidence_against, exposure_needed, tail

PRIOR_RUNS = 8.0


@dataclass(frozen=True, slots=True)
class Compared:
    """The numbers under a verdict: bursts and exposure before and after, overdispersion, and what follows from them."""

    before: int
    after: int
    exposure_before: float
    exposure_after: float
    overdispersion: float
    confidence: float
    needed: float

    @property
    def ratio_exposure(self) -> float:
        """Exposure since the repair in units of that before; 0 where there was none before."""
        return self.exposure_after / self.exposure_before if self.exposure_before > 0 else 0.0

    @property
    def needed_ratio(self) -> float:
        """What is still needed, in the same units: so that knocks and minutes compare."""
        return self.needed / self.exposure_before if self.exposure_before > 0 else np.inf

    @property
    def verdict(self) -> Verdict:
        """By the rules at the top of the module."""
        if self.confidence >= LEVEL:
            return "fixed"
        n, k = self.before / self.overdispersion, self.after / self.overdispersion
        odds_of_fall = 1.0 - tail(n, k, self.ratio_exposure)
        came_back = (self.after >= 2 and odds_of_fall < 0.5) or (self.after == 1 and odds_of_fall < 0.2)
        excluded = evidence_against(n, k, self.ratio_exposure) >= 1.0 / (1.0 - LEVEL)
        return "not_fixed" if self.before and self.after and (came_back or excluded) else "too_early"


def compare(
    counts_before: Sequence[float],
    exposure_before: Sequence[float],
    counts_after: Sequence[float],
    exposure_after: Sequence[float],
) -> Compared:
    """The core, over bursts and exposure of each recording: numbers only, so that a season can be fed from anywhere.

    The unit of exposure is free, if the same throughout. Zero bursts, zero exposure and empty lists are allowed.
    """
    before, after = int(np.sum(counts_before)), int(np.sum(counts_after))
    e0, e1 = float(np.sum(exposure_before)), float(np.sum(exposure_after))
    spread = overdispersion([(counts_before, exposure_before), (counts_after, exposure_after)])
    ratio = e1 / e0 if e0 > 0 else 0.0
    confidence = confidence_fallen(before / spread, after / spread, ratio)
    needed = max(0.0, exposure_needed(before / spread, after / spread) * e0 - e1) if e0 > 0 else np.inf
    return Compared(before, after, e0, e1, spread, confidence, needed)


def overdispersion(periods: Sequence[tuple[Sequence[float], Sequence[float]]]) -> float:
    """Variance over mean of the counts of runs, each period having its own rate; 1 for Poisson counts, never below."""
    chi_square = degrees = 0.0
    for counts, exposures in periods:
        k, e = np.asarray(counts, dtype=float), np.asarray(exposures, dtype=float)
        k, e = k[e > 0], e[e > 0]
        if k.size < 2 or k.sum() == 0:
            continue
        expected = e * k.sum() / e.sum()
        chi_square += float(((k - expected) ** 2 / expected).sum())
        degrees += k.size - 1
    return max(1.0, (chi_square + PRIOR_RUNS) / (degrees + PRIOR_RUNS))
