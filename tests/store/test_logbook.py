"""The logbook keeps what was entered, says what is wrong with its file, and never takes another file for its own."""

import sqlite3
from pathlib import Path

import pytest
from sqlite_utils.migrations import Migrations

from logger.errors import StoreError
from logger.store import logbook as logbook_module
from logger.store.logbook import APPLICATION_ID, Logbook

NOTE = {"event_id": "day", "text": "smelt petrol", "recording": "r01", "at_ns": 41_372_000_000}


@pytest.fixture
def logbook(tmp_path):
    with Logbook(tmp_path / "logbook.sqlite") as opened, opened.transaction() as database:
        database["events"].insert(
            {"id": "day", "name": "Day", "kind": "road", "engine": "{}", "created_utc": "2026-05-09T08:00:00+00:00"}
        )
    with Logbook(tmp_path / "logbook.sqlite") as opened:
        yield opened


def test_an_entry_is_there_after_closing_and_opening_again(logbook):
    logbook.insert("notes", NOTE)
    with Logbook(logbook.path) as again:
        assert [row["text"] for row in again.rows("SELECT * FROM notes")] == ["smelt petrol"]


def test_a_removed_entry_can_be_put_back(logbook):
    note = logbook.insert("notes", NOTE)
    logbook.remove("notes", note)
    assert logbook.rows("SELECT * FROM notes WHERE removed_utc IS NULL") == []
    logbook.restore("notes", note)
    assert len(logbook.rows("SELECT * FROM notes WHERE removed_utc IS NULL")) == 1


def test_taking_back_an_entry_that_is_not_there_is_refused(logbook):
    with pytest.raises(StoreError, match="no entry 7 in notes"):
        logbook.remove("notes", 7)


def test_a_transaction_that_fails_leaves_nothing(logbook):
    with pytest.raises(KeyError), logbook.transaction():  # noqa: PT012
        logbook.insert("notes", NOTE)
        raise KeyError("a fault half-way")
    assert logbook.rows("SELECT * FROM notes") == []


def test_an_entry_for_an_unknown_event_is_refused(logbook):
    with pytest.raises(StoreError, match=r"FOREIGN KEY.*; see that its event is still there") as refused:
        logbook.insert("notes", {**NOTE, "event_id": "nowhere"})
    assert "move it away" not in str(refused.value)


def test_the_logbook_can_be_read_while_another_writes(logbook):
    other = sqlite3.connect(logbook.path)
    other.execute("BEGIN IMMEDIATE")
    assert logbook.rows("SELECT id FROM events") == [{"id": "day"}]
    other.close()


def test_a_lock_held_too_long_is_named(logbook):
    other = sqlite3.connect(logbook.path)
    other.execute("BEGIN IMMEDIATE")
    logbook.rows("PRAGMA busy_timeout = 1")
    with pytest.raises(StoreError, match="locked"):
        logbook.insert("notes", NOTE)
    other.close()


@pytest.mark.parametrize(
    ("pragma", "todo"),
    [
        ("PRAGMA query_only = 1", "run this as the user it belongs to, with sudo -u stumblelog"),
        ("PRAGMA max_page_count = 1", "free some space on its disk"),
    ],
)
def test_a_sound_logbook_that_cannot_be_written_is_never_to_be_moved_away(logbook, pragma, todo):
    def write():
        with logbook.transaction() as database:
            database.execute(pragma)
            database["notes"].insert(NOTE | {"entered_utc": "2026-05-09T08:00:00+00:00", "text": "x" * 1_000_000})

    with pytest.raises(StoreError, match=todo) as refused:
        write()
    assert "move it away" not in str(refused.value)


def test_an_empty_file_is_not_taken_for_a_new_logbook(tmp_path):
    path = tmp_path / "logbook.sqlite"
    path.touch()
    with pytest.raises(StoreError, match=r"logbook\.sqlite: the logbook is empty \(0 bytes\); restore a copy"):
        Logbook(path)
    assert path.stat().st_size == 0


def test_another_programs_database_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "logbook.sqlite"
    with sqlite3.connect(path) as foreign:
        foreign.execute("CREATE TABLE cats (name TEXT)")
    foreign.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="not a logbook"):
        Logbook(path)
    assert path.read_bytes() == before


def test_garbage_is_refused_with_a_sentence(tmp_path):
    path = tmp_path / "logbook.sqlite"
    path.write_bytes(b"\x93garbage" * 1000)
    with pytest.raises(StoreError, match="cannot be used"):
        Logbook(path)


def test_a_newer_logbook_is_refused_rather_than_misread(logbook):
    with logbook.transaction() as database:
        database["_sqlite_migrations"].insert(
            {"migration_set": "logbook", "name": "split_the_runs", "applied_at": "2030-01-01"}
        )
    with pytest.raises(StoreError, match=r"newer stumblelog \(split_the_runs\)"):
        Logbook(logbook.path)


