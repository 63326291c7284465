"""The logbook: one SQLite file for what people enter and what the analysis found.

Recordings are never in it; each of them stands alone in a file of its own. Everything here is small, written in short
transactions (WAL, busy timeout), and shared by the page, the worker and the commands. What people entered is taken
back by a date in `removed_utc`, never deleted, so that any change can be undone.
"""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from logger.errors import StoreError
from logger.store.migrations import migrations
from logger.store.schema import what_to_do

APPLICATION_ID = 0x53544C42  # "STLB" in the file's header: tells a logbook from any other SQLite file
BUSY_TIMEOUT_S = 5.0


def now_utc() -> str:
    """This moment as the logbook writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class Logbook:
    """The door to `logbook.sqlite`. May be used from several threads; each call is one short transaction.

    Raises StoreError where the file is no logbook, is damaged, is of a newer version, or stays locked.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        if path.exists():
            self._refuse_what_is_no_logbook()
        else:
            self._create()
        with self._errors():
            self._database = _open(path)
        try:
            with self._errors():
                self._bring_up_to_date()
        except StoreError:
            self.close()
            raise

    def __enter__(self) -> "Logbook":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; may be called twice."""
        with self._lock:
            self._database.close()

    def rows(self, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Read rows as dicts."""
        with self._lock, self._errors():
            return list(self._database.query(sql, list(parameters)))

    def row(self, sql: str, parameters: Sequence[Any] = ()) -> dict[str, Any] | None:
        """Read the first row, or None."""
        found = self.rows(sql, parameters)
        return found[0] if found else None

    def revision(self) -> int:
        """A number that changes when another process has written here (not by what is written through this object)."""
        (row,) = self.rows("PRAGMA data_version")
        return int(row["data_version"])

    @contextmanager
    def transaction(self) -> Iterator[Database]:
        """One transaction, begun with the write lock in hand: all of it is kept, or nothing.

        Begun as a reader it could not wait its turn when it came to write (SQLITE_BUSY_SNAPSHOT).
        """
        with self._lock, self._errors():
            if self._database.conn.in_transaction:
                yield self._database
                return
            self._database.conn.execute("BEGIN IMMEDIATE")
            try:
                yield self._database
            except BaseException:
                self._database.conn.rollback()
                raise
            self._database.conn.commit()

    def insert(self, table: str, row: dict[str, Any]) -> int:
        """Add one row of what somebody entered, stamped with this moment; returns its id."""
        with self.transaction() as database:
            inserted = database.table(table).insert({**row, "entered_utc": now_utc()})
            return int(inserted.last_pk)  # type: ignore[arg-type]

    def remove(self, table: str, row_id: int) -> None:
        """Take back an entry; `restore` undoes that. Raises StoreError where there is none."""
        self._set_removed(table, row_id, now_utc())

    def restore(self, table: str, row_id: int) -> None:
        """Put an entry back that was removed."""
        self._set_removed(table, row_id, None)

    def _set_removed(self, table: str, row_id: int, removed_utc: str | None) -> None:
        with self.transaction() as database:
            changed = database.conn.execute(
                f"UPDATE {table} SET removed_utc = ? WHERE id = ?", (removed_utc, row_id)
            ).rowcount
        if not changed:
            raise StoreError(f"{self.path}: no entry {row_id} in {table}; it may have been made in another logbook")

    def _create(self) -> None:
        """Make the file whole under another name first: a power cut must not leave an empty logbook behind."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        draft = self.path.with_name(f".{self.path.name}.{threading.get_native_id()}")
        with self._errors():
            database = _open(draft)
            database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            migrations.apply(database)
            database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            database.close()
        try:
            # A link, unlike a rename, refuses where another program was first; its logbook is then as good as ours.
            self.path.hardlink_to(draft)
        except FileExistsError:
            pass
        except OSError:  # a file system without links, as memory sticks have
            draft.rename(self.path)
        finally:
            draft.unlink(missing_ok=True)

    def _refuse_what_is_no_logbook(self) -> None:
        if self.path.stat().st_size == 0:
            raise StoreError(
                f"{self.path}: the logbook is empty (0 bytes); restore a copy of it, or move it away to begin a new one"
            )
        with self._errors():
            connection = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True)
            try:
                (application_id,) = connection.execute("PRAGMA application_id").fetchone()
            finally:
                connection.close()
        if application_id != APPLICATION_ID:
            raise StoreError(f"{self.path}: not a logbook of stumblelog; move that file away or choose another folder")

    def _bring_up_to_date(self) -> None:
        known = {migration.name for migration in migrations._migrations}
        newer = [migration.name for migration in migrations.applied(self._database) if migration.name not in known]
        if newer:
            raise StoreError(f"{self.path}: written by a newer stumblelog ({newer[0]}); update this one to open it")
        if not migrations.pending(self._database):
            return
        # Asked again with the write lock in hand: page and worker start together after an update, and whoever comes
        # second must neither migrate nor keep what the other has migrated as the copy.
        with self.transaction() as database:
            pending = migrations.pending(database)
            if pending:
                self._keep_copy(pending[0].name)
                migrations.apply(database)

    def _keep_copy(self, migration: str) -> None:
        """The logbook as it was, beside it, so that an older version of this program can be gone back to."""
        copy = self.path.with_name(f"{self.path.stem}.before-{migration}{self.path.suffix}")
        draft = copy.with_name(f".{copy.name}.{threading.get_native_id()}")
        draft.unlink(missing_ok=True)
        with closing(_open(self.path)) as reader:  # a connection in a transaction cannot vacuum
            reader.execute("VACUUM INTO ?", [str(draft)])
        draft.replace(copy)

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.IntegrityError as error:
            # The logbook refuses because it is sound: nobody is to move that one away.
            raise StoreError(
                f"{self.path}: an entry does not fit ({error}); see that its event is still there and enter it again"
            ) from error
        except sqlite3.DatabaseError as error:
            if "locked" in str(error):
                raise StoreError(
                    f"{self.path}: another program has kept the logbook locked for {BUSY_TIMEOUT_S:g} s; try again"
                ) from error
            # Nothing is wrong with a logbook that cannot be reached or written: nobody is to move that one away.
            todo = what_to_do(error) or "restore a copy, or move it away to begin a new one"
            raise StoreError(f"{self.path}: the logbook cannot be used ({error}); {todo}") from error


def _open(path: Path) -> Database:
    connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, check_same_thread=False)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")  # an entry made in the paddock must outlive a pulled plug
    connection.execute("PRAGMA foreign_keys = ON")
    return Database(connection)
