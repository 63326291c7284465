"""How long the engine ran in each condition, and how often it stumbled there.

    frame(recording, engine, running, stumbles) -> Frame        conditions on a common grid of CELL_S
    of(recording, engine, running, stumbles) -> Exposure        compact histograms for the logbook (to_dict/from_dict)

`running` is the list of (from_s, to_s) in which the engine ran, as the states know it; `stumbles` are those of the
whole event (others' recordings are left out here).

What is counted is the *burst*: all stumbles that start within 3 s of the end of the one before, because one bad contact
gives thirty cut-outs in a row. While a burst lasts, and 3 s beyond, no new one can begin: that time is no exposure
("dead time" of a counter). What remains is the time *at risk*; with it the begins of bursts form a counting process
whose intensity is the rate sought (P. K. Andersen and others, Statistical Models Based on Counting Processes, 1993,
ch. II), so a rate over time at risk is neither thinned nor inflated by the way stumbles come in crowds.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from logger.analysis import shock
from logger.analysis.findings import Stumble
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, Recording, Trace

Interval = tuple[float, float]

BURST_GAP_S = 3.0
CELL_S = 0.1
DRIVING_OVER_IDLE = 1.5
DRIVING_SPREAD_S = 3.0
STEP_VOLT = 0.25
POSSIBLE_DEGC = (-35.0, 180.0)
JUMP_DEGC = 4.0
SLOPE_DEGC_PER_S = 0.6
BRIDGE_S = 40.0
MAX_DOUBT_S = 0.02
STRUCK_S = 0.3
HIT_DOUBT_S = 0.01

EDGES: dict[str, FloatArray] = {
    "coolant_temperature": np.arange(-40.0, 152.6, 2.5),
    "under_bonnet_temperature": np.arange(-40.0, 202.6, 5.0),
    "battery_voltage": np.arange(8.0, 16.1, 0.25),
    "engine_speed": np.arange(0.0, 15001.0, 500.0),
    "load": np.arange(0.0, 101.0, 10.0),
    "lateral_g": np.arange(0.0, 3.1, 0.1),
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
class Frame:
    """Conditions of one recording on cells of CELL_S: `time_s` (n,) are their middles, NaN where nothing was measured.

    `running`, `driving` (pulling away until coming to rest, as crank speed shows it) and `at_risk` (running, and no
    burst under way) are masks. `bursts_s` (k, 2) are begin and end of each burst, `stumbles_s` (m, 2) of each stumble,
    `onset_low_s` (m,) the lower bounds of their onsets, `hits` the knocks.
    """

    recording: str
    time_s: FloatArray
    values: dict[str, FloatArray]
    running: BoolArray
    driving: BoolArray
    at_risk: BoolArray
    bursts_s: FloatArray
    stumbles_s: FloatArray
    onsets_s: FloatArray
    onset_low_s: FloatArray
    hits: shock.Hits
    stumbles: tuple[Stumble, ...] = ()

    def at(self, name: str, time_s: FloatArray) -> FloatArray:
        """A condition at given times: the cell's value, NaN outside the recording or where it was not measured."""
        value = self.values.get(name)
        if value is None or not value.size:
            return np.full(np.shape(time_s), np.nan)
        cell = np.clip(np.floor(np.asarray(time_s) / CELL_S).astype(int), 0, value.size - 1)
        found: FloatArray = value[cell]
        return found

    def cells_at(self, mask: BoolArray, time_s: FloatArray) -> BoolArray:
        """Whether each time lies in a cell of `mask`."""
        if not mask.size:
            return np.zeros(np.shape(time_s), dtype=bool)
        cell = np.floor(np.asarray(time_s) / CELL_S).astype(int)
        inside = (cell >= 0) & (cell < mask.size)
        found: BoolArray = inside & mask[np.clip(cell, 0, mask.size - 1)]
        return found


