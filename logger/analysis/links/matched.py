"""Statistics of matched comparison: exact, small, each with its published source. Used by links.py and crossover.py.

holm(p) -> adjusted p                                       S. Holm, Scand. J. Stat. 6 (1979) 65-70
benjamini_hochberg(p) -> adjusted p                         Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300
mantel_haenszel(tables) -> MantelHaenszel                   N. Mantel & W. Haenszel, J. Natl. Cancer Inst. 22 (1959)
rotation_counts(...)                                        exact null of a coincidence count, see there
rise_p(...), rise_p_of_trials(...)                          does a rate rise somewhere in a condition, see there
rise_evidence(case, control, width) -> log-likelihood ratio
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logsumexp
from scipy.stats import chi2, norm, rankdata

from logger.errors import AnalysisError
from logger.event import BoolArray, FloatArray

N_DRAWS = 4000
N_RISES = 19
RISE_FLOOR = 0.02
MOST_CONTROLS = 1500
MOST_DEALT = 250_000
SEED = 4


def holm(p: Sequence[float] | FloatArray) -> FloatArray:
    """Step-down adjusted p-values (n,), in the order given: the chance of any false claim stays below the level."""
    raw = _p_values(p)
    order = np.argsort(raw, kind="stable")
    factor = raw.size - np.arange(raw.size)
    adjusted = np.empty_like(raw)
    adjusted[order] = np.minimum(1.0, np.maximum.accumulate(raw[order] * factor)) if raw.size else raw
    return adjusted


def benjamini_hochberg(p: Sequence[float] | FloatArray) -> FloatArray:
    """Step-up adjusted p-values (n,), in the order given: the expected share of false claims stays below the level."""
    raw = _p_values(p)
    order = np.argsort(raw, kind="stable")
    scaled = raw[order] * raw.size / np.arange(1, raw.size + 1)
    adjusted = np.empty_like(raw)
    adjusted[order] = np.minimum(1.0, np.minimum.accumulate(scaled[::-1])[::-1]) if raw.size else raw
    return adjusted


def _p_values(p: Sequence[float] | FloatArray) -> FloatArray:
    raw = np.asarray(p, dtype=float)
    if raw.ndim != 1 or not np.all((raw >= 0) & (raw <= 1)):
        raise AnalysisError(f"p-values must be a list of numbers from 0 to 1, got {p!r}")
    return raw


@dataclass(frozen=True, slots=True)
class MantelHaenszel:
    """Common odds ratio over strata with its 95 % interval (NaN where a margin is empty), and the test of no effect."""

    odds_ratio: float
    low: float
    high: float
    chi_square: float
    p: float


def mantel_haenszel(tables: FloatArray) -> MantelHaenszel:
    """Pool 2×2 tables (k, 2, 2), [[a, b], [c, d]] each: cases exposed / not over controls exposed / not.

    Interval after J. Robins, N. Breslow & S. Greenland, Biometrics 42 (1986) 311-323; chi-square with continuity
    correction as Mantel and Haenszel give it.
    """
    t = np.asarray(tables, dtype=float).reshape(-1, 2, 2)
    t = t[t.sum(axis=(1, 2)) > 0]
    a, b, c, d = t[:, 0, 0], t[:, 0, 1], t[:, 1, 0], t[:, 1, 1]
    n = a + b + c + d
    r, s = (a * d / n), (b * c / n)
    total_r, total_s = float(r.sum()), float(s.sum())
    ratio = total_r / total_s if total_s > 0 else (np.inf if total_r > 0 else np.nan)
    low = high = np.nan
    if total_r > 0 and total_s > 0:
        p, q = (a + d) / n, (b + c) / n
        variance = (
            (p * r).sum() / (2 * total_r**2)
            + (p * s + q * r).sum() / (2 * total_r * total_s)
            + (q * s).sum() / (2 * total_s**2)
        )
        half = float(norm.ppf(0.975) * np.sqrt(variance))
        low, high = ratio * np.exp(-half), ratio * np.exp(half)
    many = n > 1
    spread = ((a + b) * (c + d) * (a + c) * (b + d))[many] / (n[many] ** 2 * (n[many] - 1))
    deviation = max(0.0, abs(float(((a * d - b * c) / n).sum())) - 0.5)
    chi_square = deviation**2 / float(spread.sum()) if spread.sum() > 0 else 0.0
    return MantelHaenszel(float(ratio), float(low), float(high), chi_square, float(chi2.sf(chi_square, 1)))


def rotation_counts(cases_s: FloatArray, exposed_s: FloatArray, span: tuple[float, float], step_s: float) -> FloatArray:
    """Chance of each coincidence count (n_cases + 1,) when one run's cases are turned round within `span` as one.

    cases_s: times of cases; exposed_s: (k, 2) stretches that count as exposed. All cases of a run are shifted together,
    whatever leaves the span at its end coming in again at its begin, in steps of `step_s`: crowds of cases and crowds
    of exposure stay as they are, only their alignment is left to chance. Runs are independent, so the null of their
    sum is the convolution of these: exact, no drawing of random numbers. (A randomisation test in the sense of
    E. S. Edgington, Randomization Tests, 1980, the set of re-arrangements being the rotations.)
    """
    length = span[1] - span[0]
    n_steps = max(1, round(length / step_s))
    edges = np.clip(exposed_s, span[0], span[1]) - span[0]
    marks = np.zeros(n_steps + 1)
    for begin, end in np.floor(edges / length * n_steps).astype(int):
        marks[begin : end + 1] = 1.0
    exposed = marks[:n_steps] > 0
    cell = np.floor((cases_s - span[0]) / length * n_steps).astype(int) % n_steps
    count = np.zeros(n_steps, dtype=np.intp)
    for one in cell.tolist():  # by every shift at once: what lies behind the case, and from the begin on
        count[: n_steps - one] += exposed[one:]
        count[n_steps - one :] += exposed[:one]
    chance: FloatArray = np.bincount(count, minlength=cases_s.size + 1) / n_steps
    return chance


def rise_p(case: FloatArray, control: FloatArray, width: float) -> float:
    """p-value of "the rate of cases rises somewhere in this condition": a permutation test against random cells.

    case: (n,) values at the cases; control: (m,) values at all moments at which a case could have come. The statistic
    is rise_evidence; its null comes from N_DRAWS random sets of n moments, the observed one counted among them (so p is
    never 0; B. Phipson & G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 9 (2010) 39). It finds such a rise with fewer cases
    than ranks do, where most of the running is beyond it. The same input gives the same p (fixed seed).
    """
    if not case.size or not control.size:
        return 1.0
    thinned = control[:: max(1, control.size // MOST_CONTROLS)]
    log_rises = _log_rises(thinned, width)
    drawn = np.random.default_rng(SEED).integers(0, thinned.size, size=(N_DRAWS, case.size))
    # One place of the rise at a time: all at once would take N_RISES times the memory.
    return _share_beyond(log_rises(case).sum(axis=1), np.stack([row[drawn].sum(axis=1) for row in log_rises(thinned)]))


def rise_evidence(case: FloatArray, control: FloatArray, width: float) -> float:
    """Logarithm of the likelihood ratio of the cases' values: rate that rises somewhere over rate that does not.

    Risen, the rate goes from RISE_FLOOR of itself to all of it around an unknown value, over about `width`; the
    likelihood is averaged over N_RISES places for that value, evenly among those of `control`. 0 without any values.
    """
    if not case.size or not control.size:
        return 0.0
    thinned = control[:: max(1, control.size // MOST_CONTROLS)]
    return float(logsumexp(_log_rises(thinned, width)(case).sum(axis=1)) - np.log(N_RISES))


def rise_p_of_trials(value: FloatArray, hit: BoolArray, level: FloatArray, width: float) -> float:
    """The same where the moments are few, each a trial that brought a case (`hit`) or did not, all of shape (n,).

    The hits are dealt out anew among the trials, within each third of `level`: a strong trial hits more often than a
    weak one, whatever the condition, and may by chance have come at another value of it (stratified permutation;
    no trial hits twice, so a condition that leaves none of them out is found with few).
    """
    if not hit.any() or hit.all():
        return 1.0
    log_rises = _log_rises(value, width)(value)
    rng = np.random.default_rng(SEED)
    third = np.minimum(2, (rankdata(level) - 0.5) * 3 // level.size)
    dealt = np.zeros((N_RISES, N_DRAWS))
    for number in range(3):
        mine = np.flatnonzero(third == number)
        n_hits = int(hit[mine].sum())
        # A few draws at a time: of a day with many trials all at once would take gigabytes.
        n_at_once = max(1, MOST_DEALT // max(1, mine.size))
        for first in range(0, N_DRAWS, n_at_once):
            draws = slice(first, min(first + n_at_once, N_DRAWS))
            chosen = np.argsort(rng.random((draws.stop - first, mine.size)), axis=1)[:, :n_hits]
            dealt[:, draws] += np.stack([row[mine[chosen]].sum(axis=1) for row in log_rises])
    return _share_beyond(log_rises[:, hit].sum(axis=1), dealt)


def _log_rises(control: FloatArray, width: float) -> Callable[[FloatArray], FloatArray]:
    """Of a value, shape (n,): the logarithm (N_RISES, n) of each risen rate over its mean in `control`."""
    places = np.quantile(control, np.linspace(0.05, 0.95, N_RISES))

    def rate(value: FloatArray) -> FloatArray:
        risen: FloatArray = expit((value[None, :] - places[:, None]) / width) + RISE_FLOOR
        return risen

    level = np.log(rate(control).mean(axis=1, keepdims=True))
    return lambda value: np.log(rate(value)) - level


def _share_beyond(observed: FloatArray, drawn: FloatArray) -> float:
    """Share of the draws (N_RISES, N_DRAWS) whose likelihood reaches the observed one (N_RISES,), itself counted in."""
    reached = np.count_nonzero(logsumexp(drawn, axis=0) >= logsumexp(observed) - 1e-9)
    return float((1 + reached) / (1 + drawn.shape[1]))
