"""Cases that share their run's controls, beside the same sets written out one by one."""

import numpy as np
import pytest
from statsmodels.discrete.conditional_models import ConditionalLogit

from logger.analysis.links.shared_controls import fit
from logger.event import FloatArray


def runs(sizes: list[tuple[int, int]], shift: float = 0.7) -> tuple[list[FloatArray], list[FloatArray]]:
    """Cases and controls of runs of these sizes; the first covariate is higher at cases."""
    random = np.random.default_rng(5)
    cases = [random.normal([shift, 0.0], 1.0, (n, 2)) for n, _ in sizes]
    return cases, [random.normal([0.0, 0.0], [1.0, 2.0], (m, 2)) for _, m in sizes]


def written_out(cases: list[FloatArray], controls: list[FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    rows, case, stratum, number = [], [], [], 0
    for own, shared in zip(cases, controls, strict=True):
        for row in own:
            rows += [row, *shared]
            case += [1] + [0] * len(shared)
            stratum += [number] * (1 + len(shared))
            number += 1
    return np.array(rows), np.array(case), np.array(stratum)


def test_estimates_are_those_of_the_sets_written_out() -> None:
    cases, controls = runs([(7, 30), (1, 12), (4, 55)])
    x, case, stratum = written_out(cases, controls)
    ours, theirs = fit(cases, controls), ConditionalLogit(case, x, groups=stratum).fit(disp=False)
    assert ours.coefficient.tolist() == pytest.approx(theirs.params.tolist(), abs=1e-4)
    assert ours.standard_error.tolist() == pytest.approx(theirs.bse.tolist(), rel=1e-3)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.log_likelihood_null == pytest.approx(-7 * np.log(31) - np.log(13) - 4 * np.log(56))


def test_a_run_without_cases_changes_nothing() -> None:
    cases, controls = runs([(6, 20), (0, 40), (5, 20)])
    without = fit([cases[0], cases[2]], [controls[0], controls[2]])
    assert fit(cases, controls).coefficient.tolist() == pytest.approx(without.coefficient.tolist())


def test_of_a_covariate_that_separates_the_cases_nothing_follows() -> None:
    cases, controls = runs([(9, 60), (7, 50)])
    for rows, value in ((cases, 1.0), (controls, 0.0)):
        for run in rows:
            run[:, 1] = value  # struck at every burst, and never otherwise
    assert fit(cases, controls).standard_error[1] == np.inf
    controls[0][:5, 1], cases[0][:2, 1] = 1.0, 0.0
    assert fit(cases, controls).standard_error[1] < 2.0


def test_a_covariate_that_never_varies_gets_nought_and_nought() -> None:
    cases, controls = runs([(6, 30), (5, 30)])
    for rows in (*cases, *controls):
        rows[:, 1] = 3.0
    found = fit(cases, controls)
    assert (found.coefficient[1], found.standard_error[1]) == (
        pytest.approx(0.0, abs=1e-12),
        pytest.approx(0.0, abs=1e-9),
    )
