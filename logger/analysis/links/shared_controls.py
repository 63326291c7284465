"""Conditional logistic regression where all cases of a run share that run's control moments.

    fit(cases, controls) -> Logit

Written out, a run of h hours with a burst every few minutes takes h² rows: 11 million for eight hours in one file.
Here the controls of a run are summed once for all its cases (R. J. Marshall & R. T. Jackson, Stat. Med. 12 (1993)
2333-41, give the likelihood; each set's is unchanged when the covariates are counted from another origin).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.event import FloatArray

N_STEPS = 50
LEAST_INFORMATION = 1e-6
"""Below this the cases are separated by a covariate; what is left is rounding, whose inverse says nothing."""
Evaluated = tuple[float, FloatArray, FloatArray]


@dataclass(frozen=True, slots=True)
class Logit:
    """Coefficients (k,), logarithms of odds ratios, with standard errors; log-likelihood at and without them."""

    coefficient: FloatArray
    standard_error: FloatArray
    log_likelihood: float
    log_likelihood_null: float


def fit(cases: Sequence[FloatArray], controls: Sequence[FloatArray]) -> Logit:
    """Coefficients by Newton's method; of a covariate that separates the cases the last step, with an infinite error.

    cases: for each run the covariates (n, k) of its cases; controls: (m, k) those of its control moments, m > 0.
    """
    k = cases[0].shape[1]
    origin = [run.mean(axis=0) for run in controls]
    runs = [(case - at, run - at) for case, run, at in zip(cases, controls, origin, strict=True) if len(case)]

    def evaluate(beta: FloatArray) -> Evaluated:
        likelihood, gradient, information = 0.0, np.zeros(k), np.zeros((k, k))
        for case, control in runs:
            one = _of_run(case, control, beta)
            likelihood, gradient, information = likelihood + one[0], gradient + one[1], information + one[2]
        return likelihood, gradient, information

    beta = np.zeros(k)
    null, gradient, information = evaluate(beta)
    value = null
    for _ in range(N_STEPS):
        step = np.linalg.lstsq(information, gradient, rcond=None)[0]
        beta = beta + np.clip(step, -2.0, 2.0)
        value, gradient, information = evaluate(beta)
        if np.abs(step).max() < 1e-9:
            break
    variance = np.diag(np.linalg.pinv(information, hermitian=True))
    error = np.sqrt(np.maximum(variance, 0.0))
    error[(np.diag(information) < LEAST_INFORMATION) & (beta != 0.0)] = np.inf
    return Logit(beta, error, value, null)


def _of_run(case: FloatArray, control: FloatArray, beta: FloatArray) -> Evaluated:
    """Log-likelihood, its gradient (k,) and information (k, k) of one run's cases, each in a set with all controls."""
    eta, others = case @ beta, control @ beta
    highest = others.max()
    weight = np.exp(others - highest)
    middle = weight @ control / weight.sum()
    spread = ((control - middle) * weight[:, None]).T @ (control - middle) / weight.sum()
    peak = np.maximum(eta, highest)
    own, shared = np.exp(eta - peak), weight.sum() * np.exp(highest - peak)
    total = own + shared
    own, shared = own / total, shared / total
    mean = own[:, None] * case + shared[:, None] * middle
    # Squares about each set's own mean, all of them positive: a difference of sums would lose what little is left.
    information = shared.sum() * spread
    for part, at in ((own, case - mean), (shared, middle - mean)):
        information = information + (at * part[:, None]).T @ at
    return float((eta - peak - np.log(total)).sum()), (case - mean).sum(axis=0), information
