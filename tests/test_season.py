"""A season judged from the logbook alone: repairs across events, and what a bench session has reached."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from logger import season
from logger.event import Engine, Repair, same_car
from logger.store.store import Store
from tests.analysis.invented import ENGINE
from tests.seasons import CLEAN, FAILED, FEED, Day, put_in

MAY, JUNE, JULY = (datetime(2026, month, 9, 8, 0, tzinfo=UTC) for month in (5, 6, 7))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "data") as opened:
        yield opened


def filled(store: Store, folder: Path, *days: Day) -> list[str]:
    return [put_in(store, folder / f"day{number}", day) for number, day in enumerate(days)]


def kept(store: Store, event_id: str) -> dict[str, Any]:
    """The event's findings once the season is laid over them."""
    season.keep(store)
    return store.findings(event_id) or {}


def test_clean_runs_at_later_events_count_for_a_repair(store: Store, tmp_path: Path) -> None:
    """9 bursts in 18 knocks, then none in 42: fixed, as in one event of ten runs."""
    filled(
        store,
        tmp_path,
        Day("May", [FAILED] * 3, MAY, (Repair(FEED, after_recording="r03"),)),
        Day("June", [CLEAN] * 3, JUNE),
        Day("July", [CLEAN] * 4, JULY),
    )
    (only,) = season.every_car(store)
    (repaired,) = only.repairs
    assert repaired.verdict.verdict == "fixed"
    assert "Before, 3 of 3 runs failed; since, none of 7" in repaired.verdict.sentence
    assert repaired.verdict.sentence.endswith("Counted over all 3 events of this car.")


def test_events_count_in_the_order_of_their_dates_not_of_their_entry(store: Store, tmp_path: Path) -> None:
    filled(
        store,
        tmp_path,
        Day("July", [CLEAN] * 7, JULY),
        Day("May", [FAILED] * 3, MAY, (Repair(FEED, after_recording="r03"),)),
    )
    assert [one.verdict.verdict for one in season.every_car(store)[0].repairs] == ["fixed"]


def test_without_dates_events_follow_each_other_as_they_were_entered(store: Store, tmp_path: Path) -> None:
    filled(store, tmp_path, Day("first", [FAILED] * 3), Day("second", [CLEAN] * 7, repairs=(Repair(FEED, 0),)))
    (only,) = season.every_car(store)
    assert [one.outline.name for one in only.events] == ["first", "second"]


def test_a_repair_entered_after_the_season_is_placed_where_it_was_done(store: Store, tmp_path: Path) -> None:
    may, _ = filled(store, tmp_path, Day("May", [FAILED] * 3, MAY), Day("June", [CLEAN] * 7, JUNE))
    store.add_repair(may, FEED, after_recording="r03")
    store.add_repair(may, "new coil", offset_ns=700 * 10**9)  # between r02, which began at 600 s, and r03 at 1200 s
    (only,) = season.every_car(store)
    assert [(one.entry.what, one.verdict.verdict) for one in only.repairs] == [
        ("new coil", "not_fixed"),
        (FEED, "fixed"),
    ]
    assert only.repairs[0].done_utc == datetime(2026, 5, 9, 8, 11, 40, tzinfo=UTC)


def test_another_car_is_another_season(store: Store, tmp_path: Path) -> None:
    filled(
        store,
        tmp_path,
        Day("May", [FAILED] * 3, MAY, (Repair(FEED, after_recording="r03"),)),
        Day("June", [CLEAN] * 7, JUNE, engine=Engine(6, tach_pulses_per_revolution=3.0)),
    )
    newest, older = season.every_car(store)
    assert [one.outline.name for one in newest.events] == ["June"]
    assert [one.verdict.verdict for one in older.repairs] == ["too_early"]


