"""What people entered, as lines of a page: repairs with their verdicts, notes, corrected runs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from logger.event import NS_PER_S, Correction, Event, RunAction
from logger.store.entries import NoteEntry, RunCorrection
from logger.store.store import Store
from web.glance import moment_href, utc_at
from web.texts import text


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
    """Where somebody corrected the split into runs; said: the same in words. replaced: by later ones, wholly."""

    correction_id: int
    recording: str
    action: RunAction
    from_s: float
    to_s: float | None
    said: str
    replaced: bool


def notes_of(store: Store, event_id: str) -> list[NoteLine]:
    """The event's notes, each with the way to its moment."""
    return [_note(event_id, note) for note in store.notes(event_id)]


def _note(event_id: str, note: NoteEntry) -> NoteLine:
    at_s = None if note.at_ns is None else note.at_ns / NS_PER_S
    href = None if note.recording is None or at_s is None else moment_href(event_id, note.recording, at_s)
    return NoteLine(note.id, note.text, note.entered_utc, note.recording, at_s, href)


def corrections_of(store: Store, event_id: str) -> list[CorrectionLine]:
    """The event's corrected runs, in the order of their entry."""
    lines = store.run_corrections(event_id)
    if not lines:
        return []
    lengths = {one.name: one.duration_ns / NS_PER_S for one in store.outline(event_id).recordings}
    replaced = {
        one.id
        for name, duration_s in lengths.items()
        for one in _replaced([line for line in lines if line.recording == name], duration_s)
    }
    return [_correction(one, one.id in replaced) for one in lines]


def _replaced(entered: Sequence[RunCorrection], duration_s: float) -> list[RunCorrection]:
    """Those of one recording without which, oldest first, its split into runs is the same."""
    if len(entered) < 2:
        return []
    from logger.analysis.repair.runs import split  # the page starts without the analysis, which is heavy

    def split_by(kept: Sequence[RunCorrection]) -> object:
        corrections = [Correction(one.recording, one.action, one.from_ns, one.to_ns) for one in kept]
        return split(duration_s, [(0.0, duration_s)], corrections)

    kept = list(entered)
    for one in entered:
        without = [other for other in kept if other is not one]
        if split_by(without) == split_by(entered):
            kept = without
    return [one for one in entered if one not in kept]


def _correction(one: RunCorrection, replaced: bool) -> CorrectionLine:
    from_s, to_s = one.from_ns / NS_PER_S, None if one.to_ns is None else one.to_ns / NS_PER_S
    until = text("entry.to_the_end") if to_s is None else f"{to_s:.1f} s"
    said = text("entry.said_" + one.action, recording=one.recording, from_s=f"{from_s:.1f} s", to_s=until)
    return CorrectionLine(one.id, one.recording, one.action, from_s, to_s, said, replaced)


def repairs_of(store: Store, event_id: str, event: Event, found: Mapping[str, Any] | None) -> list[RepairLine]:
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


def repairs_by_place(event: Event, lines: list[RepairLine]) -> dict[str, list[RepairLine]]:
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
