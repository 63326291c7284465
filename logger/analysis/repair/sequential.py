"""Has the rate of bursts fallen by the share claimed? Exact, and valid however often one looks.

    confidence_fallen(before, after, ratio_exposure, kept=0.2) -> float
    exposure_needed(before, after, kept=0.2, level=0.95) -> float      in units of the exposure before
    evidence_against(before, after, ratio_exposure, kept=0.2) -> float  e-value that the rate has NOT fallen so far
    poisson_limits(n, level) -> (low, high)                             F. Garwood, Biometrika 28 (1936) 437-442

Before the repair `before` bursts came in one unit of exposure, since then `after` in `ratio_exposure` units. If the
rate had fallen to exactly the share `kept`, then, given the burst that closed the count before, the count after is
negative binomial, and the chance of `after` or fewer is a regularised incomplete beta function,

    P = I_s(before, after + 1),   s = 1 / (1 + kept · ratio_exposure)

which is also the exact conditional (binomial) test of two Poisson rates at a single look (J. Przyborowski &
H. Wilenski, Biometrika 31 (1940) 313-323). Larger shares make fewer bursts less likely still, so P serves all of them.

Looking after every run: exposure only grows and the count never falls, so for each count j the tail P passes under a
limit a·w_j at one exposure x_j, and being there at any later time needs j or fewer bursts at x_j, which has chance
a·w_j. With weights w_0 + w_1 + ... = 1 the chance of ever being wrong is at most a (a union bound over counts instead
of over looks, in the manner of alpha spending: K. K. G. Lan & D. L. DeMets, Biometrika 70 (1983) 659-663). So

    confidence = 1 - P / w(after),   w_0 = 0.9, w_j = 0.1 · 2^-j

holds at all times at once. Nearly everything is staked on the clean record, because a repair that worked has one;
that is why it needs fewest runs among the valid methods tried (tests/bench/repairs.py prints the table). A mixture
martingale pays for every rate it might find, a confidence sequence for each of both rates apart.

With the exposure before fixed, or ended by the repair at a number of bursts, the bound is held; only one who always
repairs after the first unusually bad run exceeds it, by less than one in a hundred (same bench).
"""

import numpy as np
from scipy.optimize import brentq
from scipy.special import betainc, logsumexp
from scipy.stats import chi2

from logger.errors import AnalysisError
from logger.event import FloatArray

KEPT = 0.2
LEVEL = 0.95
CLEAN_WEIGHT = 0.9
MOST_EXPOSURE = 1e9


def tail(before: float, after: float, ratio_exposure: float, kept: float = KEPT) -> float:
    """Chance of `after` or fewer bursts had the rate fallen to exactly `kept`: the exact test at a single look.

    Counts may be broken numbers (divided by their overdispersion). Raises AnalysisError on negative input.
    """
    if min(before, after, ratio_exposure) < 0 or not 0 < kept <= 1:
        raise AnalysisError(
            f"counts {before:g}, {after:g}, exposure {ratio_exposure:g} and share {kept:g}: not below 0"
        )
    if before == 0 or ratio_exposure == 0:
        return 1.0
    return float(betainc(before, after + 1.0, 1.0 / (1.0 + kept * ratio_exposure)))


def weight(after: float) -> float:
    """The part of the error allowance that is staked on this count of bursts after the repair."""
    whole = int(np.ceil(after))
    return CLEAN_WEIGHT if whole == 0 else float((1.0 - CLEAN_WEIGHT) * 0.5**whole)


def confidence_fallen(before: float, after: float, ratio_exposure: float, kept: float = KEPT) -> float:
    """Confidence (0 to 1) that the rate is below `kept` times what it was, valid however often it is computed."""
    return max(0.0, 1.0 - tail(before, after, ratio_exposure, kept) / weight(after))


def exposure_needed(before: float, after: float, kept: float = KEPT, level: float = LEVEL) -> float:
    """Exposure since the repair, in units of that before, at which `level` is reached if no more bursts come.

    Infinite where nothing was seen before. After five bursts before and a clean record it is 4.3.
    """
    if before <= 0:
        return float("inf")

    def short(log_x: float) -> float:
        return confidence_fallen(before, after, float(np.exp(log_x)), kept) - level

    highest = float(np.log(MOST_EXPOSURE))
    if short(highest) < 0:
        return float("inf")
    return float(np.exp(brentq(short, -12.0, highest, xtol=1e-9)))


def evidence_against(before: float, after: float, ratio_exposure: float, kept: float = KEPT) -> float:
    """E-value for "the rate has not fallen to `kept`": at 20 or more a fall that large is excluded at 95 %.

    Likelihood ratio of the negative binomial counts, averaged over shares from `kept` to 2 (evenly in the logarithm),
    against exactly `kept`: a martingale there and shrinking below, so by J. Ville's inequality (1939) it passes 20 with
    chance of at most 1 in 20 at any time whatever.
    """
    if before <= 0 or ratio_exposure <= 0:
        return 1.0
    return float(np.exp(_log_mixture(before, after, ratio_exposure, np.geomspace(kept, 2.0, 41)[1:], kept)))


def _log_mixture(before: float, after: float, x: float, shares: FloatArray, kept: float) -> float:
    each = after * np.log(shares) - (before + after) * np.log1p(shares * x)
    exactly = after * np.log(kept) - (before + after) * np.log1p(kept * x)
    return float(logsumexp(each) - np.log(shares.size) - exactly)


def poisson_limits(n: float, level: float = LEVEL, *, two_sided: bool = True) -> tuple[float, float]:
    """Exact limits of a Poisson mean after n events: low = χ²(α/2; 2n)/2, high = χ²(1 − α/2; 2n + 2)/2 (Garwood).

    One-sided, the whole allowance goes to each side. With n = 0 and one side at 95 %: 2.996, the "rule of three"
    (J. A. Hanley & A. Lippman-Hand, JAMA 249 (1983) 1743-1745).
    """
    if n < 0 or not 0 < level < 1:
        raise AnalysisError(f"poisson_limits: {n:g} events at level {level:g}; events from 0, level between 0 and 1")
    miss = (1.0 - level) / 2 if two_sided else 1.0 - level
    low = float(chi2.ppf(miss, 2 * n) / 2) if n > 0 else 0.0
    return low, float(chi2.isf(miss, 2 * n + 2) / 2)
