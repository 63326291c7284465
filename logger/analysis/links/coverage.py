"""A bench or dyno session against the event: what share of the conditions in which the car stumbled has it reached?

    coverage(stumbled, session, linked_heat, linked_shock) -> Coverage
    plan(stumbled, linked_heat, linked_shock) -> list[str]

`stumbled` and `session` are Exposures of recordings (exposure.py): of those with the stumbles, and of the session. A
burst's conditions count as reached where the session ran at least REACHED_S (or shook at least REACHED_KNOCKS times) at
no less coolant temperature (to 2.5 °C), engine speed (to 500 rev/min), and knock level (to a fifth) than it came at.
Conditions that are known not to matter are not asked for: a link of False takes its condition out.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logger.analysis.links.exposure import EDGES, LEVEL_EDGES, Exposure
from logger.event import Cause, FloatArray

REACHED_S = 10.0
REACHED_KNOCKS = 3
SLACK_DEGC = 2.5
SLACK_G = 0.8
SLACK_RPM = 500.0
KNOCKS_PER_BURST = 3
MOST_KNOCKS = 40
SUSPECT_SHARE = 0.3
"""Where nobody can tell yet, shaking is asked for if at least so many bursts came after a knock."""
TAPPED: dict[Cause, str] = {
    "supply_voltage": "battery clamps, master switch, main feed, alternator plug and ground straps",
    "ignition_primary": "the coil's feed wire, plug and relay, ignition switch, pick-up plug and module",
    "ignition_secondary": "coil, cap and their brackets (never a lead)",
    "fuel_delivery": "the pump's plug, relay and ground",
    "mixture": "injector plugs, their relay, the control unit's plug and the intake hoses",
    "undetermined": "looms, plugs, relays and grounds",
}
"""Where to tap a standing car, by the cause behind most of the bursts."""


@dataclass(frozen=True, slots=True)
class Coverage:
    """Shares (0 to 1) of the bursts whose condition the session reached; None where it was not measured or asked for.

    `all` is the share for which every condition asked was reached, each by itself: it does not know whether they came
    together, except that knocks are only counted when as warm as it took.
    """

    heat: float | None
    shock: float | None
    speed: float | None
    all: float
    sentence: str


def coverage(
    stumbled: Sequence[Exposure],
    session: Sequence[Exposure],
    linked_heat: bool | None = None,
    linked_shock: bool | None = None,
) -> Coverage:
    """How much of what brings the stumbles out the session has seen. Without bursts there is nothing to cover."""
    degc = np.concatenate([one.burst_degc for one in stumbled]) if stumbled else np.empty(0)
    struck_g = np.concatenate([one.burst_g for one in stumbled]) if stumbled else np.empty(0)
    speeds = _speeds(stumbled)
    if not degc.size:
        return Coverage(None, None, None, 0.0, "No stumbles were recorded, so there is nothing for a session to reach.")
    shares: dict[str, FloatArray] = {}
    if linked_heat is not False and np.isfinite(degc).any():
        shares["heat"] = _warm_enough(session, degc)
    if linked_shock is not False and np.isfinite(struck_g).any():
        shares["shock"] = _shaken_enough(session, struck_g, degc if linked_heat else np.full(degc.size, np.nan))
    if speeds.size == degc.size:
        shares["speed"] = _fast_enough(session, speeds)
    each = np.array(list(shares.values())) if shares else np.zeros((1, degc.size))
    together = float(each.all(axis=0).mean())
    told = {name: round(float(reached.mean()), 3) for name, reached in shares.items()}
    return Coverage(
        told.get("heat"),
        told.get("shock"),
        told.get("speed"),
        together,
        _sentence(told, together, degc.size, linked_shock),
    )


def plan(stumbled: Sequence[Exposure], linked_heat: bool | None = None, linked_shock: bool | None = None) -> list[str]:
    """What a session has to do to bring the stumbles out, in sentences; empty without bursts."""
    degc = np.concatenate([one.burst_degc for one in stumbled]) if stumbled else np.empty(0)
    struck_g = np.concatenate([one.burst_g for one in stumbled]) if stumbled else np.empty(0)
    if not degc.size:
        return []
    steps = []
    if linked_heat is not False and np.isfinite(degc).any():
        steps.append(f"Warm it up until the coolant shows {np.nanmedian(degc):.0f} °C, and keep it there.")
    struck = float(np.isfinite(struck_g).mean())
    if (linked_shock and struck) or (linked_shock is None and struck >= SUSPECT_SHARE):
        knocks = min(KNOCKS_PER_BURST * degc.size, MOST_KNOCKS)
        seen = Counter(cause for one in stumbled for causes in one.burst_causes for cause in causes)
        where = TAPPED[max(seen, key=lambda cause: (seen[cause], cause), default="undetermined")]
        steps.append(
            f"Shake it: {knocks} knocks of {np.nanmedian(struck_g):.1f} g or more at the logger, such as a slow drive "
            "over a board gives; only those count as reached."
        )
        steps.append(
            f"On the spot, tap {where} with a rubber mallet or a dry wooden stick, one at a time, and press the mark "
            "button each time. Nobody near fan, belts or coil leads while the engine runs; no petrol joint open."
        )
    speeds = _speeds(stumbled)
    if speeds.size and np.median(speeds) >= SLACK_RPM:
        steps.append(f"Hold about {np.median(speeds):.0f} rev/min, under load where the bench can give it.")
    throttle = _at_bursts(stumbled, "load")
    if throttle.size and np.median(throttle) >= 50:
        steps.append("Most stumbles came with the throttle wide open: a session without load does not reach them.")
    return steps


def _warm_enough(session: Sequence[Exposure], degc: FloatArray) -> FloatArray:
    seconds = _total(session, "coolant_temperature")
    edges = EDGES["coolant_temperature"][:-1]
    return np.array([not np.isfinite(t) or seconds[edges >= t - 2 * SLACK_DEGC].sum() >= REACHED_S for t in degc])


def _fast_enough(session: Sequence[Exposure], rpm: FloatArray) -> FloatArray:
    seconds = _total(session, "engine_speed")
    edges = EDGES["engine_speed"][:-1]
    return np.array([seconds[edges >= one - SLACK_RPM].sum() >= REACHED_S for one in rpm])


def _shaken_enough(session: Sequence[Exposure], struck_g: FloatArray, degc: FloatArray) -> FloatArray:
    """Bursts without a knock before them ask for none."""
    knocks = sum((one.knocks for one in session if one.knocks.size), np.zeros((EDGES["coolant_temperature"].size, 10)))
    reached = []
    for level, warm in zip(struck_g, degc, strict=True):
        columns = LEVEL_EDGES[1:] > SLACK_G * level if np.isfinite(level) else np.ones(LEVEL_EDGES.size - 1, dtype=bool)
        rows = EDGES["coolant_temperature"] >= warm - 2 * SLACK_DEGC if np.isfinite(warm) else slice(None)
        reached.append(not np.isfinite(level) or float(knocks[rows][:, columns].sum()) >= REACHED_KNOCKS)
    return np.array(reached)


def _total(session: Sequence[Exposure], name: str) -> FloatArray:
    """Seconds in each cell of the full table, over all recordings of the session."""
    seconds = np.zeros(EDGES[name].size - 1)
    for one in session:
        histogram = one.histograms.get(name)
        if histogram is not None:
            first = int(np.searchsorted(EDGES[name], histogram.edges[0] - 1e-9))
            seconds[first : first + histogram.seconds.size] += histogram.seconds
    return seconds


def _speeds(stumbled: Sequence[Exposure]) -> FloatArray:
    return _at_bursts(stumbled, "engine_speed")


def _at_bursts(stumbled: Sequence[Exposure], name: str) -> FloatArray:
    """Middle of the cell in which each burst began."""
    found = []
    for one in stumbled:
        histogram = one.histograms.get(name)
        if histogram is not None:
            middles = (histogram.edges[:-1] + histogram.edges[1:]) / 2
            found.append(np.repeat(middles, histogram.bursts.astype(int)))
    return np.concatenate(found) if found else np.empty(0)


def _sentence(told: dict[str, float], together: float, n_bursts: int, linked_shock: bool | None) -> str:
    words = {"heat": "as hot", "shock": "shaken as hard", "speed": "turning as fast"}
    parts = ", ".join(f"{words[name]} as at {100 * share:.0f} % of them" for name, share in told.items())
    bursts = "1 burst" if n_bursts == 1 else f"{n_bursts} bursts"
    text = (
        f"Of the conditions in which the car stumbled ({bursts}), this session reached {100 * together:.0f} %: {parts}."
    )
    if linked_shock and told.get("shock", 1.0) < 0.5:
        text += " It hardly shook the car, so being clean clears nothing that shock brings out."
    return text
