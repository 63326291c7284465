"""Case-crossover: what was different just before the bursts from other moments of the same run, all conditions at once.

    crossover(frames) -> dict        for links.link, under "crossover"

Each burst's first onset is a case; its controls are moments of the same run at which a burst could have begun, one a
second (M. Maclure, Am. J. Epidemiol. 133 (1991) 144-153: every run is its own control). Given are the odds ratio of
being struck by a knock, pooled over runs after Mantel and Haenszel, and, where there are enough bursts, the ratios of
every condition with the others held, by conditional logistic regression. The second tells a knock from the hard
driving that goes with it. Heat is not among them, because it hardly changes within a run.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.stats import norm

from logger.analysis.links.frames import CELL_S, Frame, struck_by
from logger.analysis.links.matched import holm, mantel_haenszel
from logger.analysis.links.shared_controls import fit
from logger.event import BoolArray, FloatArray

SPACING_S = 1.0
LEAD_S = 0.7
BURSTS_PER_CONDITION = 5
WIDEST_ERROR = 2.0
STEPS = {"engine_speed": (1000.0, "1,000 rev/min"), "load": (10.0, "10 % throttle"), "lateral_g": (0.1, "0.1 g")}


def crossover(frames: Sequence[Frame], could_begin: Sequence[BoolArray]) -> dict[str, Any]:
    """`shock`: pooled odds ratio with interval (None where it has no limit) and p.

    `adjusted`: name, per what, odds ratio, interval and p (Holm over those given), each with the others held; empty
    with fewer than BURSTS_PER_CONDITION bursts for each condition.
    """
    sets = [_moments(cells, mask) for cells, mask in zip(frames, could_begin, strict=True)]
    tables = [
        _table(struck_by(cells, case), struck_by(cells, control))
        for cells, (case, control) in zip(frames, sets, strict=True)
    ]
    pooled = mantel_haenszel(np.array(tables).reshape(-1, 2, 2))
    return {
        "shock": {"odds_ratio": _finite(pooled.odds_ratio), "low": _finite(pooled.low), "high": _finite(pooled.high),
                  "p": round(pooled.p, 5)},
        "adjusted": _adjusted(frames, sets),
    }  # fmt: skip


def _moments(cells: Frame, mask: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Cases and control moments of one run, seconds."""
    first = np.searchsorted(cells.onsets_s, cells.bursts_s[:, 0])
    free = cells.time_s[mask]
    seconds, index = np.unique(np.floor(free / SPACING_S), return_index=True)
    return cells.onset_low_s[first], free[index] if seconds.size else np.empty(0)


def _table(case: FloatArray, control: FloatArray) -> list[list[int]]:
    hit, free = int(np.isfinite(case).sum()), int(np.isfinite(control).sum())
    return [[hit, case.size - hit], [free, control.size - free]]


def _adjusted(frames: Sequence[Frame], sets: Sequence[tuple[FloatArray, FloatArray]]) -> list[dict[str, Any]]:
    names = [name for name in STEPS if all(name in cells.values for cells in frames)]
    cases, controls = [], []
    for cells, (onsets, moments) in zip(frames, sets, strict=True):
        at_onsets, at_moments = (_covariates(cells, at, names) for at in (onsets, moments))
        known = at_moments[np.isfinite(at_moments).all(axis=1)]
        if len(known):
            cases.append(at_onsets[np.isfinite(at_onsets).all(axis=1)])
            controls.append(known)
    if sum(map(len, cases)) < BURSTS_PER_CONDITION * (1 + len(names)):
        return []
    fitted = fit(cases, controls)
    told = np.flatnonzero((fitted.standard_error > 0) & (fitted.standard_error < WIDEST_ERROR))
    p = holm(2 * norm.sf(np.abs(fitted.coefficient[told] / fitted.standard_error[told])))
    return [
        _told(["shock", *names][i], fitted.coefficient[i], fitted.standard_error[i], p[k]) for k, i in enumerate(told)
    ]


def _told(name: str, value: float, error: float, p: float) -> dict[str, Any]:
    low, high = value - 1.96 * error, value + 1.96 * error
    per = STEPS[name][1] if name in STEPS else "struck by a knock"
    return {
        "name": name, "per": per, "odds_ratio": _ratio(value), "low": _ratio(low), "high": _ratio(high),
        "p": round(float(p), 5),
    }  # fmt: skip


def _covariates(cells: Frame, moments: FloatArray, names: Sequence[str]) -> FloatArray:
    """Struck or not, then each condition LEAD_S before (a stumble changes them itself), in its step."""
    struck = np.isfinite(struck_by(cells, moments)).astype(float)
    others = [cells.at(name, np.maximum(moments - LEAD_S, CELL_S / 2)) / STEPS[name][0] for name in names]
    return np.column_stack([struck, *others])


def _ratio(log_value: float) -> float:
    return round(float(np.exp(log_value)), 3)


def _finite(value: float) -> float | None:
    return round(value, 3) if np.isfinite(value) else None
