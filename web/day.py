"""The event page's variables: the answer first, then the day as a timeline, then the health of the sensors."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import quote

from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import NS_PER_S, Event, FloatArray, IntArray, Recording, RunAction
from logger.store.entries import NoteEntry, RunCorrection
from logger.store.store import Store
from web.commissioning import CarTest, of_car
from web.listing import revision
from web.texts import TEXTS, text

N_HEAT_COLUMNS = 40
HEAT_CLASSES = 6
LEAST_GAP_S = 5.0
"""Shorter stretches without values, such as every start, are no reason to look at a sensor."""
SHOWN_IN_HEALTH = tuple(name for name in CHANNELS if name != "driver_marks")


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


@dataclass(frozen=True, slots=True)
class RepairLine:
    """Work done, and what the analysis makes of it; verdict None: not judged yet."""

    repair_id: int
    what: str
    done_utc: datetime | None
    after_recording: str | None
    verdict: str | None
    rate_before_per_h: float | None
    rate_after_per_h: float | None
    confidence_fixed: float | None
    sentence: str
    needed: str


@dataclass(frozen=True, slots=True)
class StumbleLine:
    """One stumble in the list: where, what failed first, how bad."""

    number: int
    href: str
    recording: str
    onset_s: float
    at_utc: datetime | None
    cause: str
    effect: str
    lost_firings: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What failed, how often, how sure, what to test now. sure None: the findings give no probability.

    link_sentences: in words and counts what brings the stumbles out.
    """

    sentence: str
    cause: str | None
    cause_words: str | None
    n_stumbles: int
    n_recordings_with: int
    n_recordings: int
    sure: float | None
    n_of_cause: int
    linked_heat: bool | None
    linked_shock: bool | None
    other_causes: list[str]
    next_tests: list[dict[str, Any]]
    first_href: str | None
    link_sentences: list[str]


@dataclass(frozen=True, slots=True)
class SensorLine:
    """One channel's health over the event: state is ok, fault or absent; faults in words."""

    channel: str
    state: str
    faults: list[str]


@dataclass(frozen=True, slots=True)
class EventPage:
    """Variables of the event page. answer None: findings are not there yet. revision: changes when they do.

    is_fresh: the findings take everything recorded and entered into account. recording_now: a recording is open.
    reached: of a bench session, in words. provoke: how to bring the stumbles out. proof_ahead: what proves a repair.
    """

    event_id: str
    name: str
    kind: str
    started_utc: datetime | None
    revision: str
    answer: Answer | None
    strips: list[Strip]
    stumbles: list[StumbleLine]
    repairs: list[RepairLine]
    sensors: list[SensorLine]
    failed_starts: list[dict[str, Any]]
    not_judged: list[str]
    heat_low_c: float | None
    heat_high_c: float | None
    is_fresh: bool
    recording_now: bool
    unreadable: list["Unreadable"]
    notes: list["NoteLine"]
    corrections: list["CorrectionLine"]
    car_test: CarTest
    reached: str | None
    provoke: list[str]
    proof_ahead: str | None
    n_pulls: int


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A recording that is damaged or missing, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A note on the event, or on a moment that href leads to."""

    note_id: int
    text: str
    entered_utc: datetime
    recording: str | None
    at_s: float | None
    href: str | None


@dataclass(frozen=True, slots=True)
class CorrectionLine:
    """Where somebody corrected the split into runs; said: the same in words."""

    correction_id: int
    recording: str
    action: RunAction
    from_s: float
    to_s: float | None
    said: str


def moment_href(event_id: str, recording: str, onset_s: float) -> str:
    """The address of a moment: by recording and instant, so that it outlives a renumbering of the stumbles."""
    return f"/events/{quote(event_id)}/{quote(recording)}/at/{onset_s:.3f}"


def utc_at(event: Event, offset_ns: int | None) -> datetime | None:
    """Wall clock at an offset from the event's start; None where no clock was ever known."""
    if event.started_utc is None or offset_ns is None:
        return None
    return event.started_utc + timedelta(microseconds=offset_ns / 1000)


