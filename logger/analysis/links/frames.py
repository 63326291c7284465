"""The conditions of one recording on a common grid, with its stumbles and knocks: what links and exposure start from.

    frame(recording, engine, running, stumbles) -> Frame

`running` is the list of (from_s, to_s) in which the engine ran, as the states know it; `stumbles` are those of the
whole event (others' recordings are left out here).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d

from logger.analysis.findings import Stumble
from logger.analysis.links import shock
from logger.analysis.links.bursts import BURST_GAP_S, bursts
from logger.analysis.links.temperature import on_grid
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray, Recording, Trace

Interval = tuple[float, float]

CELL_S = 0.1
DRIVING_OVER_IDLE = 1.5
DRIVING_SPREAD_S = 3.0
FAR_S = 2.0  # between a cell and the nearest sample that still tells of it
MAX_DOUBT_S = 0.02
STRUCK_S = 0.3
HIT_DOUBT_S = 0.01
STEP_VOLT = 0.25
STEP_DOUBT_S = 0.5


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
class Measured:
    """What a recording, or a part of it, shows by itself: conditions on its cells, knocks, and load steps (k,), s."""

    values: dict[str, FloatArray]
    hits: shock.Hits
    load_steps_s: FloatArray


def measured(recording: Recording, engine: Engine, running: Sequence[Interval]) -> Measured:
    """Lay the samples of a recording, or of a part of it, on cells. Channels that are absent are absent from `values`.

    running: where the engine ran in it."""
    time_s = _cells(recording)
    values = {"engine_speed": _speed(recording.pulses.get("tach_pulses", np.empty(0, np.int64)), engine, time_s)}
    for name in ("coolant_temperature", "under_bonnet_temperature"):
        if name in recording.traces:
            values[name] = on_grid(recording.traces[name], time_s)
    if "battery_voltage" in recording.traces:
        values["battery_voltage"] = smooth(recording.traces["battery_voltage"], time_s, 1.0)
    if "throttle_position" in recording.traces:
        values["load"] = smooth(recording.traces["throttle_position"], time_s, CELL_S)
    acceleration = recording.traces.get("acceleration")
    if acceleration is not None and acceleration.value.ndim == 2 and acceleration.time_ns.size:
        values["lateral_g"] = np.abs(smooth(Trace(acceleration.time_ns, acceleration.value[:, 1]), time_s, 0.5))
    return Measured(values, shock.hits_of(recording, engine), load_steps(recording, running))


def frame(recording: Recording, engine: Engine, running: Sequence[Interval], stumbles: Sequence[Stumble] = ()) -> Frame:
    """Lay one recording's conditions on a common grid. Channels that are absent are absent from `values`."""
    return joined(recording, [measured(recording, engine, running)], engine, running, stumbles)


def joined(
    recording: Recording,
    parts: Sequence[Measured],
    engine: Engine,
    running: Sequence[Interval],
    stumbles: Sequence[Stumble] = (),
) -> Frame:
    """The frame of a recording from what its parts show; the recording's own samples are not looked at."""
    time_s = _cells(recording)
    names = dict.fromkeys(name for part in parts for name in part.values)
    values = {
        name: np.concatenate(
            [part.values.get(name, np.full(part.values["engine_speed"].size, np.nan)) for part in parts]
        )
        for name in names
    }
    values["time_since_start"] = time_s - (running[0][0] if running else 0.0)
    if "battery_voltage" in values:
        own = [(s.onset_s - STEP_DOUBT_S, s.end_s + STEP_DOUBT_S) for s in stumbles if s.recording == recording.name]
        steps = np.concatenate([part.load_steps_s for part in parts])
        values["time_since_load_step"] = _since(steps[~inside(steps, own)], time_s, values["time_since_start"])
    is_running = inside(time_s, running)
    empty = Frame(
        recording=recording.name,
        time_s=time_s,
        values=values,
        running=is_running,
        driving=driving(values["engine_speed"], is_running, engine),
        at_risk=is_running,
        bursts_s=np.empty((0, 2)),
        stumbles_s=np.empty((0, 2)),
        onsets_s=np.empty(0),
        onset_low_s=np.empty(0),
        hits=shock.Hits(
            np.concatenate([part.hits.time_ns for part in parts]),
            np.concatenate([part.hits.level_g for part in parts]),
        ),
    )
    return with_stumbles(empty, stumbles)


def _cells(recording: Recording) -> FloatArray:
    """The middles of the cells of a recording, or of a part of it, seconds (n,)."""
    first = round(recording.from_ns / NS_PER_S / CELL_S)
    last = recording.duration_ns / NS_PER_S / CELL_S
    n = max(0, (round(last) if recording.goes_on else int(np.ceil(last))) - first)
    return (np.arange(first, first + n, dtype=np.float64) + 0.5) * CELL_S


def with_stumbles(cells: Frame, stumbles: Sequence[Stumble]) -> Frame:
    """The same conditions with these stumbles (others' recordings left out) instead of those it had."""
    mine = tuple(sorted((s for s in stumbles if s.recording == cells.recording), key=lambda s: s.onset_s))
    found = bursts(mine, cells.recording)
    dead = inside(cells.time_s, [(begin, end + BURST_GAP_S) for begin, end in found])
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
    return within(cells, [(from_s, to_s)])


