"""Rows made from the logbook and from what the recordings say of themselves: event, recordings, entries."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

from logger import __version__
from logger.circumstances import CIRCUMSTANCES
from logger.event import NS_PER_S, Event
from logger.settings import Settings
from logger.store.description import RecordingMeta
from logger.store.entries import RecordingEntry, StoredFindings
from logger.store.exports.columns import Row
from logger.store.exports.held import Held
from logger.store.exports.tables import TABLES
from logger.store.recording_reader import RecordingReader
from logger.store.store import Store


def event_row(event_id: str, event: Event, found: StoredFindings | None) -> Row:
    """The row of table `event`."""
    findings = found.findings if found else {}
    return {
        "event_id": event_id,
        "name": event.name,
        "kind": event.kind,
        "started_utc": event.started_utc,
        **asdict(event.engine),
        "main_cause": findings.get("main_cause"),
        "linked_heat": findings.get("linked_heat"),
        "linked_shock": findings.get("linked_shock"),
        "summary": findings.get("summary"),
        "analysis_version": found.analysis_version if found else None,
        "analysed_utc": found.computed_utc if found else None,
        "findings": json.dumps(findings) if found else None,
        "exported_utc": datetime.now(UTC).replace(microsecond=0),
        "program": f"stumblelog {__version__}",
    }


def recording_rows(
    store: Store, entries: list[RecordingEntry], held: Sequence[Held], refused: Mapping[str, str]
) -> dict[str, list[Row]]:
    """Tables `recordings`, `calibrations` and `gaps`. refused: why each of those that are not held cannot be read."""
    by_name = {one.name: one for one in held}
    entered = {entry.channel: entry for entry in store.calibrations() if entry.removed_utc is None}
    recordings: list[Row] = []
    calibrations: list[Row] = []
    gaps: list[Row] = []
    for position, entry in enumerate(entries, 1):
        row: Row = {"recording": entry.name, "position": position, "uuid": entry.uuid}
        one = by_name.get(entry.name)
        if one is None:
            recordings.append(row | {"unreadable": refused.get(entry.name) or entry.reason})
            continue
        meta, in_force = one.reader.meta, _settings_in_force(one.reader)
        duration_ns = one.reader.duration_ns
        recordings.append(
            row
            | {
                "started_utc": entry.started_utc or one.utc(0.0),
                "offset_ns": one.offset_ns,
                "offset_s": None if one.offset_ns is None else one.offset_ns / NS_PER_S,
                "duration_ns": duration_ns,
                "duration_s": duration_ns / NS_PER_S,
                "power_up": meta.power_up,
                "boot_id": meta.boot_id,
                "origin": meta.origin,
                "how_closed": one.reader.how_closed,
                "unreadable": None,
                "description": json.dumps(meta.to_json() | {"settings": in_force}),
                "health": json.dumps(one.reader.health()),
            }
        )
        calibrations += _calibration_rows(entry.name, meta, in_force, entered)
        gaps += [
            {
                "recording": entry.name,
                **asdict(gap),
                "from_s": gap.from_ns / NS_PER_S,
                "to_s": gap.to_ns / NS_PER_S,
            }
            for gap in one.reader.gaps()
        ]
    return {"recordings": recordings, "calibrations": calibrations, "gaps": gaps}


def _settings_in_force(reader: RecordingReader) -> dict[str, Any]:
    """The recording's own settings, with the conversions of its channels replaced where others are in force."""
    document = dict(reader.meta.settings)
    if not any(channel.counts for channel in reader.meta.channels):
        return document
    own = Settings.from_dict(document, str(reader.path))
    changed = [name for name, channel in reader.settings.channels.items() if channel != own.channels.get(name)]
    if changed:
        in_force = reader.settings.to_dict()["channels"]
        document["channels"] = {**document["channels"], **{name: in_force[name] for name in changed}}
    return document


def _calibration_rows(
    name: str, meta: RecordingMeta, in_force: Mapping[str, Any], entered: Mapping[str, Any]
) -> list[Row]:
    rows: list[Row] = []
    for stored in meta.channels:
        if not stored.counts or stored.kind == "state":
            continue
        if stored.kind == "vector":
            now = before = meta.settings.get("accelerometer", {})
            word, unit = "mounting", "g"
        else:
            now = in_force.get("channels", {}).get(stored.name, {})
            before = meta.settings.get("channels", {}).get(stored.name, {})
            word, unit = now.get("convert"), now.get("unit")
        entry = entered.get(stored.name) if now != before else None
        rows.append(
            {
                "recording": name,
                "channel": stored.name,
                "convert": word,
                "unit": unit,
                "in_force": json.dumps(now),
                "as_recorded": json.dumps(before),
                "entered_utc": entry.entered_utc if entry else None,
                "why": entry.why if entry else None,
            }
        )
    return rows


def entered_rows(store: Store, event_id: str, event: Event) -> dict[str, list[Row]]:
    """What people entered, as they entered it. The verdicts beside the repairs come with the findings."""
    rows = {
        table: store.logbook.rows(
            f"SELECT * FROM {table} WHERE event_id = ? AND removed_utc IS NULL ORDER BY id", [event_id]
        )
        for table in ("repairs", "notes", "circumstances", "run_corrections")
    }
    for row in (row for table in rows.values() for row in table):
        row["entered_utc"] = datetime.fromisoformat(row["entered_utc"])
    verdicts = (store.findings(event_id) or {}).get("repairs", [])
    judged = ("verdict", "rate_before_per_h", "rate_after_per_h", "confidence_fixed", "sentence", "needed")
    for number, row in enumerate(rows["repairs"]):
        start, offset_ns = event.started_utc, row["offset_ns"]
        known = start is not None and offset_ns is not None
        row["done_utc"] = start + timedelta(microseconds=offset_ns / 1000) if known and start else None
        verdict = verdicts[number] if number < len(verdicts) and verdicts[number]["what"] == row["what"] else {}
        row |= {key: verdict.get(key) for key in judged}
    for row in rows["circumstances"]:
        row["unit"] = CIRCUMSTANCES[row["name"]].unit
    for row in rows["notes"]:
        row["at_s"] = None if row["at_ns"] is None else row["at_ns"] / NS_PER_S
    return {
        table: [{column.name: row[column.name] for column in TABLES[table].columns} for row in found]
        for table, found in rows.items()
    }