def test_creating_leaves_no_draft_behind_and_marks_the_file_as_ours(logbook, tmp_path):
    assert {path.name.split("-")[0] for path in tmp_path.iterdir()} == {"logbook.sqlite"}
    assert logbook.rows("PRAGMA application_id") == [{"application_id": APPLICATION_ID}]


def test_a_logbook_made_by_another_program_meanwhile_is_opened_not_replaced(tmp_path, monkeypatch):
    path = tmp_path / "logbook.sqlite"
    made = logbook_module._open

    def open_after_the_other(target: Path):
        if target != path and not path.exists():
            monkeypatch.setattr(logbook_module, "_open", made)
            with Logbook(path) as other, other.transaction() as database:
                database["events"].insert({"id": "o", "name": "O", "kind": "road", "engine": "{}", "created_utc": "x"})
        return made(target)

    monkeypatch.setattr(logbook_module, "_open", open_after_the_other)
    with Logbook(path) as opened:
        assert opened.rows("SELECT id FROM events") == [{"id": "o"}]


def test_a_file_system_without_links_can_hold_a_logbook(tmp_path, monkeypatch):
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "hardlink_to", refuse)
    for _ in range(2):
        Logbook(tmp_path / "logbook.sqlite").close()
    assert [path.name for path in tmp_path.iterdir()] == ["logbook.sqlite"]


def an_old_logbook(path: Path, before: str) -> None:
    """A logbook as a version of this program left it that knew nothing of this migration, with an entry."""
    database = logbook_module._open(path)
    database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    logbook_module.migrations.apply(database, stop_before=before)
    database["events"].insert({"id": "day", "name": "Day", "kind": "road", "engine": "{}", "created_utc": "x"})
    database["notes"].insert({**NOTE, "entered_utc": "2026-05-09T08:00:00+00:00"})
    database.close()


@pytest.mark.parametrize("before", [migration.name for migration in logbook_module.migrations._migrations[1:]])
def test_a_logbook_of_any_older_version_is_brought_up_to_date_and_its_copy_kept(tmp_path, before):
    path = tmp_path / "logbook.sqlite"
    an_old_logbook(path, before)
    with Logbook(path) as opened:
        assert [row["text"] for row in opened.rows("SELECT text FROM notes")] == ["smelt petrol"]
        assert opened.rows("SELECT * FROM circumstances") == []
        assert opened.rows("SELECT season FROM findings") == []
    copy = tmp_path / f"logbook.before-{before}.sqlite"
    kept = sqlite3.connect(copy)
    try:
        assert kept.execute("SELECT text FROM notes").fetchall() == [("smelt petrol",)]
        assert (before,) not in kept.execute("SELECT name FROM _sqlite_migrations").fetchall()
        assert kept.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    finally:
        kept.close()


def test_a_logbook_that_is_up_to_date_is_not_copied(logbook, tmp_path):
    assert list(tmp_path.glob("*.before-*")) == []


def test_of_two_programs_that_start_on_an_old_logbook_the_second_leaves_the_copy_of_the_first(tmp_path, monkeypatch):
    path = tmp_path / "logbook.sqlite"
    an_old_logbook(path, "create_circumstances")
    really = Migrations.pending

    def pending(self, database):
        found = really(self, database)
        monkeypatch.setattr(Migrations, "pending", really)
        Logbook(path).close()
        return found

    monkeypatch.setattr(Migrations, "pending", pending)
    Logbook(path).close()
    kept = sqlite3.connect(tmp_path / "logbook.before-create_circumstances.sqlite")
    assert ("circumstances",) not in kept.execute("SELECT name FROM sqlite_schema").fetchall()
    kept.close()


def test_a_migration_that_fails_leaves_the_old_logbook_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "logbook.sqlite"
    an_old_logbook(path, "create_circumstances")

    def fail(database):
        database.execute("CREATE TABLE half (a)")
        raise sqlite3.OperationalError("database or disk is full")

    broken = Migrations("logbook")
    for migration in logbook_module.migrations._migrations:
        broken(name=migration.name)(migration.fn)
    broken(name="too_much")(fail)
    with monkeypatch.context() as patch:
        patch.setattr(logbook_module, "migrations", broken)
        with pytest.raises(StoreError, match="disk is full"):
            Logbook(path)
    with Logbook(path) as opened:
        assert [row["text"] for row in opened.rows("SELECT text FROM notes")] == ["smelt petrol"]
        assert opened.rows("SELECT name FROM sqlite_master WHERE name = 'half'") == []
