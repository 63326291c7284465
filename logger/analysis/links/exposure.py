"""How long the engine ran in each condition, and how often it stumbled there: compact numbers for the logbook.

    of(recording, engine, running, stumbles) -> Exposure        with to_dict and from_dict
    summarise(frame) -> Exposure                                from a frame that is there already
    of_event(event, frames) -> list[Exposure]                   all recordings, with the time since a hot stop

Everything is counted over the time at risk and in bursts, see frames.py, which also says what the arguments are.
"""

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from logger.analysis.findings import Stumble
from logger.analysis.links.conditions import LEAD_S
from logger.analysis.links.frames import CELL_S, Frame, Interval, frame, knocks_at_risk, struck_by
from logger.event import NS_PER_S, Cause, Engine, Event, FloatArray, Recording

HOT_STOP_DEGC = 80.0
CHANGED = ("engine_speed", "load", "battery_voltage", "lateral_g", "time_since_load_step")
"""What a stumble changes itself: taken LEAD_S before its begin."""

EDGES: dict[str, FloatArray] = {
    "coolant_temperature": np.arange(-40.0, 152.6, 2.5),
    "under_bonnet_temperature": np.arange(-40.0, 202.6, 5.0),
    "battery_voltage": np.arange(8.0, 16.1, 0.25),
    "engine_speed": np.arange(0.0, 15001.0, 500.0),
    "load": np.arange(0.0, 101.0, 10.0),
    "lateral_g": np.arange(0.0, 3.1, 0.1),
    "time_since_load_step": np.array([0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 7200.0]),
    "time_since_start": np.arange(0.0, 7201.0, 10.0),
    "time_since_hot_stop": np.arange(0.0, 7201.0, 60.0),
}
LEVEL_EDGES = np.array([1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 100.0])


@dataclass(frozen=True, slots=True)
class Histogram:
    """Seconds at risk and bursts begun between neighbouring `edges` (n + 1); the end cells take what lies beyond."""

    edges: FloatArray
    seconds: FloatArray
    bursts: FloatArray


@dataclass(frozen=True, slots=True)
class Exposure:
    """One recording's running in numbers, small enough for the logbook.

    `knocks` (temperature, level) counts knocks at risk by coolant (last row: not measured) and level. For each burst,
    `burst_degc` is the coolant at its begin and `burst_g` the knock right before it, NaN where there was none, and
    `burst_causes` what its stumbles were put down to. `from_s`: where in the recording it begins, if not at its start.
    """

    recording: str
    running_s: float
    at_risk_s: float
    driving_at_risk_s: float
    stumbles: int
    bursts: int
    histograms: dict[str, Histogram] = field(default_factory=dict)
    knocks: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    burst_degc: FloatArray = field(default_factory=lambda: np.empty(0))
    burst_g: FloatArray = field(default_factory=lambda: np.empty(0))
    burst_causes: tuple[tuple[Cause, ...], ...] = ()
    entered: dict[str, Any] = field(default_factory=dict)
    from_s: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and numbers; histograms without their empty ends."""
        return {
            "recording": self.recording,
            "running_s": round(self.running_s, 3),
            "at_risk_s": round(self.at_risk_s, 3),
            "driving_at_risk_s": round(self.driving_at_risk_s, 3),
            "stumbles": self.stumbles,
            "bursts": self.bursts,
            "histograms": {name: _trimmed(histogram) for name, histogram in self.histograms.items()},
            "knocks": [[*map(int, cell), int(self.knocks[tuple(cell)])] for cell in np.argwhere(self.knocks)],
            "burst_degc": _plain(self.burst_degc),
            "burst_g": _plain(self.burst_g),
            "burst_causes": [list(causes) for causes in self.burst_causes],
            "entered": dict(self.entered),
            "from_s": round(self.from_s, 3),
        }

    @classmethod
    def from_dict(cls, document: dict[str, Any]) -> "Exposure":
        """The inverse of to_dict."""
        return cls(
            recording=document["recording"],
            running_s=document["running_s"],
            at_risk_s=document["at_risk_s"],
            driving_at_risk_s=document["driving_at_risk_s"],
            stumbles=document["stumbles"],
            bursts=document["bursts"],
            histograms={
                name: Histogram(np.asarray(h["edges"], float), np.asarray(h["seconds"]), np.asarray(h["bursts"]))
                for name, h in document["histograms"].items()
            },
            knocks=_dense(document["knocks"]),
            burst_degc=np.array([np.nan if v is None else v for v in document["burst_degc"]], dtype=float),
            burst_g=np.array([np.nan if v is None else v for v in document["burst_g"]], dtype=float),
            burst_causes=tuple(tuple(causes) for causes in document["burst_causes"]),
            entered=dict(document["entered"]),
            from_s=document["from_s"],
        )

    def only(self, causes: Set[Cause]) -> "Exposure":
        """The same running with only the bursts in which one of these causes was seen; histograms stay as they are."""
        kept = np.array([not causes.isdisjoint(seen) for seen in self.burst_causes], dtype=bool)
        return replace(
            self,
            bursts=int(kept.sum()),
            burst_degc=self.burst_degc[kept],
            burst_g=self.burst_g[kept],
            burst_causes=tuple(seen for seen in self.burst_causes if not causes.isdisjoint(seen)),
        )


def of(recording: Recording, engine: Engine, running: Sequence[Interval], stumbles: Sequence[Stumble] = ()) -> Exposure:
    """Histograms of one recording's time at risk in each measured condition, with the bursts begun in each cell."""
    return summarise(frame(recording, engine, running, stumbles))