def build(store: Store, event_id: str) -> EventPage:
    """Gather the event page from outline, findings and the few overviews that the timeline needs."""
    event = store.outline(event_id)
    stored = store.stored_findings(event_id)
    found = None if stored is None else stored.findings
    glances = [look(store, event_id, recording) for recording in event.recordings]
    repairs = _repairs(store, event_id, event, found)
    strips = _strips(event_id, event, glances, found, repairs)
    lows = [strip.coolant_low_c for strip in strips if strip.coolant_low_c is not None]
    highs = [strip.coolant_high_c for strip in strips if strip.coolant_high_c is not None]
    listed = store.recordings(event_id)
    return EventPage(
        event_id=event_id,
        name=event.name,
        kind=event.kind,
        started_utc=event.started_utc,
        revision=revision(store, event_id),
        answer=None if found is None else _answer(event_id, event, found),
        strips=strips,
        stumbles=_stumbles(event_id, event, found),
        repairs=repairs,
        sensors=_sensors(glances, found),
        failed_starts=[] if found is None else list(found.get("failed_starts", [])),
        not_judged=[] if found is None else list(found.get("not_judged", [])),
        heat_low_c=min(lows, default=None),
        heat_high_c=max(highs, default=None),
        is_fresh=stored is not None and stored.fresh,
        recording_now=any(one.state == "open" for one in listed),
        unreadable=[Unreadable(one.name, one.reason) for one in listed if not one.readable]
        + [Unreadable(glance.recording.name, glance.unreadable) for glance in glances if glance.unreadable],
        notes=notes_of(store, event_id),
        corrections=corrections_of(store, event_id),
        car_test=of_car(store, event_id),
        reached=((found or {}).get("coverage") or {}).get("sentence"),
        provoke=list((found or {}).get("provoke") or ()),
        proof_ahead=_ahead(found),
        n_pulls=len(((found or {}).get("pulls") or {}).get("pulls", ())),
    )


@dataclass(frozen=True, slots=True)
class Glance:
    """What the day needs of one recording, read once. unreadable: why nothing could be read, or empty."""

    recording: Recording
    channels: frozenset[str] = frozenset()
    coolant: tuple[IntArray, FloatArray, FloatArray] | None = None
    marks_s: tuple[float, ...] = ()
    unreadable: str = ""


def look(store: Store, event_id: str, recording: Recording) -> Glance:
    """Open one recording for the day's sake; a damaged one must not take the whole page with it."""
    try:
        with store.reader(event_id, recording.name) as reader:
            channels = frozenset(reader.channels)
            coolant = None
            if "coolant_temperature" in channels and recording.duration_ns > 0:
                coolant = reader.overview("coolant_temperature", 0, recording.duration_ns, N_HEAT_COLUMNS)
            marks = reader.pulses("driver_marks") if "driver_marks" in channels else ()
            return Glance(recording, channels, coolant, tuple(float(t) / NS_PER_S for t in marks))
    except StoreError as error:
        return Glance(recording, unreadable=str(error))


def notes_of(store: Store, event_id: str) -> list[NoteLine]:
    """The event's notes, each with the way to its moment."""
    return [_note(event_id, note) for note in store.notes(event_id)]


def corrections_of(store: Store, event_id: str) -> list[CorrectionLine]:
    """The event's corrected runs, in the order of their entry."""
    return [_correction(one) for one in store.run_corrections(event_id)]


def _correction(one: RunCorrection) -> CorrectionLine:
    from_s, to_s = one.from_ns / NS_PER_S, None if one.to_ns is None else one.to_ns / NS_PER_S
    until = text("entry.to_the_end") if to_s is None else f"{to_s:.1f} s"
    said = text("entry.said_" + one.action, recording=one.recording, from_s=f"{from_s:.1f} s", to_s=until)
    return CorrectionLine(one.id, one.recording, one.action, from_s, to_s, said)


def _note(event_id: str, note: NoteEntry) -> NoteLine:
    at_s = None if note.at_ns is None else note.at_ns / NS_PER_S
    href = None if note.recording is None or at_s is None else moment_href(event_id, note.recording, at_s)
    return NoteLine(note.id, note.text, note.entered_utc, note.recording, at_s, href)


def _answer(event_id: str, event: Event, found: Mapping[str, Any]) -> Answer:
    stumbles = found["stumbles"]
    cause = found.get("main_cause")
    of_cause = [s for s in stumbles if s["cause"] == cause]
    given = [s["probability"].get(cause) for s in of_cause if s.get("probability")]
    known = [p for p in given if p is not None]
    with_stumbles = {s["recording"] for s in stumbles}
    n = len(event.recordings)
    first = of_cause[0] if of_cause else (stumbles[0] if stumbles else None)
    return Answer(
        sentence=found.get("summary") or _fallback_sentence(cause, len(stumbles), len(with_stumbles), n),
        cause=cause,
        cause_words=None if cause is None else TEXTS["cause"][cause],
        n_stumbles=len(stumbles),
        n_recordings_with=len(with_stumbles),
        n_recordings=n,
        sure=sum(known) / len(known) if known else None,
        n_of_cause=len(of_cause),
        linked_heat=found.get("linked_heat"),
        linked_shock=found.get("linked_shock"),
        other_causes=[TEXTS["cause"][c] for c in found.get("other_causes", [])],
        next_tests=list(found.get("next_tests", [])),
        link_sentences=[sentence] if (sentence := (found.get("links") or {}).get("sentence")) else [],
        first_href=None if first is None else moment_href(event_id, first["recording"], first["onset_s"]),
    )


