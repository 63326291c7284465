"""Which exposure counts for a repair: the conditions that brought the bursts out before it.

matched_conditions(runs_before) -> list[Matched]
agreed(verdicts) -> True, False or None                 of several events
"""

from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from logger.analysis.links import exposure, links
from logger.analysis.links.exposure import Exposure
from logger.analysis.links.frames import Frame, with_stumbles
from logger.event import Cause, FloatArray

Kind = Literal["driving", "hot", "knocks", "hot_knocks"]


@dataclass(frozen=True, slots=True)
class Matched:
    """The exposure that counts: `from_degc` and `from_g` are the lower limits of what brought the bursts out."""

    kind: Kind
    from_degc: float = -np.inf
    from_g: float = 0.0

    @property
    def unit(self) -> str:
        """In words, for sentences."""
        return {
            "driving": "minutes of driving",
            "hot": f"minutes with the coolant above {self.from_degc:.0f} °C",
            "knocks": f"knocks above {self.from_g:.1f} g",
            "hot_knocks": f"knocks above {self.from_g:.1f} g with the coolant above {self.from_degc:.0f} °C",
        }[self.kind]

    def within(self, run: Exposure) -> float:
        """How much of it one run holds, in `unit`: minutes, or knocks."""
        if self.kind == "driving":
            return run.driving_at_risk_s / 60.0
        if self.kind == "hot":
            histogram = run.histograms.get("coolant_driving")
            if histogram is None:
                return 0.0
            return float(histogram.seconds[histogram.edges[:-1] >= self.from_degc].sum()) / 60.0
        rows = exposure.EDGES["coolant_temperature"] >= self.from_degc
        if self.kind == "knocks":
            rows = np.ones_like(rows)
        else:
            rows[-1] = False
        columns = exposure.LEVEL_EDGES[:-1] >= self.from_g
        return float(run.knocks[np.ix_(rows, columns)].sum()) if run.knocks.size else 0.0


@dataclass(frozen=True, slots=True)
class Run:
    """One stretch of recording between repairs. From the logbook it comes without the frame behind its exposure, and
    with what the analysis of its event said brings the stumbles out."""

    exposure: Exposure
    frame: Frame | None = None
    linked_heat: bool | None = None
    linked_shock: bool | None = None

    def causes(self) -> list[Cause]:
        """The cause of each stumble; without a frame the causes of each burst."""
        if self.frame is not None:
            return [stumble.cause for stumble in self.frame.stumbles]
        return [cause for seen in self.exposure.burst_causes for cause in seen]

    def only(self, causes: Set[Cause]) -> "Run":
        """The same running with only what is put down to these causes."""
        if self.frame is None:
            return replace(self, exposure=self.exposure.only(causes))
        cells = with_stumbles(self.frame, [s for s in self.frame.stumbles if s.cause in causes])
        return replace(self, exposure=exposure.summarise(cells, from_s=self.exposure.from_s), frame=cells)


def matched_conditions(before: Sequence[Run]) -> list[Matched]:
    """The exposures that count, what is linked first, from what brought the bursts out before the repair alone.

    The limits lie a little below the least that was seen to do it (4/5 of the level, 2.5 °C), at the edges of the
    logbook's histograms, because the least of a few is more than the least there is.
    """
    frames = [run.frame for run in before if run.frame is not None]
    if frames:
        linked_heat, linked_shock = links.heat_and_shock(frames)
    else:
        failed = [run for run in before if run.exposure.bursts]
        linked_heat = agreed(run.linked_heat for run in failed)
        linked_shock = agreed(run.linked_shock for run in failed)
    from_g = _least([run.exposure.burst_g for run in before], exposure.LEVEL_EDGES, 0.8, 0.0)
    from_degc = _least([run.exposure.burst_degc for run in before], exposure.EDGES["coolant_temperature"], 1.0, 2.5)
    if linked_heat and linked_shock:
        return [Matched("hot_knocks", from_degc, from_g)]
    asked = [] if linked_shock or linked_heat else [Matched("driving")]
    if from_g > 0 and linked_shock is not False:
        asked.append(Matched("knocks", from_g=from_g))
    if np.isfinite(from_degc):
        asked.insert(0 if linked_heat else len(asked), Matched("hot", from_degc))
    return asked or [Matched("driving")]


def agreed(verdicts: Iterable[bool | None]) -> bool | None:
    """What all events that could tell say alike; None where they contradict each other or none could tell."""
    told = {verdict for verdict in verdicts if verdict is not None}
    return told.pop() if len(told) == 1 else None


def _least(values: Sequence[FloatArray], edges: FloatArray, scale: float, less: float) -> float:
    """The lower decile of what was seen, lowered a little and down to an edge; the lowest edge where nothing was."""
    seen = np.concatenate(values) if values else np.empty(0)
    seen = seen[np.isfinite(seen)]
    if not seen.size:
        return -np.inf if less else 0.0
    wanted = float(np.quantile(seen, 0.1 if seen.size >= 10 else 0.0)) * scale - less
    return float(edges[max(0, int(np.searchsorted(edges, wanted, side="right")) - 1)])