def summarise(
    cells: Frame, hot_stop_s: float | None = None, entered: Mapping[str, Any] | None = None, from_s: float = 0.0
) -> Exposure:
    """An Exposure from a frame. hot_stop_s: seconds between a hot stop and this recording's start, where known."""
    begins = cells.bursts_s[:, 0]
    values = dict(cells.values)
    if hot_stop_s is not None:
        values["time_since_hot_stop"] = hot_stop_s + cells.time_s
    histograms = {}
    for name, value in values.items():
        edges = EDGES[name]
        known = cells.at_risk & np.isfinite(value)
        if known.any():
            before = np.maximum(begins - (LEAD_S if name in CHANGED else 0.0), 0.0)
            at_begin = cells.at(name, before) if name in cells.values else begins + (hot_stop_s or 0.0)
            histograms[name] = Histogram(edges, _count(value[known], edges) * CELL_S, _count(at_begin, edges))
    warm = values.get("coolant_temperature")
    driven = cells.at_risk & cells.driving
    if warm is not None and (driven & np.isfinite(warm)).any():
        edges = EDGES["coolant_temperature"]
        at_begin = cells.at("coolant_temperature", begins[cells.cells_at(cells.driving, begins)])
        seconds = _count(warm[driven & np.isfinite(warm)], edges) * CELL_S
        histograms["coolant_driving"] = Histogram(edges, seconds, _count(at_begin, edges))
    return Exposure(
        recording=cells.recording,
        running_s=float(cells.running.sum() * CELL_S),
        at_risk_s=float(cells.at_risk.sum() * CELL_S),
        driving_at_risk_s=float((cells.at_risk & cells.driving).sum() * CELL_S),
        stumbles=int(cells.onsets_s.size),
        bursts=len(begins),
        histograms=histograms,
        knocks=_knock_table(cells),
        burst_degc=cells.at("coolant_temperature", begins),
        burst_g=struck_by(cells, _lows(cells)),
        burst_causes=_causes(cells),
        entered=dict(entered or {}),
        from_s=from_s,
    )


