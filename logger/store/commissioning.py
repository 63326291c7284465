"""Which events were commissioning tests (logger/analysis/commission.py), and how each came out.

In such a recording the owner interrupts coil feed and pump feed on purpose, so its stumbles say nothing about the car:
they count for no verdict of its season.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from logger.store.logbook import Logbook, now_utc


@dataclass(frozen=True, slots=True)
class Commissioned:
    """One test: `result` as CommissionResult.as_json gives it, None while it waits to be judged."""

    event_id: str
    asked_utc: datetime
    result: dict[str, Any] | None

    @property
    def passed(self) -> bool | None:
        """None while it is not judged."""
        return None if self.result is None else bool(self.result["passed"])


class Commissioning:
    """The commissioning tests of one logbook."""

    logbook: Logbook

    def commissioned(self) -> dict[str, Commissioned]:
        """All tests by event, the newest asked for first."""
        rows = self.logbook.rows("SELECT * FROM commissioning ORDER BY asked_utc DESC, rowid DESC")
        return {row["event_id"]: _read(row) for row in rows}

    def commission(self, event_id: str) -> None:
        """Say that an event was a commissioning test; it is judged with its next analysis."""
        row = {"event_id": event_id, "asked_utc": now_utc(), "result": None}
        with self.logbook.transaction() as database:
            database.table("commissioning").insert(row, pk="event_id", ignore=True)

    def withdraw_commissioning(self, event_id: str) -> None:
        """Say that it was none."""
        with self.logbook.transaction() as database:
            database.execute("DELETE FROM commissioning WHERE event_id = ?", [event_id])

    def save_commissioning(self, event_id: str, result: Mapping[str, Any]) -> None:
        """Keep how the test came out, where the event still counts as one."""
        with self.logbook.transaction() as database:
            said = json.dumps(result, allow_nan=False)
            database.execute("UPDATE commissioning SET result = ? WHERE event_id = ?", [said, event_id])


def _read(row: Mapping[str, Any]) -> Commissioned:
    result = None if row["result"] is None else json.loads(row["result"])
    return Commissioned(row["event_id"], datetime.fromisoformat(row["asked_utc"]), result)
