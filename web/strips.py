"""The day as a timeline: one strip for each recording, with stumbles, marks and runs on it and heat as its ground."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from logger.event import NS_PER_S, Event, FloatArray, IntArray
from web.entered import RepairLine, repairs_by_place
from web.glance import Glance, moment_href, utc_at
from web.texts import text

HEAT_CLASSES = 6


@dataclass(frozen=True, slots=True)
class Tick:
    """Something at one instant of a strip. at_percent: place on the strip. href: where it leads, or None."""

    at_percent: float
    label: str
    href: str | None


@dataclass(frozen=True, slots=True)
class Heat:
    """A stretch of the strip's ground: coolant class 0 (cold) to 5 (hot), from and width in per cent."""

    from_percent: float
    width_percent: float
    level: int


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a strip, in per cent of it."""

    from_percent: float
    width_percent: float


@dataclass(frozen=True, slots=True)
class Strip:
    """One recording on the timeline. width_percent: its length against the day's longest recording.

    runs: stretches that the analysis took for runs.
    """

    name: str
    href: str
    started_utc: datetime | None
    duration_s: float
    width_percent: float
    stumbles: list[Tick]
    marks: list[Tick]
    runs: list[Span]
    heat: list[Heat]
    coolant_low_c: float | None
    coolant_high_c: float | None
    repairs_after: list["RepairLine"]


def strips_of(
    event_id: str, event: Event, glances: list[Glance], found: Mapping[str, Any] | None, repairs: list[RepairLine]
) -> list[Strip]:
    longest = max((glance.recording.duration_ns for glance in glances), default=1) or 1
    known = [v for g in glances if g.coolant for column in g.coolant[1:] for v in column.tolist() if v == v]
    scale = (min(known), max(known)) if known else (0.0, 0.0)
    after = repairs_by_place(event, repairs)
    strips = []
    for glance in glances:
        recording = glance.recording
        seconds = recording.duration_ns / NS_PER_S or 1.0
        heat, low, high = _heat(glance.coolant, recording.duration_ns, scale)
        stumbles = [] if found is None else [s for s in found["stumbles"] if s["recording"] == recording.name]
        strips.append(
            Strip(
                name=recording.name,
                href=f"/events/{quote(event_id)}/{quote(recording.name)}/whole",
                started_utc=utc_at(event, recording.offset_ns),
                duration_s=recording.duration_ns / NS_PER_S,
                width_percent=max(100.0 * recording.duration_ns / longest, 4.0),
                stumbles=[
                    Tick(
                        _percent(s["onset_s"], seconds),
                        text("event.stumble_at", at=f"{s['onset_s']:.1f} s"),
                        moment_href(event_id, recording.name, s["onset_s"]),
                    )
                    for s in stumbles
                ],
                marks=[Tick(_percent(at, seconds), text("event.mark"), None) for at in glance.marks_s],
                runs=_runs(found, recording.name, seconds),
                heat=heat,
                coolant_low_c=low,
                coolant_high_c=high,
                repairs_after=after.get(recording.name, []),
            )
        )
    return strips


def _runs(found: Mapping[str, Any] | None, name: str, duration_s: float) -> list[Span]:
    spans = []
    for run in [] if found is None else found.get("runs", []):
        if run["recording"] == name:
            first = _percent(run["from_s"], duration_s)
            spans.append(Span(first, round(_percent(run["to_s"], duration_s) - first, 3)))
    return spans


def _percent(at_s: float, duration_s: float) -> float:
    return round(min(max(100.0 * at_s / duration_s, 0.0), 100.0), 3)


def _heat(
    overview: tuple[IntArray, FloatArray, FloatArray] | None, duration_ns: int, scale: tuple[float, float]
) -> tuple[list[Heat], float | None, float | None]:
    """Ground of one strip: neighbouring columns of the same class are one stretch."""
    if overview is None:
        return [], None, None
    time_ns, low, high = overview
    middle = [(float(a) + float(b)) / 2 for a, b in zip(low, high, strict=True)]
    known = [value for value in middle if value == value]
    if not known:
        return [], None, None
    span = max(scale[1] - scale[0], 1e-9)
    stretches: list[Heat] = []
    edges = [*(float(t) for t in time_ns), float(duration_ns)]
    for index, value in enumerate(middle):
        if value != value:
            continue
        level = min(int((value - scale[0]) / span * HEAT_CLASSES), HEAT_CLASSES - 1)
        start, width = 100.0 * edges[index] / duration_ns, 100.0 * (edges[index + 1] - edges[index]) / duration_ns
        if stretches and stretches[-1].level == level:
            last = stretches.pop()
            start, width = last.from_percent, start + width - last.from_percent
        stretches.append(Heat(round(start, 3), round(width, 3), level))
    return stretches, min(known), max(known)
