"""Settings that people changed on the page: engine data, which event recordings to come belong to, and units.

The settings file stays as it is; what is entered here is laid over what a recording's snapshot of it says. Of each key
the newest entry that was not taken back stands. An entry without an event counts for every event of this logger whose
recordings say what it corrected (`was`), old ones too: a settings file that is changed later, for another engine say,
counts again. Imported events know their own engine. An entry of one event counts for that event, and before the others.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from logger.errors import SettingsError
from logger.event import Engine
from logger.rules import Rule, rules_of
from logger.settings import ENGINE_RULES, DisplaySettings, EventSettings
from logger.store.logbook import Logbook

MOST_LETTERS = 200
CHANGEABLE: dict[str, dict[str, Rule]] = {
    "engine": ENGINE_RULES,
    "event": rules_of(EventSettings),
    "display": rules_of(DisplaySettings),
}


@dataclass(frozen=True, slots=True)
class Change:
    """One key as somebody changed it; value None: not known. event_id None: for every event of this logger whose
    recordings say `was`."""

    id: int
    event_id: str | None
    section: str
    key: str
    value: Any
    was: Any
    entered_utc: datetime
    removed_utc: datetime | None


class Changes:
    """The changed settings of one logbook."""

    logbook: Logbook

    def changes(self, event_id: str | None = None) -> list[Change]:
        """All of this logger, or of that event: the oldest first, those taken back included."""
        rows = self.logbook.rows("SELECT * FROM changes WHERE event_id IS ? ORDER BY id", [event_id])
        return [_change(row) for row in rows]

    def change(
        self, section: str, values: Mapping[str, Any], event_id: str | None = None, *, was: Mapping[str, Any]
    ) -> list[int]:
        """Enter values of a section, all of them or none; returns the ids of what was entered.

        was: the section as recorded, which is corrected.
        Raises SettingsError, naming key and what is allowed, where one is not allowed or not to be changed here.
        """
        rules = CHANGEABLE.get(section, {})
        checked = {key: _checked(section, key, value, rules) for key, value in values.items()}
        with self.logbook.transaction():
            return [
                self.logbook.insert(
                    "changes",
                    {
                        "event_id": event_id,
                        "section": section,
                        "key": key,
                        "value": json.dumps(value),
                        "was": json.dumps(was.get(key)),
                    },
                )
                for key, value in checked.items()
            ]

    def changed_engine(self, recorded: Engine, event_id: str | None = None, *, is_imported: bool = False) -> Engine:
        """An engine as its recordings describe it, with what people entered since."""
        rows = self.logbook.rows(
            "SELECT * FROM changes WHERE section = 'engine' AND removed_utc IS NULL AND (event_id = ?"
            " OR (event_id IS NULL AND NOT ?)) ORDER BY event_id IS NOT NULL, id",
            [event_id, is_imported],
        )
        said = said_of(asdict(recorded), rows)
        return replace(recorded, **said) if said else recorded

    def changed_display(self, display: DisplaySettings) -> DisplaySettings:
        """The units that the settings file names, with what people entered since."""
        rows = self.logbook.rows("SELECT * FROM changes WHERE section = 'display' AND removed_utc IS NULL ORDER BY id")
        return replace(display, **said_of(asdict(display), rows))


def said_of(recorded: Mapping[str, Any], rows: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """What rows of one section say instead of what was recorded, the newest last."""
    return {
        row["key"]: json.loads(row["value"])
        for row in rows
        if row["key"] in recorded and (row["event_id"] or json.loads(row["was"] or "null") == recorded[row["key"]])
    }


def _change(row: Mapping[str, Any]) -> Change:
    removed = row["removed_utc"]
    return Change(
        row["id"],
        row["event_id"],
        row["section"],
        row["key"],
        json.loads(row["value"]),
        json.loads(row["was"] or "null"),
        datetime.fromisoformat(row["entered_utc"]),
        datetime.fromisoformat(removed) if removed else None,
    )


def _checked(section: str, key: str, value: Any, rules: Mapping[str, Rule]) -> Any:
    rule = rules.get(key)
    if rule is None:
        raise SettingsError(f"{section}.{key} is not to be changed on the page; change it in the settings file")
    if value is None and rule.default is None:
        return None
    if isinstance(value, str) and len(value) > MOST_LETTERS:
        raise SettingsError(f"{section}.{key} has {len(value)} letters; at most {MOST_LETTERS} are kept")
    try:
        return rule.take(value)
    except ValueError as error:
        raise SettingsError(f"{section}.{key} {error}") from error
