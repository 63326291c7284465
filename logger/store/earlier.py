"""What a car's earlier events taught, as the analysis of a later one wants it (analysis/channels/normal.py)."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from logger.event import EARLIER_EVENTS, Engine, same_car
from logger.store.logbook import Logbook

NEVER = datetime.min.replace(tzinfo=UTC)


class Earlier:
    """What the events of one logbook taught."""

    logbook: Logbook

    def engine(self, event_id: str) -> Engine:
        """The event's engine; the store knows it."""
        raise NotImplementedError

    def earlier(self, event_id: str) -> list[dict[str, Any]]:
        """What the newest EARLIER_EVENTS analysed events of the car before this one taught, the oldest first.

        In the order of their dates; one without a date follows the one that was entered before it. Commissioning tests
        are left out, as their faults were made on purpose.
        """
        rows = self.logbook.rows(
            "SELECT e.id, e.started_utc, f.normal FROM events e LEFT JOIN findings f ON f.event_id = e.id"
            " LEFT JOIN commissioning c ON c.event_id = e.id WHERE c.event_id IS NULL OR e.id = ? ORDER BY e.rowid",
            [event_id],
        )
        ids = [row["id"] for row in rows]
        times = _times(rows)
        order = sorted(range(len(rows)), key=lambda n: (times[n], n))
        before = order[: order.index(ids.index(event_id))] if event_id in ids else []
        engine, found = self.engine(event_id), list[dict[str, Any]]()
        for number in reversed(before):
            if rows[number]["normal"] and same_car(self.engine(ids[number]), engine):
                found.append(json.loads(rows[number]["normal"]))
                if len(found) == EARLIER_EVENTS:
                    break
        return found[::-1]


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
