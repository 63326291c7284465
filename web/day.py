"""The event page's variables: the answer first, then the day as a timeline, then the health of the sensors."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from logger.channels import CHANNELS
from logger.event import NS_PER_S, Event
from logger.store.store import Store
from logger.story import at_work, brings, knock_levels, off_normal, proof_ahead
from web.commissioning import CarTest, of_car
from web.entered import CorrectionLine, NoteLine, RepairLine, corrections_of, notes_of, repairs_of
from web.glance import Glance, look, moment_href, utc_at
from web.listing import revision
from web.strips import Strip, strips_of
from web.texts import TEXTS, text

LEAST_GAP_S = 5.0
"""Shorter stretches without values, such as every start, are no reason to look at a sensor."""
SHOWN_IN_HEALTH = tuple(name for name in CHANNELS if name != "driver_marks")


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

    link_sentences: what was off all day against earlier events, and in words and counts what brings the stumbles out.
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


def build(store: Store, event_id: str) -> EventPage:
    """Gather the event page from outline, findings and the few overviews that the timeline needs."""
    event = store.outline(event_id)
    stored = store.stored_findings(event_id)
    found = None if stored is None else stored.findings
    glances = [look(store, event_id, recording) for recording in event.recordings]
    repairs = repairs_of(store, event_id, event, found)
    strips = strips_of(event_id, event, glances, found, repairs)
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
        proof_ahead=proof_ahead(found or {}),
        n_pulls=len(((found or {}).get("pulls") or {}).get("pulls", ())),
    )


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
        link_sentences=[
            *off_normal(found),
            *brings(found.get("links") or {}),
            *at_work(found["stumbles"]),
            *knock_levels(dict(found)),
        ],
        first_href=None if first is None else moment_href(event_id, first["recording"], first["onset_s"]),
    )


def _fallback_sentence(cause: str | None, n: int, k: int, n_recordings: int) -> str:
    if n == 0 or cause is None:
        return text("event.nothing_one") if n_recordings == 1 else text("event.nothing", n=n_recordings)
    words = TEXTS["cause"][cause]
    return text("event.fallback", cause=words[0].upper() + words[1:], n=n, k=k, all=n_recordings)


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