@dataclass(frozen=True, slots=True)
class Exposure:
    """One recording's running in numbers, small enough for the logbook.

    `knocks` (temperature, level) counts knocks at risk by coolant (last row: not measured) and level. For each burst,
    `burst_degc` is the coolant at its begin and `burst_g` the knock right before it, NaN where there was none.
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
    entered: dict[str, str] = field(default_factory=dict)

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
            "knocks": self.knocks.tolist(),
            "burst_degc": _plain(self.burst_degc),
            "burst_g": _plain(self.burst_g),
            "entered": dict(self.entered),
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
            knocks=np.asarray(document["knocks"], dtype=float),
            burst_degc=np.array([np.nan if v is None else v for v in document["burst_degc"]], dtype=float),
            burst_g=np.array([np.nan if v is None else v for v in document["burst_g"]], dtype=float),
            entered=dict(document["entered"]),
        )


def bursts(stumbles: Sequence[Stumble], recording: str) -> FloatArray:
    """Begin and end (k, 2), seconds, of the bursts in one recording: gaps under BURST_GAP_S join stumbles."""
    spans = sorted((s.onset_s, max(s.onset_s, s.end_s)) for s in stumbles if s.recording == recording)
    joined: list[list[float]] = []
    for begin, end in spans:
        if joined and begin - joined[-1][1] <= BURST_GAP_S:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([begin, end])
    return np.array(joined, dtype=float).reshape(-1, 2)


def frame(recording: Recording, engine: Engine, running: Sequence[Interval], stumbles: Sequence[Stumble] = ()) -> Frame:
    """Lay one recording's conditions on a common grid. Channels that are absent are absent from `values`."""
    n = max(0, int(np.ceil(recording.duration_ns / NS_PER_S / CELL_S)))
    time_s = (np.arange(n, dtype=np.float64) + 0.5) * CELL_S
    is_running = _inside(time_s, running)
    tach = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    rpm = _speed(tach, engine, time_s)
    values = {"engine_speed": rpm, "time_since_start": time_s - (running[0][0] if running else 0.0)}
    for name in ("coolant_temperature", "under_bonnet_temperature"):
        if name in recording.traces:
            values[name] = temperature(recording.traces[name], time_s)
    if "battery_voltage" in recording.traces:
        values["battery_voltage"] = _smooth(recording.traces["battery_voltage"], time_s, 1.0)
    if "throttle_position" in recording.traces:
        values["load"] = _smooth(recording.traces["throttle_position"], time_s, CELL_S)
    acceleration = recording.traces.get("acceleration")
    if acceleration is not None and acceleration.value.ndim == 2 and acceleration.time_ns.size:
        values["lateral_g"] = np.abs(_smooth(Trace(acceleration.time_ns, acceleration.value[:, 1]), time_s, 0.5))
    empty = Frame(
        recording=recording.name,
        time_s=time_s,
        values=values,
        running=is_running,
        driving=is_running & _driving(rpm, is_running, engine),
        at_risk=is_running,
        bursts_s=np.empty((0, 2)),
        stumbles_s=np.empty((0, 2)),
        onsets_s=np.empty(0),
        onset_low_s=np.empty(0),
        hits=shock.hits(acceleration, tach, engine),
    )
    return with_stumbles(empty, stumbles)


def with_stumbles(cells: Frame, stumbles: Sequence[Stumble]) -> Frame:
    """The same conditions with these stumbles (others' recordings left out) instead of those it had."""
    mine = tuple(sorted((s for s in stumbles if s.recording == cells.recording), key=lambda s: s.onset_s))
    found = bursts(mine, cells.recording)
    dead = _inside(cells.time_s, [(begin, end + BURST_GAP_S) for begin, end in found])
    return replace(
        cells,
        at_risk=cells.running & ~dead,
        bursts_s=found,
        stumbles_s=np.array([(s.onset_s, max(s.onset_s, s.end_s)) for s in mine]).reshape(-1, 2),
        onsets_s=np.array([s.onset_s for s in mine]),
        onset_low_s=np.array([_lowest_onset(s) for s in mine]),
        stumbles=mine,
    )


def part(cells: Frame, from_s: float, to_s: float) -> Frame:
    """The same frame with only what lies from from_s up to to_s: for work done while a recording ran on."""
    now = (cells.time_s >= from_s) & (cells.time_s < to_s)
    knocks = (cells.hits.time_s >= from_s) & (cells.hits.time_s < to_s)
    cut = replace(
        cells,
        running=cells.running & now,
        driving=cells.driving & now,
        hits=shock.Hits(cells.hits.time_ns[knocks], cells.hits.level_g[knocks]),
    )
    return with_stumbles(cut, [s for s in cells.stumbles if from_s <= s.onset_s < to_s])


def of(recording: Recording, engine: Engine, running: Sequence[Interval], stumbles: Sequence[Stumble] = ()) -> Exposure:
    """Histograms of one recording's time at risk in each measured condition, with the bursts begun in each cell."""
    return summarise(frame(recording, engine, running, stumbles))


