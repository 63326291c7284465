"""What the logbook holds, as small frozen objects for the page and the commands."""

import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from logger.event import Cause, EventKind, RunAction

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

RecordingState = Literal["open", "closed", "damaged", "missing"]
Entry = TypeVar("Entry", bound="DataclassInstance")


@dataclass(frozen=True, slots=True)
class EventEntry:
    """One event in the list. `event_id` never changes, `name` may. `recording_now`: one of its recordings is open.
    n_stumbles: None while there are no findings yet."""

    event_id: str
    name: str
    kind: EventKind
    started_utc: datetime | None
    n_recordings: int
    n_damaged: int
    recording_now: bool
    imported: bool
    n_stumbles: int | None
    main_cause: Cause | None


@dataclass(frozen=True, slots=True)
class RecordingEntry:
    """One recording's file, relative to the data directory. `reason`: a sentence on why one is damaged or missing.

    `stamp` changes when the file does; it tells whether a damaged one has been looked at already.
    `offset_ns` is what an import gave; for the logger's own recordings it follows from `started_utc`.
    """

    name: str
    file: str
    uuid: str
    state: RecordingState
    reason: str
    stamp: str
    duration_ns: int
    offset_ns: int | None
    started_utc: datetime | None

    @property
    def readable(self) -> bool:
        """Whether there is anything to read."""
        return self.state in ("open", "closed")


@dataclass(frozen=True, slots=True)
class RepairEntry:
    """Work done on the car, as entered."""

    id: int
    what: str
    offset_ns: int | None
    after_recording: str | None
    suspect: Cause | None
    entered_utc: datetime


@dataclass(frozen=True, slots=True)
class NoteEntry:
    """A note on the event, or on the moment `at_ns` of a recording."""

    id: int
    text: str
    recording: str | None
    at_ns: int | None
    entered_utc: datetime


@dataclass(frozen=True, slots=True)
class CalibrationEntry:
    """One version of a channel's conversion (the keys of its settings table); the newest not removed is in force."""

    id: int
    channel: str
    conversion: dict[str, Any]
    why: str
    entered_utc: datetime
    removed_utc: datetime | None


@dataclass(frozen=True, slots=True)
class RunCorrection:
    """Where a person corrected the automatic split into runs."""

    id: int
    recording: str
    action: RunAction
    from_ns: int
    to_ns: int | None


@dataclass(frozen=True, slots=True)
class StoredFindings:
    """Findings as Store.findings gives them, with what they were made by and from. `fresh`: nothing they depend on has
    changed since."""

    findings: dict[str, Any]
    analysis_version: str
    computed_utc: datetime
    fresh: bool


def from_row(kind: type[Entry], row: dict[str, Any]) -> Entry:
    """One of the classes above from the logbook's row; columns that it does not have are left out."""
    return kind(**{name: _read(name, row[name]) for name in kind.__match_args__})  # type: ignore[attr-defined]


def _read(name: str, value: Any) -> Any:
    if name.endswith("_utc") and value is not None:
        return datetime.fromisoformat(value)
    return json.loads(value) if name == "conversion" else value
