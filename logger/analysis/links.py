"""What brings the stumbles out: heat, shock, both, neither, or "cannot tell yet".

    link(event, stumbles, running, sensor_faults=()) -> dict

`running`: for each recording of the event, in order, the list of (from_s, to_s) in which the engine ran.
The dict holds `linked_heat` and `linked_shock` (True, False, None = cannot tell yet), `sentence` for people,
`stumbles`, `bursts`, and `conditions`: one dict for each condition looked at, with `name`, `n`, `seen`, `expected`,
`p`, `p_adjusted`, `effect` (a ratio of rates), `effect_low`, `effect_high` (95 %), `linked` and `sentence`; and
`crossover` (crossover.py): each condition within runs, with the others held.

How it is told:

* **Shock** is a moment, so each run is its own control (case-crossover: M. Maclure, Am. J. Epidemiol. 133 (1991)
  144-153). A stumble counts as struck when a knock begins in the STRUCK_S before the lower bound of its onset; a knock
  afterwards may be the stumble's own. By chance: all stumbles of a run turned round against its knocks, exactly.
* **Heat** hardly changes within a run, so the temperature at the begin of bursts is compared with the temperatures at
  all moments at which one could have begun, in all runs together (permutation test, matched.rise_p): the knocks, where
  shock is linked; otherwise driving outside bursts (all running, where bursts came at idle too), at no lower speed
  than the bursts came at if speed brings them out. Stumbles that come as system voltage falls over the day are put
  down to that and not to heat.
* Heat and shock are the two questions asked beforehand, and share the allowance for error: STAKES of it for each
  (weighted Bonferroni; more for heat, as shock shows plainly or not at all). Other conditions are looked at because
  they are there (rank-sum test, F. Wilcoxon, Biometrics 1 (1945) 80-83): leads, of which few may be wrong (false
  discovery rate over everything looked at, Benjamini and Hochberg).
* None where no link is significant but fewer than MINIMUM_STUMBLES came, it was about as warm all the time, or the
  comparison leans towards a link (p below LEANING_P) without being sure.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.stats import beta, mannwhitneyu

from logger.analysis.crossover import crossover
from logger.analysis.findings import SensorFault, Stumble
from logger.analysis.frames import (
    CELL_S,
    HIT_DOUBT_S,
    STRUCK_S,
    Frame,
    Interval,
    frame,
    knocks_at_risk,
    of_the_road,
    struck_by,
)
from logger.analysis.matched import benjamini_hochberg, rise_p, rotation_counts
from logger.event import BoolArray, Event, FloatArray

STEP_S = 0.02
LEVEL_P = 0.05
LEANING_P = 0.15
MINIMUM_STUMBLES = 5
MINIMUM_SPREAD_DEGC = 8.0
LEAD_S = 0.7
SHARE = 1 / 3
RISE_DEGC = 2.0
STAKES = {"heat": 0.6, "shock": 0.4}
COMPARED = ("lateral_g", "engine_speed", "load", "battery_voltage")
WORDS = {
    "heat": "heat",
    "shock": "shock",
    "lateral_g": "cornering",
    "engine_speed": "high engine speed",
    "load": "wide throttle",
    "battery_voltage": "low battery voltage",
}


@dataclass(frozen=True, slots=True)
class Condition:
    """What one condition has to do with the stumbles; `linked` None: too little to tell."""

    name: str
    n: int
    seen: float
    expected: float
    p: float
    p_adjusted: float
    effect: float | None
    effect_low: float
    effect_high: float | None
    linked: bool | None
    sentence: str


@dataclass(frozen=True, slots=True)
class _Compared:
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


def link(
    event: Event,
    stumbles: Sequence[Stumble],
    running: Sequence[Sequence[Interval]],
    sensor_faults: Sequence[SensorFault] = (),
) -> dict[str, Any]:
    """Compare the conditions at stumbles with those at all other times of the same event; see the module's top."""
    frames = frames_of(event, stumbles, running, sensor_faults)
    return linked(frames)


def frames_of(
    event: Event,
    stumbles: Sequence[Stumble],
    running: Sequence[Sequence[Interval]],
    sensor_faults: Sequence[SensorFault] = (),
) -> list[Frame]:
    """The conditions of each recording, with channels blanked out while their sensor was faulty."""
    frames = [
        frame(recording, event.engine, spans, stumbles)
        for recording, spans in zip(event.recordings, running, strict=True)
    ]
    for fault in sensor_faults:
        for cells in frames:
            if cells.recording == fault.recording and fault.channel in cells.values:
                value = cells.values[fault.channel]
                value[(cells.time_s >= fault.from_s - 1.0) & (cells.time_s <= fault.to_s + 1.0)] = np.nan
    return frames


