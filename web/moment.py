"""The moment's variables: one stumble, its order of failure as a ladder, and what the charts around it need."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from urllib.parse import quote

from logger.event import NS_PER_S, Event
from logger.store.store import Store
from logger.story import DOING
from web import ladder, normal
from web.entered import CorrectionLine, NoteLine, corrections_of, notes_of
from web.glance import Glance, look, moment_href, utc_at
from web.overviews import Overviews
from web.problems import PageError
from web.texts import TEXTS, text
from web.traces import Panel, panels_of

NEAR_S = 0.5
"""An address of a moment means the stumble whose onset is nearest, up to this far off: results may be recomputed."""
NOTE_NEAR_S = 5.0
BEFORE_S, AFTER_S = 1.5, 1.5


@dataclass(frozen=True, slots=True)
class Share:
    """One cause and its probability."""

    cause: str
    probability: float


@dataclass(frozen=True, slots=True)
class ChartPanel:
    """A chart of the stack with the texts that it shows."""

    key: str
    label: str
    unit: str
    channels: list[str]
    labels: list[str]


@dataclass(frozen=True, slots=True)
class ChartSpan:
    """A recording on an axis of several, seconds."""

    name: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Chart:
    """What the script needs to draw: address of the windows, range, marks in seconds of the recording.

    zero_utc: wall clock at zero_s, for charts whose axis shows the time of day. spans: recordings, where there are
    several on the axis. bands: by channel the lowest and the highest usual value, SI units (web/normal.py).
    """

    window_href: str
    duration_s: float
    from_s: float
    to_s: float
    zero_s: float
    onset_s: float | None
    engine_onset_s: float | None
    end_s: float | None
    redline_rpm: float | None
    panels: list[ChartPanel]
    marks_s: list[float]
    stumbles_s: list[float]
    bands: dict[str, tuple[float, float]]
    zero_utc: datetime | None = None
    spans: list[ChartSpan] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class MomentPage:
    """Variables of the moment page. number None: there is no stumble at this instant, only traces. doing: what the
    engine was doing before, in words, or empty.

    unreadable: why the recording gives no traces, or empty.
    """

    event_id: str
    event_name: str
    recording: str
    at_s: float
    at_utc: datetime | None
    number: int | None
    n_stumbles: int
    sentence: str
    cause: str | None
    effect: str | None
    doing: str
    lost_firings: int | None
    lowest_speed_ratio: float | None
    shares: list[Share]
    rungs: list[ladder.Rung]
    ladder_ticks: list[ladder.LadderTick]
    evidence_for: list[str]
    evidence_against: list[str]
    rivals: list[str]
    next_tests: list[dict[str, Any]]
    previous_href: str | None
    next_href: str | None
    notes: list[NoteLine]
    corrections: list[CorrectionLine]
    unreadable: str
    chart: Chart


def build(store: Store, event_id: str, recording: str, at_s: float | None, overviews: Overviews) -> MomentPage:
    """Gather the page for the stumble nearest to `at_s`, or for the whole recording where that is None."""
    event = store.outline(event_id)
    held = next((r for r in event.recordings if r.name == recording), None)
    if held is None:
        raise PageError(404, "recording")
    found = store.findings(event_id) or {}
    stumbles: list[dict[str, Any]] = found.get("stumbles", [])
    duration_s = held.duration_ns / NS_PER_S
    if at_s is not None and not 0.0 <= at_s <= duration_s:
        raise PageError(404, "not_found")
    index = None if at_s is None else _nearest(stumbles, recording, at_s)
    stumble = None if index is None else stumbles[index]
    zero_s = stumble["onset_s"] if stumble else (at_s or 0.0)
    offset = None if held.offset_ns is None else held.offset_ns + round(zero_s * NS_PER_S)
    here = [s for s in stumbles if s["recording"] == recording]
    glance = look(store, event_id, held)
    rungs, ticks = ladder.build(stumble) if stumble else ([], [])
    return MomentPage(
        event_id=event_id,
        event_name=event.name,
        recording=recording,
        at_s=zero_s,
        at_utc=utc_at(event, offset),
        number=None if index is None else index + 1,
        n_stumbles=len(stumbles),
        sentence=_sentence(stumble, _failed_start(found, recording, at_s)),
        cause=stumble["cause"] if stumble else None,
        effect=stumble["effect"] if stumble else None,
        doing=DOING.get(stumble.get("doing", ""), "") if stumble else "",
        lost_firings=stumble["lost_firings"] if stumble else None,
        lowest_speed_ratio=stumble["lowest_speed_ratio"] if stumble else None,
        shares=_shares(stumble),
        rungs=rungs,
        ladder_ticks=ticks,
        evidence_for=list(stumble.get("evidence_for", [])) if stumble else [],
        evidence_against=list(stumble.get("evidence_against", [])) if stumble else [],
        rivals=list(stumble.get("rivals", [])) if stumble else [],
        next_tests=_tests(found, stumble),
        previous_href=_neighbour(event_id, event, stumbles, recording, zero_s, -1),
        next_href=_neighbour(event_id, event, stumbles, recording, zero_s, +1),
        notes=[
            note
            for note in notes_of(store, event_id)
            if note.recording == recording and note.at_s is not None and abs(note.at_s - zero_s) <= NOTE_NEAR_S
        ],
        corrections=[one for one in corrections_of(store, event_id) if one.recording == recording],
        unreadable=glance.unreadable,
        chart=_chart(
            event_id, event, glance, stumble, at_s, here, _bands(store, event_id, event, glance, here, overviews)
        ),
    )


def _nearest(stumbles: list[dict[str, Any]], recording: str, at_s: float) -> int | None:
    near = [
        (abs(s["onset_s"] - at_s), index)
        for index, s in enumerate(stumbles)
        if s["recording"] == recording and abs(s["onset_s"] - at_s) <= NEAR_S
    ]
    return min(near)[1] if near else None


def _neighbour(
    event_id: str, event: Event, stumbles: list[dict[str, Any]], recording: str, at_s: float, step: int
) -> str | None:
    """The stumble before (-1) or after (+1) this instant, over the whole event."""
    places = {r.name: number for number, r in enumerate(event.recordings)}
    here = (places[recording], at_s)
    keyed = sorted((places.get(s["recording"], 0), s["onset_s"]) for s in stumbles)
    names = [r.name for r in event.recordings]
    if step < 0:
        before = [key for key in keyed if key < here]
        return moment_href(event_id, names[before[-1][0]], before[-1][1]) if before else None
    after = [key for key in keyed if key > here]
    return moment_href(event_id, names[after[0][0]], after[0][1]) if after else None


def _failed_start(found: Mapping[str, Any], recording: str, at_s: float | None) -> str:
    """What was seen where the engine would not start just then, or empty."""
    starts = (one for one in found.get("failed_starts", ()) if one["recording"] == recording and at_s is not None)
    return next((one.get("note", "") for one in starts if one["from_s"] - NEAR_S <= at_s <= one["to_s"]), "")


def _sentence(stumble: Mapping[str, Any] | None, failed_start: str = "") -> str:
    if stumble is None:
        return text("moment.failed_start", note=failed_start) if failed_start else text("moment.no_stumble")
    return str(stumble.get("sentence") or TEXTS["cause_long"][stumble["cause"]])


def _shares(stumble: Mapping[str, Any] | None) -> list[Share]:
    if stumble is None:
        return []
    ranked = sorted(stumble.get("probability", {}).items(), key=lambda item: -item[1])
    return [Share(cause, share) for cause, share in ranked if share >= 0.005]


def _tests(found: Mapping[str, Any], stumble: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """Next tests belong to the event's main cause; a stumble of another cause must not be sent after them."""
    if stumble is None or stumble["cause"] != found.get("main_cause"):
        return []
    return list(found.get("next_tests", []))


