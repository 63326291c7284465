"""The report: the event's answer and its telling moments as one page without scripts, to print or to hand on."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from logger.event import FloatArray
from logger.store.store import Store
from logger.story import TITLES, Story, story
from web import day, moment, pulls
from web.overviews import Overviews
from web.traces import near, panels_of

MAX_MOMENTS = 6
WIDTH, HEIGHT = 640.0, 56.0
POINTS = 900
SHOWN = ("engine_speed", "tach_pulses", "battery_voltage", "ignition_feed_voltage", "fuel_pressure", "shock_level")


@dataclass(frozen=True, slots=True)
class Drawing:
    """One trace as a drawing of WIDTH x HEIGHT.

    lines: points of polylines; ticks: x of pulses; low, high: the range from bottom to top.
    """

    channel: str
    unit: str
    lines: list[str]
    ticks: list[float]
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class ReportMoment:
    """A moment with its drawings. zero_x, end_x: where the stumble begins and ends in them."""

    page: moment.MomentPage
    drawings: list[Drawing]
    zero_x: float
    end_x: float


@dataclass(frozen=True, slots=True)
class ReportPage:
    """Variables of the report. story: its chapters, with `titles`; None without findings. made_utc: when those were
    worked out, so that the same findings make the same report."""

    event: day.EventPage
    story: Story | None
    titles: dict[str, str]
    moments: list[ReportMoment]
    pulls: pulls.PullsPicture | None
    made_utc: datetime


def build(store: Store, event_id: str, overviews: Overviews) -> ReportPage:
    """Gather the report: of the main cause's stumbles the first of each recording, at most MAX_MOMENTS."""
    event = day.build(store, event_id)
    stored = store.stored_findings(event_id)
    told = None if stored is None else story(store.outline(event_id), stored.findings)
    chosen: dict[str, day.StumbleLine] = {}
    for line in event.stumbles:
        if event.answer is None or event.answer.cause in (None, line.cause):
            chosen.setdefault(line.recording, line)
    moments = [_moment(store, event_id, line, overviews) for line in list(chosen.values())[:MAX_MOMENTS]]
    picture = None if stored is None else pulls.picture(stored.findings.get("pulls") or {})
    made_utc = datetime.now(UTC) if stored is None else stored.computed_utc
    return ReportPage(event, told, TITLES, moments, picture, made_utc)


def _moment(store: Store, event_id: str, line: day.StumbleLine, overviews: Overviews) -> ReportMoment:
    page = moment.build(store, event_id, line.recording, line.onset_s, overviews)
    chart = page.chart

    def x_of(at_s: float) -> float:
        share = (at_s - chart.from_s) / max(chart.to_s - chart.from_s, 1e-9)
        return round(min(max(share, 0.0), 1.0) * WIDTH, 2)

    place = x_of(chart.zero_s), x_of(chart.end_s or chart.zero_s)
    if page.unreadable:
        return ReportMoment(page, [], *place)
    engine = store.outline(event_id).engine
    with store.reader(event_id, line.recording) as reader:
        units = {name: panel.unit for panel in panels_of(reader.channels) for name in panel.channels}
        shown = [name for name in SHOWN if name in units]
        read = near(reader, engine, shown, chart.from_s, chart.to_s, POINTS)
    drawings = []
    for name, one in zip(shown, read, strict=True):
        x = np.round((one.time_s - chart.from_s) / max(chart.to_s - chart.from_s, 1e-9) * WIDTH, 2)
        inside = (x >= 0) & (x <= WIDTH)
        if one.value is None:
            drawings.append(Drawing(name, units[name], [], x[inside].tolist(), None, None))
        else:
            x, value = x[inside], one.value[inside].astype(np.float64)
            if name == "engine_speed":  # known for each interval between pulses as a whole
                x, value = np.repeat(x, 2)[:-1], np.repeat(value, 2)[1:]
            drawings.append(_drawing(name, units[name], x, value))
    return ReportMoment(page, drawings, *place)


def _drawing(name: str, unit: str, x: FloatArray, value: FloatArray) -> Drawing:
    known = value[np.isfinite(value)]
    if not known.size:
        return Drawing(name, unit, [], [], None, None)
    low, high = float(known.min()), float(known.max())
    y = np.round(HEIGHT - 3 - (value - low) / max(high - low, 1e-6) * (HEIGHT - 6), 2)
    breaks = np.flatnonzero(~np.isfinite(value))
    lines = [
        " ".join(f"{a:g},{b:g}" for a, b in zip(part_x.tolist(), part_y.tolist(), strict=True) if b == b)
        for part_x, part_y in zip(np.split(x, breaks), np.split(y, breaks), strict=True)
    ]
    return Drawing(name, unit, [line for line in lines if " " in line], [], low, high)
