"""The list of events, and the short text by which an open page learns that there is something new."""

import zlib
from dataclasses import dataclass
from datetime import UTC, datetime

from logger.store.store import Store
from web.texts import TEXTS

AT_FIRST = 100


@dataclass(frozen=True, slots=True)
class ListLine:
    """One event in the list. n_stumbles None: findings are not there yet. is_test: it was the commissioning test."""

    event_id: str
    name: str
    kind: str
    started_utc: datetime | None
    n_recordings: int
    n_stumbles: int | None
    main_cause: str | None
    cause_words: str | None
    is_test: bool = False


@dataclass(frozen=True, slots=True)
class ListPage:
    """Variables of the list of events, newest first; those without a date come last. n_more: events left out."""

    events: list[ListLine]
    n_more: int = 0


@dataclass(frozen=True, slots=True)
class Revision:
    """A short text that changes whenever the event's page would."""

    revision: str


def build(store: Store) -> ListPage:
    """Gather the list."""
    tests = store.commissioned()
    lines = [
        ListLine(
            event_id=event.event_id,
            name=event.name,
            kind=event.kind,
            started_utc=event.started_utc,
            n_recordings=event.n_recordings,
            n_stumbles=event.n_stumbles,
            main_cause=event.main_cause,
            cause_words=None if event.main_cause is None else TEXTS["cause"][event.main_cause],
            is_test=event.event_id in tests,
        )
        for event in store.events()
    ]
    never = datetime.min.replace(tzinfo=UTC)
    return ListPage(sorted(lines, key=lambda line: line.started_utc or never, reverse=True))


def newest(page: ListPage) -> ListPage:
    """The list cut short: some years of events are quick to send, a club's thousand are not."""
    return ListPage(page.events[:AT_FIRST], max(0, len(page.events) - AT_FIRST))


def revision(store: Store, event_id: str) -> str:
    """Changes with what was recorded or entered (the inputs' digest), with the findings, name, notes and test."""
    shown = (
        store.input_fingerprint(event_id),
        store.stored_findings(event_id),
        store.outline(event_id).name,
        store.notes(event_id),
        store.commissioned(),
    )
    return f"{zlib.crc32(repr(shown).encode()):08x}"
