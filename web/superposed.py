"""All stumbles on one zero: every channel around every onset, on one grid of lags, with the median.

Layout of the answer, little-endian, as in web/traces.py but with matrices::

    "SLM1" | header length, uint32 | header, JSON padded with spaces to a multiple of 8
    then, for each entry of header["channels"], float32 x rows x columns, SI units, NaN: not known

Rows are the stumbles of header["stumbles"], columns the lags of header["lag_s"].
"""

import json
import threading
from collections import OrderedDict
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.event import NS_PER_S, Engine, FloatArray, IntArray
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store
from web import traces
from web.glance import look, moment_href
from web.moment import ChartPanel
from web.texts import TEXTS

MAGIC = b"SLM1"
BEFORE_S, AFTER_S, STEP_S = 1.5, 2.0, 0.02
OLDEST_S = 0.5
"""A value older than this does not stand for a lag any more."""
MAX_STUMBLES = 200
MAX_KEPT = 8
"""Answers; one of 200 stumbles takes 0.8 MB."""
READ_TOGETHER_S = 60.0
LAG_S = np.arange(round(-BEFORE_S / STEP_S), round(AFTER_S / STEP_S) + 1) * STEP_S
SHOWN = ("engine_speed", "ignition_feed_voltage", "battery_voltage", "fuel_pressure", "shock_level", "air_fuel_ratio")


@dataclass(frozen=True, slots=True)
class Row:
    """One stumble among the others. run: place of its recording in the event, which decides its colour."""

    number: int
    recording: str
    run: int
    onset_s: float
    cause: str
    href: str


@dataclass(frozen=True, slots=True)
class SuperposedPage:
    """Variables of the page of all stumbles on one zero. left_out: stumbles beyond the first MAX_STUMBLES."""

    event_id: str
    event_name: str
    rows: list[Row]
    runs: list[str]
    panels: list[ChartPanel]
    causes: list[str]
    cause: str | None
    left_out: int


def build(store: Store, event_id: str, cause: str | None) -> SuperposedPage:
    """Gather the page; `cause` keeps only the stumbles in which that failed first."""
    event = store.outline(event_id)
    names = [recording.name for recording in event.recordings]
    found: list[dict[str, Any]] = (store.findings(event_id) or {}).get("stumbles", [])
    kept = [
        Row(
            number,
            s["recording"],
            names.index(s["recording"]),
            s["onset_s"],
            s["cause"],
            moment_href(event_id, s["recording"], s["onset_s"]),
        )
        for number, s in enumerate(found, 1)
        if s["recording"] in names and cause in (None, s["cause"])
    ]
    rows = kept[:MAX_STUMBLES]
    shown = {row.recording for row in rows}
    glances = [look(store, event_id, recording) for recording in event.recordings if recording.name in shown]
    readable = {glance.recording.name for glance in glances if not glance.unreadable}
    rows = [row for row in rows if row.recording in readable]
    available = {channel for glance in glances for channel in glance.channels}
    panels = [
        ChartPanel(name, TEXTS["channel"][name], panel.unit, [name], [TEXTS["channel"][name]])
        for name in SHOWN
        for panel in traces.panels_of(available)
        if name in panel.channels
    ]
    return SuperposedPage(
        event_id=event_id,
        event_name=event.name,
        rows=rows,
        runs=[name for name in names if any(row.recording == name for row in rows)],
        panels=panels,
        causes=sorted({s["cause"] for s in found}),
        cause=cause,
        left_out=len(kept) - len(rows),
    )


