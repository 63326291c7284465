"""What the analysis found in the events, kept with what it was made from; it can always be worked out again."""

import json
from collections.abc import Mapping
from typing import Any

from logger.store.analysis_version import analysis_version
from logger.store.logbook import Logbook, now_utc


class Results:
    """The findings of one logbook."""

    logbook: Logbook

    def save_findings(self, event_id: str, findings: dict[str, Any], input_fingerprint: str) -> None:
        """Keep the findings made from the inputs of that fingerprint (taken before the event was read)."""
        row = {
            "event_id": event_id,
            "findings": json.dumps(findings, allow_nan=False),
            "n_stumbles": len(findings.get("stumbles", ())),
            "main_cause": findings.get("main_cause"),
            "normal": json.dumps(normal, allow_nan=False) if (normal := findings.get("normal")) else None,
            "analysis_version": analysis_version(),
            "input_fingerprint": input_fingerprint,
            "computed_utc": now_utc(),
        }
        with self.logbook.transaction() as database:
            database.table("findings", pk="event_id").upsert(row)

    def save_season(self, event_id: str, told: Mapping[str, Any]) -> None:
        """Keep what only the other events of the car can tell; it is laid over the event's findings."""
        season = json.dumps(told, allow_nan=False, sort_keys=True) if told else None
        row = self.logbook.row("SELECT season FROM findings WHERE event_id = ?", [event_id])
        if row is not None and row["season"] != season:
            with self.logbook.transaction() as database:
                database.table("findings", pk="event_id").update(event_id, {"season": season})

    def findings(self, event_id: str) -> dict[str, Any] | None:
        """The findings as `analyse --json` prints them, with the season's verdicts where the car has other events; None
        where the event was never analysed."""
        row = self.logbook.row("SELECT findings, season FROM findings WHERE event_id = ?", [event_id])
        return told(row) if row else None


def told(row: Mapping[str, Any]) -> dict[str, Any]:
    """The findings of a row, with what the season says laid over them."""
    found: dict[str, Any] = json.loads(row["findings"])
    found.update(json.loads(row["season"] or "{}"))
    return found
