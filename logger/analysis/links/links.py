"""What brings the stumbles out: heat, shock, both, neither, or "cannot tell yet".

    link(event, stumbles, running, sensor_faults=()) -> dict

`running`: for each recording of the event, in order, the list of (from_s, to_s) in which the engine ran.
The dict holds `linked_heat` and `linked_shock` (True, False, None = cannot tell yet), `sentence` for people,
`stumbles`, `bursts`, and `conditions`: one dict for each condition looked at, with `name`, `n`, `seen`, `expected`,
`p`, `p_adjusted`, `effect` (a ratio of rates), `effect_low`, `effect_high` (95 %), `linked` and `sentence`; `crossover`
(crossover.py): each condition within runs, with the others held; and `runs`: bursts and warmth of each run.

How it is told:

* **Shock** is a moment, so each run is its own control (case-crossover: M. Maclure, Am. J. Epidemiol. 133 (1991)
  144-153). A stumble counts as struck when a knock begins in the STRUCK_S before the lower bound of its onset; a knock
  afterwards may be the stumble's own. By chance: all stumbles of a run turned round against its knocks, exactly.
* **Heat** hardly changes within a run, so the coolant's temperature at the stumbles (or the air's under the bonnet,
  where only that is measured) is compared with that at all moments at which one could have come, in all runs together
  (permutation test, matched.rise_p). Where shock is linked those are the knocks from a little below the weakest that
  struck, each a trial that brought a stumble or did not (matched.rise_p_of_trials); otherwise driving outside bursts
  (all running, where bursts came at idle too), at no lower speed than the bursts came at if speed brings them out.
  Stumbles that come as system voltage falls over the day are put down to that and not to heat; those that the time
  since each start tells much better apart cannot be told.
* Heat and shock are the two questions asked beforehand, and share the allowance for error: STAKES of it for each
  (weighted Bonferroni; more for heat, as shock shows plainly or not at all). Other conditions are looked at because
  they are there (rank-sum test, F. Wilcoxon, Biometrics 1 (1945) 80-83): leads, of which few may be wrong (false
  discovery rate over everything looked at, Benjamini and Hochberg).
* With fewer than MINIMUM_STUMBLES, or MINIMUM_BURSTS, heat is never called linked, as it goes with the hour; shock
  can be.
* None where no link is significant but fewer than MINIMUM_STUMBLES came, it was about as warm all the time, or the
  comparison leans towards a link (p below LEANING_P) without being sure.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from logger.analysis.findings import SensorFault, Stumble
from logger.analysis.links import conditions as compared
from logger.analysis.links.conditions import Compared
from logger.analysis.links.crossover import crossover
from logger.analysis.links.frames import CELL_S, Frame, Interval, frame
from logger.analysis.links.matched import benjamini_hochberg
from logger.event import BoolArray, Event

LEVEL_P = 0.05
LEANING_P = 0.15
RIVAL_P = 0.01
MINIMUM_STUMBLES = 5
MINIMUM_BURSTS = 3
MINIMUM_SPREAD_DEGC = 8.0
STAKES = {"heat": 0.7, "shock": 0.3}
COMPARED = (
    "under_bonnet_temperature", "lateral_g", "engine_speed", "load", "battery_voltage", "time_since_load_step",
)  # fmt: skip
RIVALS_OF_HEAT = ("engine_speed", "load", "battery_voltage")  # which its verdict asks
TELL_HEAT = "To tell about heat, drive one run cold and one hot, alike otherwise."
WORDS = {
    "heat": "heat",
    "shock": "shock",
    "under_bonnet_temperature": "hot air under the bonnet",
    "lateral_g": "cornering",
    "engine_speed": "high engine speed",
    "load": "wide throttle",
    "battery_voltage": "low battery voltage",
    "time_since_load_step": "an electrical load switching",
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
    return without_faults(frames, sensor_faults)


def without_faults(frames: list[Frame], sensor_faults: Sequence[SensorFault]) -> list[Frame]:
    """The frames with channels blanked out while their sensor was faulty."""
    named = {cells.recording: cells for cells in frames}
    for fault in sensor_faults:
        cells = named.get(fault.recording)
        if cells is not None and fault.channel in cells.values:
            value = cells.values[fault.channel]
            value[(cells.time_s >= fault.from_s - 1.0) & (cells.time_s <= fault.to_s + 1.0)] = np.nan
    return frames


def linked(frames: Sequence[Frame]) -> dict[str, Any]:
    """The verdict over frames, for whoever has them already."""
    could_begin = compared.could_begin(frames)
    conditions = _conditions(frames, could_begin)
    heat, shock = _heat_and_shock(conditions)
    n_stumbles = _n_stumbles(frames)
    return {
        "linked_heat": heat,
        "linked_shock": shock,
        "stumbles": n_stumbles,
        "bursts": sum(len(cells.bursts_s) for cells in frames),
        "sentence": _summary(n_stumbles, conditions),
        "conditions": [asdict(condition) for condition in conditions],
        "crossover": crossover(frames, could_begin),
        "runs": [_run(cells) for cells in frames],
    }


def heat_and_shock(frames: Sequence[Frame]) -> tuple[bool | None, bool | None]:
    """Whether heat and whether shock is linked, and nothing else of the verdict."""
    return _heat_and_shock(_conditions(frames, compared.could_begin(frames), RIVALS_OF_HEAT))


def _heat_and_shock(conditions: Sequence[Condition]) -> tuple[bool | None, bool | None]:
    verdict = {condition.name: condition.linked for condition in conditions}
    return verdict.get("heat"), verdict.get("shock")


def _n_stumbles(frames: Sequence[Frame]) -> int:
    return sum(cells.onsets_s.size for cells in frames)


def _conditions(
    frames: Sequence[Frame], could_begin: Sequence[BoolArray], names: Sequence[str] = COMPARED
) -> list[Condition]:
    """Heat, shock and every other condition of those named that was measured, with its verdict."""
    shock = compared.shock(frames)
    others = [found for name in names if (found := compared.ranked(frames, name, could_begin))]
    heat = compared.heat(frames, shock, others)
    first = [found for found in (heat, shock) if found is not None]
    adjusted = {found.name: min(1.0, found.p / STAKES[found.name]) for found in first}
    everything = benjamini_hochberg([c.p for c in first + others])
    for found, p in zip(first + others, everything, strict=True):
        adjusted.setdefault(found.name, p)
    return [_judge(found, float(adjusted[found.name]), _n_stumbles(frames), others) for found in first + others]


def _run(cells: Frame) -> dict[str, Any]:
    """One run against the others: minutes in which a burst could have begun, bursts, knocks, and how warm it was."""
    warm = cells.values.get("coolant_temperature", np.full(cells.time_s.size, np.nan))[cells.running]
    known = warm[np.isfinite(warm)]
    return {
        "recording": cells.recording,
        "minutes_at_risk": round(float((cells.at_risk & cells.driving).sum()) * CELL_S / 60.0, 3),
        "bursts": len(cells.bursts_s),
        "knocks": int(cells.hits.time_ns.size),
        "coolant_degc": round(float(known.mean()), 1) if known.size else None,
    }


def _judge(found: Compared, p_adjusted: float, n_stumbles: int, others: Sequence[Compared]) -> Condition:
    verdict: bool | None = p_adjusted <= LEVEL_P
    remark = ""
    if verdict and found.name == "heat" and (n_stumbles < MINIMUM_STUMBLES or found.n < MINIMUM_BURSTS):
        few = "bursts" if n_stumbles >= MINIMUM_STUMBLES else "stumbles"
        verdict, remark = None, f"; that leans towards heat, but so few {few} may share the hour as well"
    elif verdict and found.name == "heat":
        voltage = next((other for other in others if other.name == "battery_voltage"), None)
        if voltage is not None and voltage.p < min(RIVAL_P, found.p):
            verdict, remark = False, "; but falling battery voltage tells them apart better than temperature does"
        elif found.rival:
            verdict, remark = None, f"; but {found.rival} tells them apart better than temperature does"
    elif not verdict and n_stumbles < MINIMUM_STUMBLES:
        verdict, remark = None, "; too few stumbles to tell yet"
    elif not verdict and found.name == "heat" and found.spread < MINIMUM_SPREAD_DEGC:
        verdict, remark = None, "; it was about as warm all the time, so this cannot tell"
    elif not verdict and found.p < LEANING_P:
        verdict, remark = None, "; that leans towards a link, but chance would do it too often to say so"
    effect, low, high = found.effect
    sentence = f"{found.lead}; p {_p(p_adjusted)}, corrected for the conditions looked at{remark}."
    return Condition(
        found.name, found.n, found.seen, round(found.expected, 3), found.p, p_adjusted,
        effect, low, high, verdict, sentence,
    )  # fmt: skip


def _summary(n_stumbles: int, conditions: Sequence[Condition]) -> str:
    if not n_stumbles:
        return "No stumbles, so nothing to link with heat or shock."
    named = [WORDS[condition.name] for condition in conditions if condition.linked]
    main = [c for c in conditions if c.name in ("heat", "shock")]
    advice = [TELL_HEAT] if any(c.name == "heat" and c.linked is None for c in main) else []
    if named:
        leads = [_capital(c.sentence) for c in conditions if c.linked]
        return " ".join([f"Linked with {' and '.join(named)}.", *leads, *advice])
    if not main or any(condition.linked is None for condition in main):
        leads = [_capital(c.sentence) for c in main]
        return " ".join(["Cannot tell yet whether heat or shock brings it out.", *leads, *advice])
    return "Neither heat nor shock stands out. " + " ".join(_capital(c.sentence) for c in main)


def _p(value: float) -> str:
    if value < 0.0001:
        return "below 0.0001"
    return f"= {value:.2f}" if value >= 0.1 else f"= {value:.2g}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
