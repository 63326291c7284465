"""Each condition by itself: what it was at the stumbles, against what it was whenever else one could have begun.

links.py says how the comparisons are meant, and makes verdicts of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import beta, mannwhitneyu

from logger.analysis.links.frames import CELL_S, HIT_DOUBT_S, STRUCK_S, Frame, of_the_road, struck_by
from logger.analysis.links.matched import rise_evidence, rise_p, rise_p_of_trials, rotation_counts
from logger.event import BoolArray, FloatArray

STEP_S = 0.02
LEAD_S = 0.7
SHARE = 1 / 3
RISE_DEGC = 2.0
RISE_START_S = 5.0
RIVAL_ODDS = 10.0  # "strong evidence" in the scale of H. Jeffreys, Theory of Probability, 3rd ed. 1961, appendix B
SURE_SHOCK_P = 0.02
SURE_SPEED_P = 0.05
SLACK_G = 0.8
MOST_RANKED = 20_000
HEAT = ("coolant_temperature", "under_bonnet_temperature")
LESS_IS_WORSE = ("battery_voltage", "time_since_load_step")
HEAT_WORDS = {"coolant_temperature": "coolant", "under_bonnet_temperature": "under the bonnet"}
WHERE = {
    "coolant_temperature": "hottest third of the running (coolant from {:.0f} °C)",
    "under_bonnet_temperature": "third with the hottest air under the bonnet (from {:.0f} °C)",
    "lateral_g": "third with the hardest cornering (from {:.2f} g sideways)",
    "engine_speed": "third with the highest engine speed (from {:.0f} rev/min)",
    "load": "third with the widest throttle (from {:.0f} %)",
    "battery_voltage": "third with the lowest battery voltage (up to {:.1f} V)",
    "time_since_load_step": "third soonest after an electrical load switched (within {:.0f} s)",
}


@dataclass(frozen=True, slots=True)
class Compared:
    """A condition before correction for the others. rival: what explains the stumbles better than this does, if any."""

    name: str
    n: int
    seen: float
    expected: float
    p: float
    effect: tuple[float | None, float, float | None]
    spread: float = 0.0
    threshold: float = 0.0
    lead: str = ""
    rival: str = ""


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
    """Temperature at the stumbles against that at all moments at which one could have come; None without values.

    Where shock is linked those moments are the knocks (every one a trial of its own, from a little below the weakest
    that struck), otherwise cells in which a burst could have begun. `knocked`: what shock() found; `others`: what
    ranked() found for the other conditions.
    """
    channel = next((name for name in HEAT if any(name in cells.values for cells in frames)), HEAT[0])
    if knocked is not None and knocked.p < SURE_SHOCK_P:
        return _at_knocks(frames, channel, SLACK_G * knocked.threshold)
    pool = could_begin(frames)
    for found in others:
        if found.name in ("engine_speed", "load") and found.p < SURE_SPEED_P:
            pool = _above_lowest(frames, found.name, pool)
    warm = ranked(frames, channel, pool, lead_s=0.0)
    return None if warm is None else replace(warm, name="heat", rival=_rival(frames, channel, pool))


def _at_knocks(frames: Sequence[Frame], channel: str, from_g: float) -> Compared | None:
    degc, level, struck = [], [], []
    for cells in frames:
        time_s = cells.hits.time_s
        use = of_the_road(cells) & (cells.hits.level_g >= from_g) & cells.cells_at(cells.running, time_s)
        degc.append(cells.at(channel, time_s[use]))
        level.append(cells.hits.level_g[use])
        lag = cells.onset_low_s[None, :] - time_s[use][:, None]
        struck.append(((lag >= -HIT_DOUBT_S) & (lag <= STRUCK_S)).any(axis=1))
    value, hit = np.concatenate(degc), np.concatenate(struck)
    known = np.isfinite(value)
    words = HEAT_WORDS[channel]
    where = f"knocks that brought a stumble came in the hottest third of all so hard ({words} from {{:.0f}} °C)"
    found = _against(channel, value[hit], value, where)
    if found is None:
        return None
    p = rise_p_of_trials(value[known], hit[known], np.concatenate(level)[known], RISE_DEGC)
    return replace(found, name="heat", p=p)


def _rival(frames: Sequence[Frame], channel: str, pool: Sequence[BoolArray]) -> str:
    """What tells the bursts RIVAL_ODDS times better apart than the temperature that goes with it: the time since each
    start, or "" if that does not."""
    measured = [(cells, mask) for cells, mask in zip(frames, pool, strict=True) if channel in cells.values]

    def evidence(name: str, width: float) -> float:
        control = np.concatenate([cells.values[name][mask] for cells, mask in measured])
        case = np.concatenate([cells.at(name, cells.bursts_s[:, 0]) for cells, _ in measured])
        return rise_evidence(case[np.isfinite(case)], control[np.isfinite(control)], width)

    better = evidence("time_since_start", RISE_START_S) - evidence(channel, RISE_DEGC)
    return "the time since the start" if better > np.log(RIVAL_ODDS) else ""


def ranked(frames: Sequence[Frame], name: str, pool: Sequence[BoolArray], lead_s: float = LEAD_S) -> Compared | None:
    """A condition lead_s before the begin of bursts against the cells of `pool`; None without values."""
    measured = [(cells, mask) for cells, mask in zip(frames, pool, strict=True) if name in cells.values]
    if not measured:
        return None
    control = np.concatenate([cells.values[name][mask] for cells, mask in measured])
    case = np.concatenate([cells.at(name, cells.bursts_s[:, 0] - lead_s) for cells, _ in measured])
    return _against(name, case, control, "bursts began in the " + WHERE[name])


def _against(name: str, case: FloatArray, control: FloatArray, where: str) -> Compared | None:
    """p by a rise somewhere (heat) or by ranks; effect of being in the third of `control` that favours a link."""
    case, control = case[np.isfinite(case)], control[np.isfinite(control)]
    if control.size < 10 or not case.size:
        return None
    sign = -1.0 if name in LESS_IS_WORSE else 1.0
    if name in HEAT:
        p = rise_p(case, control, RISE_DEGC)
    else:
        # Ranks among so many cells are as sharp as among all of a long day.
        some = control[:: max(1, control.size // MOST_RANKED)]
        p = float(mannwhitneyu(sign * case, sign * some, alternative="greater").pvalue)
    limit = sign * float(np.quantile(sign * control, 1 - SHARE))
    seen = int((sign * case >= sign * limit).sum())
    expected = float(np.mean(sign * control >= sign * limit)) * case.size
    low_decile, high_decile = np.percentile(control, [10, 90])
    lead = f"{seen} of {case.size} {where.format(limit)}; by chance {_count(expected)} would"
    effect = _odds(seen, case.size, expected)
    return Compared(name, case.size, seen, expected, p, effect, float(high_decile - low_decile), limit, lead)


def could_begin(frames: Sequence[Frame]) -> list[BoolArray]:
    """Cells in which a burst could have begun: driving, or all running where bursts began at idle too."""
    only_driving = all(cells.cells_at(cells.driving, cells.bursts_s[:, 0]).all() for cells in frames)
    return [cells.at_risk & (cells.driving if only_driving else cells.running) for cells in frames]


def _above_lowest(frames: Sequence[Frame], name: str, pool: Sequence[BoolArray]) -> list[BoolArray]:
    """`pool` without cells in which the condition lay below the lowest at which a burst began."""
    if any(name not in cells.values for cells in frames):
        return list(pool)
    cases = np.concatenate([cells.at(name, cells.bursts_s[:, 0] - LEAD_S) for cells in frames])
    return [
        mask & (cells.values[name] >= np.nanpercentile(cases, 10)) for cells, mask in zip(frames, pool, strict=True)
    ]


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


def _count(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"