def _chart(
    event_id: str,
    event: Event,
    glance: Glance,
    stumble: Mapping[str, Any] | None,
    at_s: float | None,
    stumbles: list[dict[str, Any]],
    bands: dict[str, tuple[float, float]],
) -> Chart:
    recording, duration_s = glance.recording.name, glance.recording.duration_ns / NS_PER_S
    if stumble is not None:
        around = (stumble["onset_s"] - BEFORE_S, max(stumble["end_s"], stumble["engine_onset_s"]) + AFTER_S)
    elif at_s is not None:
        around = (at_s - BEFORE_S, at_s + AFTER_S)
    else:
        around = (0.0, duration_s)
    return Chart(
        window_href=f"/api/events/{quote(event_id)}/recordings/{quote(recording)}/window",
        duration_s=duration_s,
        from_s=max(around[0], 0.0),
        to_s=min(around[1], duration_s),
        zero_s=0.0 if at_s is None else (stumble["onset_s"] if stumble else at_s),
        onset_s=stumble["onset_s"] if stumble else None,
        engine_onset_s=stumble["engine_onset_s"] if stumble else None,
        end_s=stumble["end_s"] if stumble else None,
        redline_rpm=event.engine.redline_rpm,
        panels=[chart_panel(panel) for panel in panels_of(glance.channels)],
        marks_s=list(glance.marks_s),
        stumbles_s=[s["onset_s"] for s in stumbles],
        bands=bands,
    )


def _bands(
    store: Store, event_id: str, event: Event, glance: Glance, stumbles: list[dict[str, Any]], overviews: Overviews
) -> dict[str, tuple[float, float]]:
    if glance.unreadable:
        return {}
    version = repr(store.calibrations_in_force())
    with store.reader(event_id, glance.recording.name) as reader:
        return normal.bands(reader, overviews, version, event.engine, stumbles)


def chart_panel(panel: Panel) -> ChartPanel:
    """The panel with its words."""
    return ChartPanel(
        panel.key,
        TEXTS["panel"][panel.key],
        panel.unit,
        list(panel.channels),
        [TEXTS["channel"][name] for name in panel.channels],
    )