def summarise(cells: Frame, hot_stop_s: float | None = None, entered: dict[str, str] | None = None) -> Exposure:
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
            at_begin = cells.at(name, begins) if name in cells.values else begins + (hot_stop_s or 0.0)
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
        entered=entered or {},
    )


def load_steps(recording: Recording, running: Sequence[Interval]) -> FloatArray:
    """Times (k,), seconds, at which battery voltage steps by STEP_VOLT within 0.2 s while the engine runs: a fan, lamps
    or pump switching on. Steps closer than 1 s are one."""
    trace = recording.traces.get("battery_voltage")
    if trace is None or trace.time_ns.size < 4:
        return np.empty(0)
    n = int(recording.duration_ns / NS_PER_S / CELL_S)
    time_s = (np.arange(n, dtype=np.float64) + 0.5) * CELL_S
    value = _smooth(trace, time_s, CELL_S)
    found = np.flatnonzero((np.abs(value[2:] - value[:-2]) > STEP_VOLT) & _inside(time_s, running)[1:-1]) + 1
    first = found[np.concatenate([[True], np.diff(found) > 1.0 / CELL_S])] if found.size else found
    times: FloatArray = time_s[first]
    return times


def knocks_at_risk(cells: Frame) -> BoolArray:
    """Which knocks (n_hits,) count as exposure: the engine ran and no burst was under way when they came.

    The knock that set a burst off came before its onset, so it does count.
    """
    time_s = cells.hits.time_s
    inside = np.zeros(time_s.size, dtype=bool)
    for begin, end in cells.bursts_s:
        inside |= (time_s > begin) & (time_s <= end + BURST_GAP_S)
    return cells.cells_at(cells.running, time_s) & ~inside


def struck_by(cells: Frame, onset_low_s: FloatArray) -> FloatArray:
    """Level (n,), g, of the strongest knock in the STRUCK_S before each onset's lower bound; NaN without one."""
    use = of_the_road(cells)
    hit_s, level = cells.hits.time_s[use], cells.hits.level_g[use]
    lag = onset_low_s[:, None] - hit_s[None, :]
    inside = (lag >= -HIT_DOUBT_S) & (lag <= STRUCK_S)
    strongest = np.where(inside, level[None, :], -np.inf).max(axis=1, initial=-np.inf)
    return np.where(np.isfinite(strongest), strongest, np.nan)


def of_the_road(cells: Frame) -> BoolArray:
    """Knocks that did not begin within a stumble, where engine and driveline knock by themselves."""
    road = np.ones(cells.hits.time_ns.size, dtype=bool)
    for low, (begin, end) in zip(cells.onset_low_s, cells.stumbles_s, strict=True):
        road &= ~((cells.hits.time_s > max(low, begin) + HIT_DOUBT_S) & (cells.hits.time_s <= end))
    return road


def _lows(cells: Frame) -> FloatArray:
    """Lower bound of the onset of each burst's first stumble."""
    lows: FloatArray = cells.onset_low_s[np.searchsorted(cells.onsets_s, cells.bursts_s[:, 0])]
    return lows


def _knock_table(cells: Frame) -> FloatArray:
    """Knocks at risk by coolant temperature (rows; the last: not measured) and level (columns)."""
    edges = EDGES["coolant_temperature"]
    table = np.zeros((edges.size, LEVEL_EDGES.size - 1))
    use = knocks_at_risk(cells)
    temperature = cells.at("coolant_temperature", cells.hits.time_s[use])
    row = np.where(np.isfinite(temperature), _cell(np.nan_to_num(temperature), edges), edges.size - 1)
    np.add.at(table, (row, _cell(cells.hits.level_g[use], LEVEL_EDGES)), 1.0)
    return table


def _lowest_onset(stumble: Stumble) -> float:
    """The earliest instant at which the first signal can have left normal; a doubt of more than 20 ms is that of slow
    channels, and would throw out the knock itself."""
    return stumble.onset_s - (min(stumble.order[0].plus_minus_s, MAX_DOUBT_S) if stumble.order else 0.0)


def _inside(time_s: FloatArray, intervals: Sequence[Interval]) -> BoolArray:
    mask = np.zeros(time_s.size, dtype=bool)
    for begin, end in intervals:
        mask |= (time_s >= begin) & (time_s < end)
    return mask