def linked(frames: Sequence[Frame]) -> dict[str, Any]:
    """The verdict over frames, for whoever has them already."""
    n_stumbles = sum(cells.onsets_s.size for cells in frames)
    n_bursts = sum(len(cells.bursts_s) for cells in frames)
    shock = _shock(frames)
    could_begin = _could_begin(frames)
    others = [found for name in COMPARED if (found := _ranked(frames, name, could_begin))]
    heat = _heat(frames, shock, others)
    first = [found for found in (heat, shock) if found is not None]
    adjusted = {found.name: min(1.0, found.p / STAKES[found.name]) for found in first}
    everything = benjamini_hochberg([c.p for c in first + others])
    for found, p in zip(first + others, everything, strict=True):
        adjusted.setdefault(found.name, p)
    conditions = [_judge(found, float(adjusted[found.name]), n_stumbles, others) for found in first + others]
    verdict = {condition.name: condition.linked for condition in conditions}
    return {
        "linked_heat": verdict.get("heat"),
        "linked_shock": verdict.get("shock"),
        "stumbles": n_stumbles,
        "bursts": n_bursts,
        "sentence": _summary(n_stumbles, conditions),
        "conditions": [asdict(condition) for condition in conditions],
        "crossover": crossover(frames, could_begin),
    }


def _shock(frames: Sequence[Frame]) -> _Compared | None:
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
    return _Compared("shock", n, seen, expected, p, _odds(seen, n, expected), threshold=lowest, lead=lead)


def _heat(frames: Sequence[Frame], shock: _Compared | None, others: Sequence[_Compared]) -> _Compared | None:
    """Temperature at bursts ranked among temperatures at all moments at which one could have begun."""
    if shock is not None and shock.p < LEVEL_P / 2:
        pool = [_knock_cells(cells) for cells in frames]
    else:
        pool = _could_begin(frames)
        for found in others:
            if found.name in ("engine_speed", "load") and found.p < LEVEL_P / 10:
                pool = _above_lowest(frames, found.name, pool)
    return _ranked(frames, "coolant_temperature", pool)


def _ranked(frames: Sequence[Frame], name: str, pool: Sequence[BoolArray]) -> _Compared | None:
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
    return _Compared(
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


def _judge(found: _Compared, p_adjusted: float, n_stumbles: int, others: Sequence[_Compared]) -> Condition:
    verdict: bool | None = p_adjusted <= LEVEL_P
    remark = ""
    if verdict and found.name == "heat":
        voltage = next((other for other in others if other.name == "battery_voltage"), None)
        if voltage is not None and voltage.p < min(0.001, found.p):
            verdict, remark = False, "; but falling battery voltage tells them apart better than temperature does"
    elif not verdict and n_stumbles < MINIMUM_STUMBLES:
        verdict, remark = None, "; too few stumbles to tell yet"
    elif not verdict and found.name == "heat" and found.spread < MINIMUM_SPREAD_DEGC:
        verdict, remark = None, "; it was about as warm all the time, so this cannot tell"
    elif not verdict and found.p < LEANING_P:
        verdict, remark = None, "; that leans towards a link, but chance would do it too often to say so"
    effect, low, high = found.effect
    sentence = f"{found.lead}; p = {_p(p_adjusted)} corrected for the conditions looked at{remark}."
    return Condition(
        found.name, found.n, found.seen, round(found.expected, 3), found.p, p_adjusted,
        effect, low, high, verdict, sentence,
    )  # fmt: skip


def _summary(n_stumbles: int, conditions: Sequence[Condition]) -> str:
    if not n_stumbles:
        return "No stumbles, so nothing to link with heat or shock."
    named = [WORDS[condition.name] for condition in conditions if condition.linked]
    main = [c for c in conditions if c.name in ("heat", "shock")]
    if named:
        leads = " ".join(_capital(c.sentence) for c in conditions if c.linked)
        return f"Linked with {' and '.join(named)}. {leads}"
    if not main or any(condition.linked is None for condition in main):
        return "Cannot tell yet whether heat or shock brings it out. " + " ".join(_capital(c.sentence) for c in main)
    return "Neither heat nor shock stands out. " + " ".join(_capital(c.sentence) for c in main)


def _could_begin(frames: Sequence[Frame]) -> list[BoolArray]:
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


def _p(value: float) -> str:
    return f"{value:.4f}" if value >= 0.0001 else "less than 0.0001"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
