"""What people enter: repairs, notes, an event's name, corrected runs, the clock, as JSON. The pages' forms, in
web/entry_forms.py, use the same functions.

Nothing is ever deleted: what is taken back can be put back.
"""

import time
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal, cast

from fastapi import APIRouter
from fastapi import Path as PathParameter
from pydantic import AwareDatetime, BaseModel, Field, StringConstraints, field_validator
from starlette.requests import Request

from logger.event import NS_PER_S, Cause, EventKind, RunAction
from logger.recorder.place import boot_id
from logger.store.people import Removable
from logger.store.store import Store
from web import calibration
from web.api import REFUSALS, known_event, known_recording, store_of
from web.problems import PageError

json_router = APIRouter(prefix="/api", responses=REFUSALS)

CLOCK_NOT_BEFORE = datetime(2025, 1, 1, tzinfo=UTC)
FURTHEST = timedelta(days=3653)
"""A repair ten years from its event is a slip of the pen."""
CLOCK_PLUS_MINUS_S = 1.0
"""A phone's clock is good to a second or so, and the way through the network takes less."""

Number = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
EntryId = Annotated[int, PathParameter(ge=1, lt=2**63)]
"""SQLite has no larger ones, and says so by an error of its own."""
RemovableHere = Literal["repairs", "notes", "run_corrections"]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=1000)]


class _Entry(BaseModel):
    """Empty fields of a form mean that nothing was chosen."""

    @field_validator("*", mode="before")
    @classmethod
    def _empty_is_none(cls, value: Any, info: Any) -> Any:
        field = cls.model_fields[info.field_name]
        return None if value == "" and not field.is_required() else value


class RepairEntry(_Entry):
    """Work done on the car: at a time, where the event has a clock, or after a recording; by default the last one."""

    what: Text
    done_utc: AwareDatetime | None = None
    after_recording: str | None = None
    suspect: Cause | None = None


class NoteEntry(_Entry):
    """A note on the event, or on a moment of one of its recordings."""

    text: Text
    recording: str | None = None
    at_s: float | None = Field(None, ge=0, le=1e7, allow_inf_nan=False)


class NameEntry(_Entry):
    """An event's name and kind."""

    name: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
    kind: EventKind | None = None


class RunEntry(_Entry):
    """A stretch of a recording that was a run, or was not."""

    recording: str
    action: RunAction
    from_s: float = Field(ge=0, le=1e7, allow_inf_nan=False)
    to_s: float | None = Field(None, ge=0, le=1e7, allow_inf_nan=False)


class ClockEntry(BaseModel):
    """The device's time, with its offset from UTC."""

    utc: AwareDatetime


class Entered(BaseModel):
    """The number under which an entry can be taken back."""

    entry_id: int


def add_repair(store: Store, event_id: str, entry: RepairEntry) -> int:
    known_event(store, event_id)
    if entry.after_recording is not None:
        known_recording(store, event_id, entry.after_recording)
    offset_ns = None
    if entry.done_utc is not None and entry.after_recording is None:
        started_utc = store.outline(event_id).started_utc
        if started_utc is None:
            raise PageError(422, "no_clock")
        offset = entry.done_utc - started_utc
        if abs(offset) > FURTHEST:
            raise PageError(422, "clock")
        offset_ns = offset // timedelta(microseconds=1) * 1000
    return store.add_repair(
        event_id, entry.what, offset_ns=offset_ns, after_recording=entry.after_recording, suspect=entry.suspect
    )


def add_note(store: Store, event_id: str, entry: NoteEntry) -> int:
    known_event(store, event_id)
    if entry.recording is not None:
        known_recording(store, event_id, entry.recording)
    at_ns = None if entry.at_s is None else round(entry.at_s * NS_PER_S)
    return store.add_note(event_id, entry.text, entry.recording, at_ns)


def correct_run(store: Store, event_id: str, entry: RunEntry) -> int:
    known_event(store, event_id)
    known_recording(store, event_id, entry.recording)
    if entry.to_s is not None and entry.to_s <= entry.from_s:
        raise PageError(422, "window")
    to_ns = None if entry.to_s is None else round(entry.to_s * NS_PER_S)
    return store.correct_run(event_id, entry.recording, entry.action, round(entry.from_s * NS_PER_S), to_ns)