def _speed(tach: FloatArray | np.ndarray[Any, Any], engine: Engine, time_s: FloatArray) -> FloatArray:
    """Crank speed, rev/min, from the pulses counted within half a second around each cell."""
    if tach.size < 2:
        return np.zeros(time_s.size)
    pulse_s = tach / NS_PER_S
    n = np.searchsorted(pulse_s, time_s + 0.25) - np.searchsorted(pulse_s, time_s - 0.25)
    speed: FloatArray = n / 0.5 / engine.pulses_per_revolution * 60.0
    return speed


def _driving(rpm: FloatArray, running: BoolArray, engine: Engine) -> BoolArray:
    """Cells in which the crank turned well above idle within DRIVING_SPREAD_S before or after."""
    if not running.any():
        return running
    idle = engine.idle_rpm or float(np.percentile(rpm[running], 10))
    high = rpm > DRIVING_OVER_IDLE * idle
    reach = np.ones(2 * int(DRIVING_SPREAD_S / CELL_S) + 1)
    spread: BoolArray = np.convolve(high, reach, mode="same") > 0.5 if high.size >= reach.size else high
    return spread


def temperature(trace: Trace, time_s: FloatArray) -> FloatArray:
    """A temperature laid on `time_s`, freed from what no mass of water or metal can do; NaN where that leaves nothing.

    Values beyond POSSIBLE_DEGC, and pieces cut off by jumps of more than JUMP_DEGC between neighbouring samples, are
    the sensor's wire, not heat; the piece that lasts longest is believed, and others that continue it. Stretches of
    up to BRIDGE_S without a believed sample are bridged by a straight line, as temperature changes slowly.
    """
    sample_s, value = trace.time_ns / NS_PER_S, np.asarray(trace.value, dtype=float)
    possible = np.isfinite(value) & (value > POSSIBLE_DEGC[0]) & (value < POSSIBLE_DEGC[1])
    sample_s, value = sample_s[possible], value[possible]
    if not value.size:
        return np.full(time_s.size, np.nan)
    believed = _continuous(sample_s, value)
    sample_s, value = sample_s[believed], value[believed]
    laid = np.interp(time_s, sample_s, value)
    after = np.searchsorted(sample_s, time_s)
    before_s = np.where(after > 0, sample_s[np.maximum(after - 1, 0)], -np.inf)
    after_s = np.where(after < value.size, sample_s[np.minimum(after, value.size - 1)], np.inf)
    near = np.minimum(time_s - before_s, after_s - time_s) <= 2.0
    return np.where(near | (after_s - before_s <= BRIDGE_S), laid, np.nan)


def _continuous(sample_s: FloatArray, value: FloatArray) -> BoolArray:
    """Samples of the longest piece without a jump, and of those pieces that lie within reach of what is believed."""
    piece = np.concatenate([[0], np.cumsum(np.abs(np.diff(value)) > JUMP_DEGC)])
    sizes = np.bincount(piece)
    keep = np.zeros(sizes.size, dtype=bool)
    keep[np.argmax(sizes)] = True
    for number in np.argsort(-sizes)[1:]:
        mine, kept = piece == number, keep[piece]
        distance_s = np.abs(sample_s[kept][:, None] - sample_s[mine][[0, -1]]).min(axis=0)
        expected = np.interp(sample_s[mine][[0, -1]], sample_s[kept], value[kept])
        allowed = JUMP_DEGC + SLOPE_DEGC_PER_S * distance_s
        keep[number] = sizes[number] > 5 and bool(np.all(np.abs(value[mine][[0, -1]] - expected) <= allowed))
    kept_samples: BoolArray = keep[piece]
    return kept_samples


def _smooth(trace: Trace, time_s: FloatArray, span_s: float) -> FloatArray:
    """Mean of a trace over `span_s` around each cell; NaN farther than 2 s from any sample."""
    good = np.isfinite(trace.value)
    sample_s, value = trace.time_ns[good] / NS_PER_S, trace.value[good]
    if not value.size:
        return np.full(time_s.size, np.nan)
    total = np.concatenate([[0.0], np.cumsum(value)])
    low, high = np.searchsorted(sample_s, time_s - span_s / 2), np.searchsorted(sample_s, time_s + span_s / 2)
    n = high - low
    mean = np.where(n > 0, (total[high] - total[low]) / np.maximum(n, 1), np.interp(time_s, sample_s, value))
    after = np.clip(np.searchsorted(sample_s, time_s), 1, max(1, value.size - 1))
    distance = np.minimum(
        np.abs(sample_s[after - 1] - time_s), np.abs(sample_s[min(1, value.size - 1) * after] - time_s)
    )
    return np.where(distance <= 2.0, mean, np.nan)


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
