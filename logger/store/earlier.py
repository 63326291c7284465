"""What a car's earlier events taught, as the analysis of a later one wants it (analysis/channels/normal.py)."""

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from itertools import islice, takewhile
from typing import Any

from logger.event import EARLIER_EVENTS, Engine, same_car
from logger.store.logbook import Logbook

NEVER = datetime.min.replace(tzinfo=UTC)


def taught_before(logbook: Logbook, event_id: str, engine_of: Callable[[str], Engine]) -> list[dict[str, Any]]:
    """What the newest EARLIER_EVENTS analysed events of the car before this one taught, the oldest first.

    In the order of their dates; one without a date follows the one that was entered before it. Commissioning tests
    are left out, as their faults were made on purpose. engine_of: an event's engine as it is known by now.
    """
    rows = logbook.rows(
        "SELECT e.id, e.started_utc, f.normal FROM events e LEFT JOIN findings f ON f.event_id = e.id"
        " LEFT JOIN commissioning c ON c.event_id = e.id WHERE c.event_id IS NULL OR e.id = ? ORDER BY e.rowid",
        [event_id],
    )
    in_order = [row for _, row in sorted(zip(_times(rows), rows, strict=True), key=lambda dated: dated[0])]
    before = [*takewhile(lambda row: row["id"] != event_id, in_order)]
    engine = engine_of(event_id)
    taught = (row for row in reversed(before) if row["normal"] and same_car(engine_of(row["id"]), engine))
    return [json.loads(row["normal"]) for row in islice(taught, EARLIER_EVENTS)][::-1]


def _times(rows: list[dict[str, Any]]) -> list[datetime]:
    known, times = NEVER, []
    for row in rows:
        known = _date(row) or known
        times.append(known)
    return times


def _date(row: Mapping[str, Any]) -> datetime | None:
    if not row["started_utc"]:
        return None
    date = datetime.fromisoformat(row["started_utc"])
    return date if date.tzinfo else date.replace(tzinfo=UTC)