def within(cells: Frame, spans: Sequence[Interval]) -> Frame:
    """The same frame with only what lies in the spans."""
    now, knocks = inside(cells.time_s, spans), inside(cells.hits.time_s, spans)
    cut = replace(
        cells,
        running=cells.running & now,
        driving=cells.driving & now,
        hits=shock.Hits(cells.hits.time_ns[knocks], cells.hits.level_g[knocks]),
    )
    return with_stumbles(cut, [s for s in cells.stumbles if inside(np.array([s.onset_s]), spans)[0]])


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
    hit_s, level = cells.hits.time_s[use], np.append(cells.hits.level_g[use], np.nan)
    first = np.searchsorted(hit_s, onset_low_s - STRUCK_S)
    after = np.searchsorted(hit_s, onset_low_s + HIT_DOUBT_S, side="right")
    # Pairs of begin and end in one row: every second stretch that reduceat takes is one that was asked for.
    strongest = np.maximum.reduceat(level, np.column_stack([first, after]).ravel())[::2] if first.size else level[:0]
    return np.where(after > first, strongest, np.nan)


def of_the_road(cells: Frame) -> BoolArray:
    """Knocks that did not begin within a stumble, where engine and driveline knock by themselves."""
    road = np.ones(cells.hits.time_ns.size, dtype=bool)
    for low, (begin, end) in zip(cells.onset_low_s, cells.stumbles_s, strict=True):
        road &= ~((cells.hits.time_s > max(low, begin) + HIT_DOUBT_S) & (cells.hits.time_s <= end))
    return road


def _lowest_onset(stumble: Stumble) -> float:
    """The earliest instant at which the first signal can have left normal; a doubt of more than 20 ms is that of slow
    channels, and would throw out the knock itself."""
    return stumble.onset_s - (min(stumble.order[0].plus_minus_s, MAX_DOUBT_S) if stumble.order else 0.0)


def load_steps(recording: Recording, running: Sequence[Interval]) -> FloatArray:
    """Times (k,), seconds, at which battery voltage steps by STEP_VOLT within 0.2 s while the engine runs: a fan, lamps
    or pump switching on. Steps closer than 1 s are one."""
    trace = recording.traces.get("battery_voltage")
    if trace is None or trace.time_ns.size < 4:
        return np.empty(0)
    time_s = _cells(recording)
    if not recording.goes_on and (recording.duration_ns / NS_PER_S / CELL_S) % 1.0:
        time_s = time_s[:-1]  # the last cell is not whole
    value = smooth(trace, time_s, CELL_S)
    found = np.flatnonzero((np.abs(value[2:] - value[:-2]) > STEP_VOLT) & inside(time_s, running)[1:-1]) + 1
    first = found[np.concatenate([[True], np.diff(found) > 1.0 / CELL_S])] if found.size else found
    times: FloatArray = time_s[first]
    return times


def _since(events_s: FloatArray, time_s: FloatArray, otherwise: FloatArray) -> FloatArray:
    """Time since the last of some events (k,), ascending; `otherwise` (n,) before the first."""
    number = np.searchsorted(events_s, time_s, side="right")
    since: FloatArray = np.where(number > 0, time_s - np.append(0.0, events_s)[number], otherwise)
    return since


def inside(time_s: FloatArray, intervals: Sequence[Interval]) -> BoolArray:
    """Which of these times, in order, lie in one of the intervals, the end left out."""
    mask = np.zeros(time_s.size, dtype=bool)
    for begin, end in intervals:
        mask[np.searchsorted(time_s, begin) : np.searchsorted(time_s, end)] = True
    return mask


def _speed(tach: IntArray, engine: Engine, time_s: FloatArray) -> FloatArray:
    """Crank speed, rev/min, from the pulses counted within half a second around each cell."""
    if tach.size < 2:
        return np.zeros(time_s.size)
    pulse_s = tach / NS_PER_S
    n = np.searchsorted(pulse_s, time_s + 0.25) - np.searchsorted(pulse_s, time_s - 0.25)
    speed: FloatArray = n / 0.5 / engine.pulses_per_revolution * 60.0
    return speed


def driving(rpm: FloatArray, running: BoolArray, engine: Engine, step_s: float = CELL_S) -> BoolArray:
    """Steps in which the crank turned well above idle within DRIVING_SPREAD_S before or after."""
    if not running.any():
        return running
    idle = engine.idle_rpm or float(np.percentile(rpm[running], 10))
    high = (rpm > DRIVING_OVER_IDLE * idle).astype(np.float64)
    spread: BoolArray = uniform_filter1d(high, 2 * int(DRIVING_SPREAD_S / step_s) + 1, mode="constant") > 1e-9
    return spread & running


def smooth(trace: Trace, time_s: FloatArray, span_s: float) -> FloatArray:
    """Mean of a trace over `span_s` around each cell, (n,), span_s up to 2 FAR_S; NaN farther off than that."""
    good = np.isfinite(trace.value)
    time_ns, value = (trace.time_ns, trace.value) if good.all() else (trace.time_ns[good], trace.value[good])
    if not value.size:
        return np.full(time_s.size, np.nan)
    sample_s, total = time_ns / NS_PER_S, np.zeros(value.size + 1)
    np.cumsum(value, out=total[1:])
    low, high = np.searchsorted(sample_s, time_s - span_s / 2), np.searchsorted(sample_s, time_s + span_s / 2)
    n = high - low
    mean = (total[high] - total[low]) / np.maximum(n, 1)
    # Where no sample is that near, what lies between the next ones.
    alone = np.flatnonzero(n == 0)
    at_s = time_s[alone]
    after = np.clip(low[alone], 1, max(1, value.size - 1))
    before_s, after_s = sample_s[after - 1], sample_s[min(1, value.size - 1) * after]
    near = np.minimum(np.abs(before_s - at_s), np.abs(after_s - at_s)) <= FAR_S
    mean[alone] = np.where(near, np.interp(at_s, sample_s, value), np.nan)
    return np.asarray(mean)