class Superposed:
    """Works the values out beside the page that will ask for them, and remembers the last few answers; thread-safe."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="superposed")
        self._kept: OrderedDict[object, Future[bytes]] = OrderedDict()
        self._lock = threading.Lock()

    def begin(self, store: Store, page: SuperposedPage) -> Future[bytes]:
        """The bytes of `encode`, or the promise of them. What failed is tried anew the next time."""
        key = (page.event_id, *page.rows, repr(store.calibrations_in_force()), store.engine(page.event_id))
        with self._lock:
            found = self._kept.get(key)
            if found is None or (found.done() and found.exception() is not None):
                found = self._kept[key] = self._pool.submit(encode, store, page)
            self._kept.move_to_end(key)
            while len(self._kept) > MAX_KEPT:
                self._kept.popitem(last=False)
        return found


def encode(store: Store, page: SuperposedPage) -> bytes:
    """The matrices of a page as bytes, one recording opened at a time."""
    engine = store.outline(page.event_id).engine
    channels = [panel.channels[0] for panel in page.panels]
    laid = {name: np.full((len(page.rows), LAG_S.size), np.nan, np.float32) for name in channels}
    for run in page.runs:
        indices = [index for index, row in enumerate(page.rows) if row.recording == run]
        with store.reader(page.event_id, run) as reader:
            here = [name for name in channels if traces.SOURCE_OF.get(name, name) in reader.channels]
            for group in _groups(indices, page.rows):
                onsets_ns = [round(page.rows[index].onset_s * NS_PER_S) for index in group]
                for name, values in _cut(reader, engine, here, onsets_ns).items():
                    laid[name][group] = values
    head = {"lag_s": LAG_S.round(3).tolist(), "rows": len(page.rows), "channels": channels}
    header = json.dumps(head).encode()
    header += b" " * (-len(header) % 8)
    matrices = [laid[name].astype("<f4", copy=False).tobytes() for name in channels]
    return b"".join([MAGIC, len(header).to_bytes(4, "little"), header, *matrices])


def _groups(indices: list[int], rows: list[Row]) -> list[list[int]]:
    """Neighbours within READ_TOGETHER_S are read in one go: storage is compressed in blocks of a minute."""
    groups: list[list[int]] = []
    for index in sorted(indices, key=lambda index: rows[index].onset_s):
        if groups and rows[index].onset_s - rows[groups[-1][0]].onset_s < READ_TOGETHER_S:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def _cut(reader: RecordingReader, engine: Engine, channels: list[str], onsets_ns: list[int]) -> dict[str, FloatArray]:
    """Values (stumbles, lags): the last one known at each lag, for shock the highest since the lag before."""
    t0 = onsets_ns[0] - round((BEFORE_S + OLDEST_S) * NS_PER_S)
    t1 = onsets_ns[-1] + round((AFTER_S + STEP_S) * NS_PER_S)
    stored = {name: traces.SOURCE_OF.get(name, name) for name in channels}
    read = reader.reads([source for source in stored.values() if not traces.is_pulses(source)], t0, t1)
    at = np.array(onsets_ns, np.int64)[:, None] + np.rint(LAG_S * NS_PER_S).astype(np.int64)
    cut = {}
    for name, source in stored.items():
        if name == "engine_speed":
            cut[name] = _held(*traces.speed(reader.pulses(source, t0, t1), engine.pulses_per_revolution), at)
        elif name == "shock_level":
            cut[name] = _highest(read[source].time_ns, traces.shock(read[source]), at)
        else:
            cut[name] = _held(read[source].time_ns, read[source].value, at)
    return cut


def _held(time_ns: IntArray, value: FloatArray, at: IntArray) -> FloatArray:
    index = np.searchsorted(time_ns, at, side="right") - 1
    out = np.full(at.shape, np.nan)
    known = index >= 0
    known[known] = at[known] - time_ns[index[known]] <= OLDEST_S * NS_PER_S
    out[known] = value[index[known]]
    return out


def _highest(time_ns: IntArray, value: FloatArray, at: IntArray) -> FloatArray:
    out = np.full(at.shape, np.nan)
    first = np.searchsorted(time_ns, at - round(STEP_S * NS_PER_S), side="right")
    last = np.searchsorted(time_ns, at, side="right")
    filled = last > first
    if filled.any():
        padded = np.append(value, np.nan)  # reduceat takes an end of its own for the last stretch
        pairs = np.column_stack([first[filled], last[filled]]).ravel()
        out[filled] = np.fmax.reduceat(padded, pairs)[::2]
    return out
