"""The calibrations that people entered, for the recorder: read from the logbook without ever waiting for it.

The logbook is opened read-only, with no patience for a lock, by a thread of its own: a card that stalls or a logbook
that is busy or damaged leaves what was known before in force, and costs no sample.
"""

import json
import sqlite3
import threading
from collections.abc import Mapping
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from logger.errors import SettingsError
from logger.settings import Settings
from logger.store.calibrated import with_calibrations

LOOK_EVERY_S = 2.0

Conversions = Mapping[str, Mapping[str, Any]]


def read_calibrations(logbook: Path) -> dict[str, dict[str, Any]] | None:
    """The newest conversion of each channel that has not been taken back; None where the logbook does not answer."""
    if not logbook.exists():
        return {}
    sql = "SELECT channel, conversion FROM calibrations WHERE removed_utc IS NULL ORDER BY id"
    try:
        with closing(sqlite3.connect(f"{logbook.resolve().as_uri()}?mode=ro", uri=True, timeout=0.0)) as connection:
            return {channel: dict(json.loads(text)) for channel, text in connection.execute(sql)}
    except (sqlite3.Error, ValueError, TypeError):
        return None


class CalibrationWatch:
    """The settings with the logbook's calibrations, looked at anew whenever the logbook has changed.

    in_force: (settings, conversions that they have from the logbook), replaced as a whole, so that another thread may
    read it at any time.
    """

    def __init__(self, settings: Settings, data_dir: Path) -> None:
        self.in_force: tuple[Settings, Conversions] = (settings, {})
        self._wiring = settings
        self._logbook = data_dir / "logbook.sqlite"
        self._seen: object = None
        self._stopping = threading.Event()

    def look(self) -> None:
        """Read the logbook if it has changed since the last time."""
        stamp = tuple(map(_stamp, (self._logbook, Path(f"{self._logbook}-wal"))))
        if stamp == self._seen:
            return
        found = read_calibrations(self._logbook)
        if found is None:
            return
        self._seen = stamp
        with suppress(SettingsError):  # a conversion of another wiring; what was known before stays in force
            self.in_force = (with_calibrations(self._wiring, found), found)

    def start(self) -> None:
        """Look every two seconds from now on, in a thread that ends with the program."""
        threading.Thread(target=self._run, name="calibrations", daemon=True).start()

    def stop(self) -> None:
        """End the thread, without waiting for it: it may be waiting for the card."""
        self._stopping.set()

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_EVERY_S):
            self.look()


def _stamp(path: Path) -> tuple[int, int]:
    try:
        status = path.stat()
    except OSError:
        return (0, 0)
    return (status.st_size, status.st_mtime_ns)