def _fallback_sentence(cause: str | None, n: int, k: int, n_recordings: int) -> str:
    if n == 0 or cause is None:
        return text("event.nothing_one") if n_recordings == 1 else text("event.nothing", n=n_recordings)
    words = TEXTS["cause"][cause]
    return text("event.fallback", cause=words[0].upper() + words[1:], n=n, k=k, all=n_recordings)


def _ahead(found: Mapping[str, Any] | None) -> str | None:
    """What would prove a repair made now; while one waits for its own proof, that comes first."""
    waiting = any(repair["verdict"] == "too_early" for repair in (found or {}).get("repairs", ()))
    return None if found is None or waiting else found.get("proof_ahead")


def _strips(
    event_id: str, event: Event, glances: list[Glance], found: Mapping[str, Any] | None, repairs: list[RepairLine]
) -> list[Strip]:
    longest = max((glance.recording.duration_ns for glance in glances), default=1) or 1
    known = [v for g in glances if g.coolant for column in g.coolant[1:] for v in column.tolist() if v == v]
    scale = (min(known), max(known)) if known else (0.0, 0.0)
    after = _repairs_by_place(event, repairs)
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


def _repairs(store: Store, event_id: str, event: Event, found: Mapping[str, Any] | None) -> list[RepairLine]:
    """The event's repairs with their verdicts, which come back in the order in which the analysis got them."""
    verdicts = [] if found is None else list(found.get("repairs", []))
    lines = []
    for number, repair in enumerate(store.repairs(event_id)):
        judged = verdicts[number] if number < len(verdicts) and verdicts[number]["what"] == repair.what else {}
        lines.append(
            RepairLine(
                repair_id=repair.id,
                what=repair.what,
                done_utc=utc_at(event, repair.offset_ns),
                after_recording=repair.after_recording,
                verdict=judged.get("verdict"),
                rate_before_per_h=judged.get("rate_before_per_h"),
                rate_after_per_h=judged.get("rate_after_per_h"),
                confidence_fixed=judged.get("confidence_fixed"),
                sentence=judged.get("sentence", ""),
                needed=judged.get("needed", ""),
            )
        )
    return lines


def _repairs_by_place(event: Event, lines: list[RepairLine]) -> dict[str, list[RepairLine]]:
    """After which recording each repair stands on the timeline; one with a time stands after the last begun by then."""
    places: dict[str, list[RepairLine]] = {}
    for repair, line in zip(event.repairs, lines, strict=True):
        place = repair.after_recording
        if place is None and repair.offset_ns is not None:
            begun = [r.name for r in event.recordings if r.offset_ns is not None and r.offset_ns <= repair.offset_ns]
            place = begun[-1] if begun else None
        if place is None and event.recordings:
            place = event.recordings[0].name
        if place is not None:
            places.setdefault(place, []).append(line)
    return places


def _stumbles(event_id: str, event: Event, found: Mapping[str, Any] | None) -> list[StumbleLine]:
    if found is None:
        return []
    offsets = {recording.name: recording.offset_ns for recording in event.recordings}
    lines = []
    for number, s in enumerate(found["stumbles"], 1):
        offset = offsets.get(s["recording"])
        at = None if offset is None else offset + round(s["onset_s"] * NS_PER_S)
        lines.append(
            StumbleLine(
                number=number,
                href=moment_href(event_id, s["recording"], s["onset_s"]),
                recording=s["recording"],
                onset_s=s["onset_s"],
                at_utc=utc_at(event, at),
                cause=s["cause"],
                effect=s["effect"],
                lost_firings=s["lost_firings"],
            )
        )
    return lines


def _sensors(glances: list[Glance], found: Mapping[str, Any] | None) -> list[SensorLine]:
    recorded = {name for glance in glances for name in glance.channels}
    lines = []
    for name in SHOWN_IN_HEALTH:
        faults = [
            text(
                "event.sensor_fault",
                kind=TEXTS["fault"].get(fault["kind"], fault["kind"]),
                recording=fault["recording"],
                from_s=f"{fault['from_s']:.1f}",
                to_s=f"{fault['to_s']:.1f}",
            )
            for fault in ([] if found is None else found.get("sensor_faults", []))
            if fault["channel"] == name
        ]
        faults += [
            text("event.sensor_gap", recording=gap["recording"], n=f"{gap['to_s'] - gap['from_s']:.0f}")
            for gap in ([] if found is None else found.get("gaps", []))
            if gap["channel"] == name and gap["to_s"] - gap["from_s"] >= LEAST_GAP_S
        ]
        state = "fault" if faults else ("ok" if name in recorded else "absent")
        lines.append(SensorLine(name, state, faults))
    order = {"fault": 0, "ok": 1, "absent": 2}
    return sorted(lines, key=lambda line: order[line.state])
