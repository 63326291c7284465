"""What people entered, on its way in: checked row by row before it goes into the logbook."""

import json
import re
from dataclasses import asdict
from typing import Any, cast, get_args

from logger.circumstances import checked
from logger.event import CAUSES, Engine, EventKind, RunAction
from logger.rules import take_table
from logger.settings import ENGINE_RULES
from logger.store.exports.columns import Row
from logger.store.exports.recordings_in import Incoming, utc_text
from logger.store.imports import Arrival

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,99}")
MOST_NAME = 200
NEEDED = {
    "recordings": ("position", "duration_ns"),
    "gaps": ("channel", "from_ns", "to_ns"),
    "repairs": ("what", "entered_utc"),
    "notes": ("text", "entered_utc"),
    "circumstances": ("entered_utc",),
    "run_corrections": ("recording", "action", "from_ns", "entered_utc"),
}
"""Columns that say nothing in no row of their table."""


def arrival_of(one: Incoming) -> Arrival:
    """The event and its entries as rows of the logbook. Raises ValueError, naming what cannot be."""
    _check_needed(one)
    (row,) = one.tables["event"]
    if row["kind"] not in get_args(EventKind):
        raise ValueError(f"kind is {row['kind']!r}")
    if not row["name"]:
        raise ValueError("the event has no name")
    given = {name: row[name] for name in ENGINE_RULES if row[name] is not None}
    engine = Engine(**take_table(str(one.where), "engine", given, ENGINE_RULES))
    names = [recording["recording"] for recording in (*one.tables["recordings"], *one.here)]
    event = {
        "name": row["name"][:MOST_NAME],
        "kind": row["kind"],
        "engine": json.dumps(asdict(engine)),
        "started_utc": utc_text(row["started_utc"]),
        "import_fingerprint": None,
    }
    entries = {
        "repairs": [_repair(entry, names) for entry in one.tables["repairs"]],
        "notes": [
            {**_only(entry, "text", "at_ns"), "recording": _known(entry["recording"], names), **_entered(entry)}
            for entry in one.tables["notes"]
        ],
        "circumstances": [_circumstance(entry) for entry in one.tables["circumstances"]],
        "run_corrections": [
            {
                **_only(entry, "from_ns", "to_ns"),
                "recording": _known(entry["recording"], names),
                "action": _word(entry["action"], get_args(RunAction)),
                **_entered(entry),
            }
            for entry in one.tables["run_corrections"]
        ],
    }
    wanted = row["event_id"] if _ID.fullmatch(row["event_id"] or "") else None
    places = {
        recording["uuid"]: {
            "position": recording["position"],
            "started_utc": utc_text(recording["started_utc"]),
            "offset_ns": recording["offset_ns"],
        }
        for recording in (*one.recordings, *one.here)
        if recording["unreadable"] is None
    }
    return Arrival(one.where, event, wanted, entries, places)


def _check_needed(one: Incoming) -> None:
    rows = {**one.tables, "recordings": [*one.recordings, *one.here]}
    for table, columns in NEEDED.items():
        for row in rows[table]:
            empty = [column for column in columns if row[column] in (None, "")]
            if empty and row.get("unreadable") is None:
                raise ValueError(f"table {table}: {empty[0]} is missing")
    for row in one.recordings:
        if not isinstance(json.loads(row["health"] or "[]"), list):
            raise ValueError(f"table recordings: health of {row['recording']} is no list")


def _repair(entry: Row, names: list[str]) -> dict[str, Any]:
    return {
        **_only(entry, "what", "offset_ns"),
        "after_recording": _known(entry["after_recording"], names),
        "suspect": _word(entry["suspect"], CAUSES),
        **_entered(entry),
    }


def _circumstance(entry: Row) -> dict[str, Any]:
    ((name, value),) = checked({entry["name"]: json.loads(entry["value"])}).items()
    return {"name": name, "value": json.dumps(value), **_entered(entry)}


def _only(row: Row, *names: str) -> dict[str, Any]:
    return {name: row[name] for name in names}


def _known(name: str | None, names: list[str]) -> str | None:
    if name is not None and name not in names:
        raise ValueError(f"there is no recording {name!r:.80}")
    return name


def _word(word: str | None, words: tuple[str, ...]) -> str | None:
    if word is not None and word not in words:
        raise ValueError(f"{word!r:.80} is none of {', '.join(words)}")
    return word


def _entered(entry: Row) -> dict[str, str]:
    return {"entered_utc": cast(str, utc_text(entry["entered_utc"]))}
