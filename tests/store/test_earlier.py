"""What a car's earlier events taught: which events those are, in which order, and that findings depend on them."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from logger.event import EARLIER_EVENTS
from logger.store.capture_out import write_folder
from logger.store.store import Store
from tests.store.events import small_event


@pytest.fixture
def store(tmp_path: Path) -> Any:
    with Store(tmp_path / "data") as made:
        yield made


def put_in(store: Store, name: str, month: int | None, *, cylinders: int = 4, taught: bool = True) -> str:
    """An event of that month of 2026, which taught its own name."""
    day = None if month is None else datetime(2026, month, 9, tzinfo=UTC)
    event = small_event()
    event = replace(event, name=name, started_utc=day, engine=replace(event.engine, cylinders=cylinders))
    if day is None:
        event = replace(event, recordings=tuple(replace(r, offset_ns=None) for r in event.recordings))
    write_folder(event, store.data_dir.parent / name)
    event_id = store.import_folder(store.data_dir.parent / name)
    if taught:
        teach(store, event_id, name)
    return event_id


def teach(store: Store, event_id: str, name: str) -> None:
    store.save_findings(event_id, {"normal": {"levels": {name: {}}, "changed": []}}, store.input_fingerprint(event_id))


def earlier(store: Store, event_id: str) -> list[str]:
    return [next(iter(one["levels"])) for one in store.earlier(event_id)]


def test_earlier_events_come_by_their_dates_the_oldest_first(store: Store) -> None:
    june, april, may = (put_in(store, name, month) for name, month in (("june", 6), ("april", 4), ("may", 5)))
    assert earlier(store, june) == ["april", "may"]
    assert earlier(store, may) == ["april"]
    assert earlier(store, april) == []


def test_an_event_without_a_date_follows_the_one_entered_before_it(store: Store) -> None:
    may, undated, june = (put_in(store, name, month) for name, month in (("may", 5), ("undated", None), ("june", 6)))
    assert earlier(store, june) == ["may", "undated"]
    assert earlier(store, undated) == ["may"]
    assert earlier(store, may) == []


def test_other_cars_tests_made_on_purpose_and_events_not_analysed_teach_nothing(store: Store) -> None:
    put_in(store, "other", 3, cylinders=6)
    put_in(store, "waiting", 3, taught=False)
    store.commission(put_in(store, "test", 4))
    assert earlier(store, put_in(store, "may", 5)) == []


def test_only_the_newest_ones_are_asked(store: Store) -> None:
    for number in range(EARLIER_EVENTS + 2):
        put_in(store, f"day {number}", 4)
    assert earlier(store, put_in(store, "may", 5)) == [f"day {number}" for number in range(2, EARLIER_EVENTS + 2)]


def test_findings_are_stale_once_an_earlier_event_teaches_something_else(store: Store) -> None:
    april, may = put_in(store, "april", 4), put_in(store, "may", 5)
    assert store.has_fresh_findings(may)
    teach(store, april, "april again")
    assert not store.has_fresh_findings(may)
    assert store.has_fresh_findings(april)
