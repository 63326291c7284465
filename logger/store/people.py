"""What people enter in the logbook: repairs, notes, names, corrected runs, calibrations, the clock."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Literal

from logger.circumstances import Value, checked
from logger.errors import SettingsError, StoreError
from logger.event import CAUSES, Cause, EventKind, RunAction
from logger.settings import Settings
from logger.store import intake
from logger.store.calibrated import WIRING_KEYS
from logger.store.entries import CalibrationEntry, NoteEntry, RepairEntry, RunCorrection, from_row
from logger.store.logbook import Logbook

Removable = Literal["repairs", "notes", "calibrations", "clock_fixes", "run_corrections", "circumstances", "changes"]


class People:
    """The entries of one logbook. Raises StoreError or SettingsError where an entry makes no sense."""

    logbook: Logbook

    def rename_event(self, event_id: str, name: str, kind: EventKind | None = None) -> None:
        """Change an event's name, and its kind where given; the id stays."""
        if not name.strip():
            raise StoreError("an event's name cannot be empty")
        with self.logbook.transaction() as database:
            changed = database.conn.execute(
                "UPDATE events SET name = ?, kind = coalesce(?, kind) WHERE id = ?", (name.strip(), kind, event_id)
            ).rowcount
        if not changed:
            raise StoreError(f"no event {event_id!r} to rename; it may have been removed")

    def repairs(self, event_id: str) -> list[RepairEntry]:
        """The event's repairs as they were entered."""
        return [from_row(RepairEntry, row) for row in self._entered("repairs", event_id)]

    def add_repair(
        self,
        event_id: str,
        what: str,
        *,
        offset_ns: int | None = None,
        after_recording: str | None = None,
        suspect: Cause | None = None,
    ) -> int:
        """Enter work done on the car; without a time it was done after the event's last recording."""
        if not what.strip():
            raise StoreError("say what was repaired")
        if suspect is not None and suspect not in CAUSES:
            raise StoreError(f"suspect is {suspect!r}; allowed are {', '.join(CAUSES)}")
        if after_recording is not None:
            self._known_recording(event_id, after_recording)
        elif offset_ns is None:
            after_recording = self._last_recording(event_id)
        row = {"what": what.strip(), "offset_ns": offset_ns, "after_recording": after_recording, "suspect": suspect}
        return self.logbook.insert("repairs", {"event_id": event_id, **row})

    def notes(self, event_id: str) -> list[NoteEntry]:
        """The event's notes as they were entered."""
        return [from_row(NoteEntry, row) for row in self._entered("notes", event_id)]

    def add_note(self, event_id: str, text: str, recording: str | None = None, at_ns: int | None = None) -> int:
        """Enter a note on the event, or on a moment of one of its recordings."""
        if not text.strip():
            raise StoreError("a note cannot be empty")
        if recording is not None:
            self._known_recording(event_id, recording)
        row = {"text": text.strip(), "recording": recording, "at_ns": at_ns}
        return self.logbook.insert("notes", {"event_id": event_id, **row})

    def circumstances(self, event_id: str) -> dict[str, Value]:
        """Fuel, road, weather and vehicle as entered; the newest entry of each name stands."""
        return {row["name"]: json.loads(row["value"]) for row in self._entered("circumstances", event_id)}

    def enter_circumstances(self, event_id: str, entered: Mapping[str, object]) -> None:
        """Enter fuel, road, weather or vehicle, all of it or nothing; an empty value takes back what was entered.

        Raises SettingsError where a name is not known or a value makes no sense.
        """
        given = {name: value for name, value in entered.items() if value not in (None, "")}
        values = checked(given)
        with self.logbook.transaction():
            standing = self.circumstances(event_id)
            for row in self._entered("circumstances", event_id):
                if row["name"] in entered and values.get(row["name"]) != standing[row["name"]]:
                    self.logbook.remove("circumstances", row["id"])
            for name, value in values.items():
                if value != standing.get(name):
                    row = {"event_id": event_id, "name": name, "value": json.dumps(value)}
                    self.logbook.insert("circumstances", row)

    def run_corrections(self, event_id: str) -> list[RunCorrection]:
        """Where people corrected the automatic split into runs, in the order of their entry."""
        return [from_row(RunCorrection, row) for row in self._entered("run_corrections", event_id)]

    def correct_run(
        self, event_id: str, recording: str, action: RunAction, from_ns: int, to_ns: int | None = None
    ) -> int:
        """Enter that a stretch was a run or practice, or that runs are to be split or joined there."""
        self._known_recording(event_id, recording)
        row = {"recording": recording, "action": action, "from_ns": from_ns, "to_ns": to_ns}
        return self.logbook.insert("run_corrections", {"event_id": event_id, **row})

    def calibrations(self, channel: str | None = None) -> list[CalibrationEntry]:
        """All versions, the oldest first, those taken back included."""
        where, parameters = ("WHERE channel = ?", [channel]) if channel else ("", [])
        rows = self.logbook.rows(f"SELECT * FROM calibrations {where} ORDER BY id", parameters)
        return [from_row(CalibrationEntry, row) for row in rows]

    def calibrations_in_force(self) -> dict[str, dict[str, Any]]:
        """The newest version of each channel that was calibrated; the others keep the snapshot in their recording."""
        return {entry.channel: entry.conversion for entry in self.calibrations() if entry.removed_utc is None}

    def calibrate(self, channel: str, conversion: dict[str, Any], why: str = "") -> int:
        """Enter a new version of a channel's conversion; recordings follow at once, old ones too.

        conversion: keys of [channels.NAME] in the settings, without the wiring (chip, input, rate_hz, gain).
        Raises SettingsError where they do not make a conversion.
        """
        if wired := conversion.keys() & set(WIRING_KEYS):
            raise SettingsError(f"calibration of {channel}: {min(wired)} is wiring; change it in the settings file")
        wiring = {"chip": 0x48, "input": 0}
        document = {"engine": {"cylinders": 4}, "channels": {channel: {**wiring, **conversion}}, "tach": {"pin": 17}}
        Settings.from_dict(document, f"calibration of {channel}")
        row = {"channel": channel, "conversion": json.dumps(conversion), "why": why}
        return self.logbook.insert("calibrations", row)

    def set_clock(
        self, boot_id: str, monotonic_ns: int, utc: datetime, source: str, plus_minus_s: float | None = None
    ) -> int:
        """Tie a boot's monotonic time to wall time; its recordings are dated anew, also afterwards."""
        row = {"boot_id": boot_id, "monotonic_ns": monotonic_ns, "utc": utc.astimezone(UTC).isoformat()}
        with self.logbook.transaction():
            fix = self.logbook.insert("clock_fixes", {**row, "source": source, "plus_minus_s": plus_minus_s})
            intake.date_recordings(self.logbook)
        return fix

    def remove(self, table: Removable, entry_id: int) -> None:
        """Take back what was entered; `restore` undoes that."""
        self.logbook.remove(table, entry_id)
        intake.date_recordings(self.logbook)

    def restore(self, table: Removable, entry_id: int) -> None:
        """Put back an entry that was taken back."""
        self.logbook.restore(table, entry_id)
        intake.date_recordings(self.logbook)

    def _known_recording(self, event_id: str, name: str) -> None:
        names = self._names(event_id)
        if name not in names:
            raise StoreError(f"no recording {name!r} in {event_id}; the recordings are {', '.join(names)}")

    def _last_recording(self, event_id: str) -> str:
        names = self._names(event_id)
        if not names:
            raise StoreError(f"{event_id} has no recording after which the repair could have been made")
        return names[-1]

    def _names(self, event_id: str) -> list[str]:
        rows = self.logbook.rows("SELECT name FROM recordings WHERE event_id = ? ORDER BY position", [event_id])
        return [row["name"] for row in rows]

    def _entered(self, table: Removable, event_id: str) -> list[dict[str, Any]]:
        return self.logbook.rows(
            f"SELECT * FROM {table} WHERE event_id = ? AND removed_utc IS NULL ORDER BY id", [event_id]
        )