def of_event(event: Event, frames: Sequence[Frame], entered: Mapping[str, Any] | None = None) -> list[Exposure]:
    """All recordings of an event; where the clock relates them, with the time since the engine was stopped hot.

    entered: what people entered for the event, such as {"fuel": "half", "road": "wet"}, kept with each recording.
    """
    since = hot_stops(event, frames)
    return [summarise(cells, hot_stop_s, entered) for cells, hot_stop_s in zip(frames, since, strict=True)]


def hot_stops(event: Event, frames: Sequence[Frame]) -> list[float | None]:
    """For each recording the seconds since the engine was stopped hot before it; None where it was not, or no clock
    relates the recordings."""
    found: list[float | None] = []
    stopped_ns: int | None = None
    for recording, cells in zip(event.recordings, frames, strict=True):
        since_s = None
        if stopped_ns is not None and recording.offset_ns is not None:
            since_s = max(0.0, (recording.offset_ns - stopped_ns) / NS_PER_S)
        found.append(since_s)
        last = np.flatnonzero(cells.running)
        if last.size and recording.offset_ns is not None:
            at_s = float(cells.time_s[last[-1]])
            hot = float(cells.at("coolant_temperature", np.array([at_s]))[0]) >= HOT_STOP_DEGC
            stopped_ns = recording.offset_ns + round(at_s * NS_PER_S) if hot else None
    return found


def _lows(cells: Frame) -> FloatArray:
    """Lower bound of the onset of each burst's first stumble."""
    lows: FloatArray = cells.onset_low_s[np.searchsorted(cells.onsets_s, cells.bursts_s[:, 0])]
    return lows


def _causes(cells: Frame) -> tuple[tuple[Cause, ...], ...]:
    """For each burst the causes of its stumbles, in the order of the alphabet."""
    return tuple(
        tuple(sorted({s.cause for s in cells.stumbles if begin <= s.onset_s <= end})) for begin, end in cells.bursts_s
    )


def _dense(triples: Sequence[Sequence[float]]) -> FloatArray:
    """The table of knocks again, from [row, column, count] of those cells that hold any."""
    table = np.zeros((EDGES["coolant_temperature"].size, LEVEL_EDGES.size - 1))
    for row, column, count in triples:
        table[int(row), int(column)] = count
    return table


def _knock_table(cells: Frame) -> FloatArray:
    """Knocks at risk by coolant temperature (rows; the last: not measured) and level (columns)."""
    edges = EDGES["coolant_temperature"]
    table = np.zeros((edges.size, LEVEL_EDGES.size - 1))
    use = knocks_at_risk(cells)
    temperature = cells.at("coolant_temperature", cells.hits.time_s[use])
    row = np.where(np.isfinite(temperature), _cell(np.nan_to_num(temperature), edges), edges.size - 1)
    np.add.at(table, (row, _cell(cells.hits.level_g[use], LEVEL_EDGES)), 1.0)
    return table


def _cell(value: FloatArray, edges: FloatArray) -> np.ndarray[Any, np.dtype[np.intp]]:
    return np.clip(np.searchsorted(edges, value, side="right") - 1, 0, edges.size - 2)


def _count(value: FloatArray, edges: FloatArray) -> FloatArray:
    counted: FloatArray = np.bincount(_cell(value[np.isfinite(value)], edges), minlength=edges.size - 1).astype(float)
    return counted


def _plain(value: FloatArray) -> list[float | None]:
    """For JSON: rounded, None for NaN."""
    return [None if np.isnan(one) else round(float(one), 3) for one in value]


def _trimmed(histogram: Histogram) -> dict[str, list[float]]:
    used = np.flatnonzero((histogram.seconds > 0) | (histogram.bursts > 0))
    first, last = (int(used[0]), int(used[-1]) + 1) if used.size else (0, 1)
    return {
        "edges": histogram.edges[first : last + 1].tolist(),
        "seconds": np.round(histogram.seconds[first:last], 3).tolist(),
        "bursts": histogram.bursts[first:last].tolist(),
    }
