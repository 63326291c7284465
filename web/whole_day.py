"""The whole day on one time axis: its recordings at their place, at any zoom.

Seconds count from the start of the first recording. Where no clock was ever known, the recordings stand in their
order with a pause between them, and the page says so.
"""

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

import numpy as np

from logger.errors import StoreError
from logger.event import NS_PER_S, Event
from logger.store.store import Store
from web import traces
from web.glance import Glance, look, utc_at
from web.moment import Chart, ChartSpan, chart_panel
from web.overviews import Overviews
from web.traces import Series

PAUSE_S = 30.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where a recording lies on the day's axis."""

    name: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class DayPage:
    """Variables of the page of the whole day. is_timed: the places are those of a clock, not just an order."""

    event_id: str
    event_name: str
    started_utc: datetime | None
    is_timed: bool
    places: list[Place]
    unreadable: list[str]
    chart: Chart


def places(event: Event) -> tuple[list[Place], bool]:
    """Places of the recordings, and whether a clock gave them."""
    lengths = [recording.duration_ns / NS_PER_S for recording in event.recordings]
    offsets = [recording.offset_ns for recording in event.recordings]
    known = [offset / NS_PER_S for offset in offsets if offset is not None]
    follows = all(a + length <= b for a, length, b in zip(known, lengths, known[1:], strict=False))
    is_timed = len(known) == len(offsets) and follows
    if not is_timed:
        known = np.concatenate([[0.0], np.cumsum(np.array(lengths) + PAUSE_S)])[: len(lengths)].tolist()
    start = known[0] if known else 0.0
    names = [recording.name for recording in event.recordings]
    return [
        Place(name, at - start, at - start + length) for name, at, length in zip(names, known, lengths, strict=True)
    ], is_timed


def build(store: Store, event_id: str) -> DayPage:
    """Gather the page."""
    event = store.outline(event_id)
    found = (store.findings(event_id) or {}).get("stumbles", [])
    laid, is_timed = places(event)
    starts = {place.name: place.from_s for place in laid}
    glances = [look(store, event_id, recording) for recording in event.recordings]
    channels = {channel for glance in glances for channel in glance.channels}
    to_s = max((place.to_s for place in laid), default=1.0)
    first = event.recordings[0].offset_ns if event.recordings else None
    started = utc_at(event, first) if is_timed else None
    return DayPage(
        event_id=event_id,
        event_name=event.name,
        started_utc=started,
        is_timed=is_timed,
        places=laid,
        unreadable=[glance.recording.name for glance in glances if glance.unreadable],
        chart=Chart(
            window_href=f"/api/events/{quote(event_id)}/window",
            duration_s=to_s,
            from_s=0.0,
            to_s=to_s,
            zero_s=0.0,
            onset_s=None,
            engine_onset_s=None,
            end_s=None,
            redline_rpm=event.engine.redline_rpm,
            panels=[chart_panel(panel) for panel in traces.panels_of(channels)],
            marks_s=_marks(glances, starts),
            stumbles_s=[starts[s["recording"]] + s["onset_s"] for s in found if s["recording"] in starts],
            bands={},
            zero_utc=started,
            spans=[ChartSpan(place.name, place.from_s, place.to_s) for place in laid],
        ),
    )


def _marks(glances: list[Glance], starts: dict[str, float]) -> list[float]:
    return [starts[glance.recording.name] + at for glance in glances for at in glance.marks_s]


def window(
    store: Store, event_id: str, channels: list[str], from_s: float, to_s: float, points: int, overviews: Overviews
) -> bytes:
    """The bytes of a window of the day, as `traces.window` gives them for one recording."""
    event = store.outline(event_id)
    version = repr(store.calibrations_in_force())
    is_long = to_s - from_s > traces.LONGEST_READ_S
    parts: dict[str, list[Series]] = {name: [] for name in channels}
    for place in places(event)[0]:
        first, last = max(from_s, place.from_s), min(to_s, place.to_s)
        if last <= first:
            continue
        share = max(round(points * (last - first) / (to_s - from_s)), 20)
        here = first - place.from_s, last - place.from_s
        try:
            with store.reader(event_id, place.name) as reader:
                wanted = [name for name in channels if traces.SOURCE_OF.get(name, name) in reader.channels]
                if is_long:
                    shown = traces.far(reader, event.engine, wanted, *here, share, overviews, version)
                else:
                    shown = traces.near(reader, event.engine, wanted, *here, share)
        except StoreError:
            continue  # the page names it as unreadable
        for series in shown:
            parts[series.channel].append(_moved(series, place.from_s))
    return traces.encode(from_s, to_s, [_joined(name, parts[name]) for name in channels])


def _moved(series: Series, by_s: float) -> Series:
    return Series(series.channel, series.time_s + by_s, series.value, series.hidden, series.thinned)


def _joined(name: str, parts: list[Series]) -> Series:
    """Parts in their order, with a gap between them."""
    if not parts:
        is_pulses = name not in traces.SOURCE_OF and traces.is_pulses(name)
        return Series(name, np.empty(0), None if is_pulses else np.empty(0, np.float32))
    time_s: list[np.ndarray] = []
    value: list[np.ndarray] = []
    for part in parts:
        time_s.append(part.time_s)
        if part.value is not None:
            value.append(part.value)
            if part.time_s.size:
                time_s.append(part.time_s[-1:] + 1e-6)
                value.append(np.array([np.nan], np.float32))
    return Series(
        name,
        np.concatenate(time_s),
        np.concatenate(value) if value else None,
        hidden=any(part.hidden for part in parts),
        thinned=any(part.thinned for part in parts),
    )