@pytest.mark.parametrize(
    ("other", "same"),
    [
        (replace(ENGINE, idle_rpm=1100.0), True),
        (replace(ENGINE, redline_rpm=None), True),
        (replace(ENGINE, cylinders=6), False),
        (replace(ENGINE, redline_rpm=7000.0), False),
    ],
)
def test_one_car_is_told_by_what_both_descriptions_say(other: Engine, same: bool) -> None:
    assert same_car(ENGINE, other) is same


def test_an_event_that_is_not_analysed_yet_is_named_and_does_not_count(store: Store, tmp_path: Path) -> None:
    _, june = filled(
        store,
        tmp_path,
        Day("May", [FAILED] * 3, MAY, (Repair(FEED, after_recording="r03"),)),
        Day("June", [CLEAN] * 7, JUNE),
    )
    with store.logbook.transaction() as database:
        database.execute("DELETE FROM findings WHERE event_id = ?", [june])
    (only,) = season.every_car(store)
    assert only.waiting == ("June",)
    assert [one.verdict.verdict for one in only.repairs] == ["too_early"]


def test_before_any_repair_it_says_how_long_proof_will_take(store: Store, tmp_path: Path) -> None:
    """9 bursts in 18 knocks: 37 more of them, 7 runs of 6."""
    filled(store, tmp_path, Day("May", [FAILED] * 3, MAY))
    assert (season.every_car(store)[0].proof_ahead or "").startswith("37 more knocks above 2.0 g")


def test_the_findings_of_an_event_get_the_verdict_of_the_season(store: Store, tmp_path: Path) -> None:
    may, june = filled(
        store,
        tmp_path,
        Day("May", [FAILED] * 3, MAY, (Repair(FEED, after_recording="r03"),)),
        Day("June", [CLEAN] * 7, JUNE),
    )
    assert [one["verdict"] for one in kept(store, may)["repairs"]] == ["fixed"]
    assert kept(store, june)["repairs"] == []
    stored = store.stored_findings(may)
    assert stored is not None
    assert [one["verdict"] for one in stored.findings["repairs"]] == ["fixed"]


def test_a_clean_dyno_day_that_never_shook_the_car_clears_nothing(store: Store, tmp_path: Path) -> None:
    _, bench = filled(
        store,
        tmp_path,
        Day("May", [FAILED] * 3, MAY),
        Day("Dyno", [CLEAN] * 2, JUNE, kind="bench", hits=(), degc=(85.0, 100.0)),
    )
    told = kept(store, bench)
    assert (told["coverage"]["shock"], told["coverage"]["all"]) == (0.0, 0.0)
    assert "clears nothing that shock brings out" in told["coverage"]["sentence"]
    assert told["coverage"]["of_events"] == ["May"]
    assert any(step.startswith("Shake it: 27 knocks of 3.0 g") for step in told["provoke"])


def test_a_bench_session_of_a_car_that_never_stumbled_has_nothing_to_reach(store: Store, tmp_path: Path) -> None:
    (bench,) = filled(store, tmp_path, Day("Dyno", [CLEAN], JUNE, kind="bench"))
    told = kept(store, bench)
    assert told["coverage"]["sentence"] == "No stumbles were recorded, so there is nothing for a session to reach."
    assert told["provoke"] == []


def test_a_cars_only_event_keeps_its_own_verdicts(store: Store, tmp_path: Path) -> None:
    (may,) = filled(store, tmp_path, Day("May", [FAILED] * 3, MAY, (Repair(FEED, after_recording="r03"),)))
    before = store.findings(may)
    assert kept(store, may) == before


def test_what_the_season_says_is_written_only_when_it_changed(store: Store, tmp_path: Path) -> None:
    filled(store, tmp_path, Day("May", [FAILED] * 3, MAY), Day("June", [CLEAN] * 7, JUNE))
    season.keep(store)
    with Store(store.data_dir) as other:
        before = other.logbook.revision()
        season.keep(store)
        assert other.logbook.revision() == before


def test_no_events_no_seasons(store: Store) -> None:
    assert season.every_car(store) == []