def rename(store: Store, event_id: str, entry: NameEntry) -> None:
    store.rename_event(known_event(store, event_id), entry.name, entry.kind)


def take_back(store: Store, event_id: str, table: RemovableHere, entry_id: int, undo: bool) -> None:
    """Take an entry of this event back, or put it back."""
    known_event(store, event_id)
    row = store.logbook.row(f"SELECT 1 FROM {table} WHERE id = ? AND event_id = ?", [entry_id, event_id])
    if row is None:
        raise PageError(404, "entry")
    (store.restore if undo else store.remove)(cast(Removable, table), entry_id)


class PairsEntry(BaseModel):
    """Pairs of (shown by the logger, said by the gauge), SI units."""

    pairs: list[tuple[Number, Number]] = Field(min_length=1, max_length=20)
    why: str = Field("", max_length=200)


def calibrate(store: Store, channel: str, pairs: list[tuple[float, float]], why: str) -> int:
    entry_id = calibration.enter(store, channel, calibration.Pairs(pairs, why.strip()))
    if entry_id is None:
        raise PageError(404, "channel")
    return entry_id


@json_router.post("/events/{event_id}/repairs", status_code=201)
def post_repair(request: Request, event_id: str, entry: RepairEntry) -> Entered:
    """Enter a repair."""
    return Entered(entry_id=add_repair(store_of(request), event_id, entry))


@json_router.post("/events/{event_id}/notes", status_code=201)
def post_note(request: Request, event_id: str, entry: NoteEntry) -> Entered:
    """Enter a note."""
    return Entered(entry_id=add_note(store_of(request), event_id, entry))


@json_router.post("/events/{event_id}/runs", status_code=201)
def post_run(request: Request, event_id: str, entry: RunEntry) -> Entered:
    """Say that a stretch was a run or practice, or that runs are to be split or joined there."""
    return Entered(entry_id=correct_run(store_of(request), event_id, entry))


@json_router.put("/events/{event_id}/name", status_code=204)
def put_name(request: Request, event_id: str, entry: NameEntry) -> None:
    """Rename an event."""
    rename(store_of(request), event_id, entry)


@json_router.put("/events/{event_id}/commissioning", status_code=204)
def put_commissioning(request: Request, event_id: str) -> None:
    """Say that the event was a commissioning test; it is judged in a few seconds."""
    store = store_of(request)
    store.commission(known_event(store, event_id))


@json_router.delete("/events/{event_id}/commissioning", status_code=204)
def delete_commissioning(request: Request, event_id: str) -> None:
    """Say that it was none."""
    store = store_of(request)
    store.withdraw_commissioning(known_event(store, event_id))


@json_router.delete("/events/{event_id}/entries/{table}/{entry_id}", status_code=204)
def delete_entry(request: Request, event_id: str, table: RemovableHere, entry_id: EntryId) -> None:
    """Take an entry back."""
    take_back(store_of(request), event_id, table, entry_id, undo=False)


@json_router.post("/events/{event_id}/entries/{table}/{entry_id}/restore", status_code=204)
def restore_entry(request: Request, event_id: str, table: RemovableHere, entry_id: EntryId) -> None:
    """Put an entry back that was taken back."""
    take_back(store_of(request), event_id, table, entry_id, undo=True)


@json_router.get("/settings/channels/{channel}")
def show_channel(request: Request, channel: str) -> calibration.ChannelPage:
    """What a channel's volts mean, and every version of it."""
    page = calibration.build(store_of(request), channel)
    if page is None:
        raise PageError(404, "channel")
    return page


@json_router.post("/settings/channels/{channel}", status_code=201)
def post_calibration(request: Request, channel: str, entry: PairsEntry) -> Entered:
    """Correct a channel by pairs read off a gauge; recordings, old ones too, follow at once."""
    return Entered(entry_id=calibrate(store_of(request), channel, entry.pairs, entry.why))


@json_router.post("/now/clock", status_code=201)
def post_clock(request: Request, entry: ClockEntry) -> Entered:
    """Tie this boot's monotonic time to the device's clock; its recordings are dated by it, also afterwards."""
    if entry.utc < CLOCK_NOT_BEFORE:
        raise PageError(422, "clock")
    fix = store_of(request).set_clock(boot_id(), time.monotonic_ns(), entry.utc, "browser", CLOCK_PLUS_MINUS_S)
    return Entered(entry_id=fix)
