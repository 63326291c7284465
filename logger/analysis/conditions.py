"""Each condition by itself: what it was at the stumbles, against what it was whenever else one could have begun.

links.py says how the comparisons are meant, and makes verdicts of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, mannwhitneyu

from logger.analysis.frames import CELL_S, HIT_DOUBT_S, STRUCK_S, Frame, knocks_at_risk, of_the_road, struck_by
from logger.analysis.matched import rise_p, rotation_counts
from logger.event import BoolArray, FloatArray

STEP_S = 0.02
LEAD_S = 0.7
SHARE = 1 / 3
RISE_DEGC = 2.0
SURE_SHOCK_P = 0.02
SURE_SPEED_P = 0.005


@dataclass(frozen=True, slots=True)
class Compared:
    """A condition before correction for the others."""

    name: str
    n: int
    seen: float
    expected: float
    p: float
    effect: tuple[float | None, float, float | None]
    spread: float = 0.0
    threshold: float = 0.0
    lead: str = ""


def shock(frames: Sequence[Frame]) -> Compared | None:
    """Stumbles with a knock in the window before them, against the same runs turned round."""
    chance = np.ones(1)
    seen = n = knocks = 0
    levels: list[float] = []
    for cells in frames:
        knocks += cells.hits.time_ns.size
        span = _span(cells.driving, cells.time_s)
        if span is None:
            continue
        hit_s = cells.hits.time_s[of_the_road(cells)]
        cases = cells.onset_low_s[(cells.onset_low_s >= span[0]) & (cells.onset_low_s < span[1])]
        if not cases.size:
            continue
        struck = struck_by(cells, cases)
        seen += int(np.isfinite(struck).sum())
        n += cases.size
        levels.extend(struck[np.isfinite(struck)])
        windows = np.column_stack([hit_s - HIT_DOUBT_S, hit_s + STRUCK_S])
        chance = np.convolve(chance, rotation_counts(cases, windows, span, STEP_S))
    if not n or not knocks:
        return None
    expected = float(chance @ np.arange(chance.size))
    p = min(1.0, float(chance[seen:].sum()))
    lowest = min(levels, default=0.0)
    lead = (
        f"{seen} of {n} stumbles came within {STRUCK_S:g} s after a knock"
        f"{f' above {np.floor(10 * lowest) / 10:.1f} g' if seen else ''}; by chance {_count(expected)} would"
    )
    return Compared("shock", n, seen, expected, p, _odds(seen, n, expected), threshold=lowest, lead=lead)


def heat(frames: Sequence[Frame], knocked: Compared | None, others: Sequence[Compared]) -> Compared | None:
    """Temperature at bursts ranked among temperatures at all moments at which one could have begun."""
    if knocked is not None and knocked.p < SURE_SHOCK_P:
        pool = [_knock_cells(cells) for cells in frames]
    else:
        pool = could_begin(frames)
        for found in others:
            if found.name in ("engine_speed", "load") and found.p < SURE_SPEED_P:
                pool = _above_lowest(frames, found.name, pool)
    return ranked(frames, "coolant_temperature", pool)


def ranked(frames: Sequence[Frame], name: str, pool: Sequence[BoolArray]) -> Compared | None:
    """Rank-sum comparison of a condition at the begin of bursts against the cells of `pool`; None without values."""
    sign = -1.0 if name == "battery_voltage" else 1.0
    lead_s = 0.0 if name == "coolant_temperature" else LEAD_S
    around, cases = [], []
    for cells, mask in zip(frames, pool, strict=True):
        if name not in cells.values:
            continue
        around.append(cells.values[name][mask])
        cases.append(cells.at(name, cells.bursts_s[:, 0] - lead_s))
    control = _finite(np.concatenate(around) if around else np.empty(0))
    case = _finite(np.concatenate(cases) if cases else np.empty(0))
    if control.size < 10 or not case.size:
        return None
    if name == "coolant_temperature":
        p = rise_p(case, control, RISE_DEGC)
    else:
        p = float(mannwhitneyu(sign * case, sign * control, alternative="greater").pvalue)
    limit = sign * float(np.quantile(sign * control, 1 - SHARE))
    high = sign * case >= sign * limit
    share = float(np.mean(sign * control >= sign * limit))
    expected = share * case.size
    low_decile, high_decile = np.percentile(control, [10, 90])
    return Compared(
        "heat" if name == "coolant_temperature" else name,
        case.size,
        int(high.sum()),
        expected,
        p,
        _odds(int(high.sum()), case.size, expected),
        float(high_decile - low_decile),
        limit,
        _ranked_lead(name, int(high.sum()), case.size, limit, expected),
    )


def _ranked_lead(name: str, seen: int, n: int, limit: float, expected: float) -> str:
    where = {
        "coolant_temperature": f"hottest third of the running (coolant from {limit:.0f} °C)",
        "lateral_g": f"third with the hardest cornering (from {limit:.2f} g sideways)",
        "engine_speed": f"third with the highest engine speed (from {limit:.0f} rev/min)",
        "load": f"third with the widest throttle (from {limit:.0f} %)",
        "battery_voltage": f"third with the lowest battery voltage (up to {limit:.1f} V)",
    }[name]
    return f"{seen} of {n} bursts of stumbles began in the {where}; by chance {_count(expected)} would"


def could_begin(frames: Sequence[Frame]) -> list[BoolArray]:
    """Cells in which a burst could have begun: driving, or all running where bursts began at idle too."""
    only_driving = all(cells.cells_at(cells.driving, cells.bursts_s[:, 0]).all() for cells in frames)
    return [cells.at_risk & (cells.driving if only_driving else cells.running) for cells in frames]


def _knock_cells(cells: Frame) -> BoolArray:
    """The cells in which a knock at risk began."""
    mask = np.zeros(cells.time_s.size, dtype=bool)
    hit_s = cells.hits.time_s[knocks_at_risk(cells) & of_the_road(cells)]
    mask[np.clip((hit_s / CELL_S).astype(int), 0, max(0, mask.size - 1))] = True
    return mask


def _above_lowest(frames: Sequence[Frame], name: str, pool: Sequence[BoolArray]) -> list[BoolArray]:
    """`pool` without cells in which the condition lay below the lowest at which a burst began."""
    if any(name not in cells.values for cells in frames):
        return list(pool)
    cases = _finite(np.concatenate([cells.at(name, cells.bursts_s[:, 0] - LEAD_S) for cells in frames]))
    return [mask & (cells.values[name] >= np.percentile(cases, 10)) for cells, mask in zip(frames, pool, strict=True)]


def _span(driving: BoolArray, time_s: FloatArray) -> tuple[float, float] | None:
    used = np.flatnonzero(driving)
    if used.size < 20:
        return None
    return float(time_s[used[0]] - CELL_S / 2), float(time_s[used[-1]] + CELL_S / 2)


def _odds(seen: int, n: int, expected: float) -> tuple[float | None, float, float | None]:
    """Ratio of the rates with and without the condition, with its exact 95 % interval; None: without limit.

    Given the share q of the time in the condition, `seen` of n is binomial with odds ratio·q/(1 − q); interval after
    C. J. Clopper & E. S. Pearson, Biometrika 26 (1934) 404-413.
    """
    q = min(max(expected / n, 1e-9), 1 - 1e-9)
    low = float(beta.ppf(0.025, seen, n - seen + 1)) if seen else 0.0
    high = float(beta.ppf(0.975, seen + 1, n - seen)) if seen < n else 1.0
    scale = (1 - q) / q

    def ratio(share: float) -> float | None:
        return None if share >= 1 else round(share / (1 - share) * scale, 3)

    return ratio(seen / n), ratio(low) or 0.0, ratio(high)


def _finite(value: FloatArray) -> FloatArray:
    kept: FloatArray = value[np.isfinite(value)]
    return kept


def _count(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"
