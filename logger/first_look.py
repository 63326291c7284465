"""A run that has just ended, looked at by itself, so that its stumbles are there long before the whole day has been
analysed anew.

What the run shows is added to the day's findings; what compares runs (causes, links, repairs, pulls) stays what it was,
and the findings count as out of date until the whole day has been analysed, which is what the worker does next. That
takes as long as the day has been; this takes as long as the run.
"""

from collections.abc import Mapping
from typing import Any

from logger.errors import AnalysisError
from logger.store.store import Store

LEAST_KNOWN = 5
"""With fewer recordings behind it, the whole event takes hardly longer."""
MOST_NEW = 2
"""More than these were not just driven: they were copied here, and nobody waits for them."""
ADDED = ("stumbles", "sensor_faults", "failed_starts", "gaps", "rejected", "runs")
LEADING = ("main_cause", "other_causes", "summary", "next_tests")
OUT_OF_DATE = ""


def first_look(store: Store, event_id: str) -> bool:
    """Add what the newest recordings show by themselves to an event's findings; whether there was anything to add."""
    from logger.analysis import analyse

    known = store.findings(event_id)
    if known is None:
        return False
    seen = {run["recording"] for run in known.get("links", {}).get("runs", ())}
    new = [one.name for one in store.recordings(event_id) if one.readable and one.name not in seen]
    if len(seen) < LEAST_KNOWN or not 0 < len(new) <= MOST_NEW:
        return False
    event = store.event(event_id, only=new)
    if not event.recordings:
        return False
    try:
        found = analyse(event, earlier=store.earlier(event_id))
    except AnalysisError:
        return False  # the analysis of the whole event will say what is wrong
    store.save_findings(event_id, added(known, found.as_json()), OUT_OF_DATE)
    return True


def added(known: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """The day's findings with those of further runs."""
    last_burst = max((stumble["burst"] for stumble in known["stumbles"]), default=0)
    renumbered = [{**stumble, "burst": stumble["burst"] + last_burst} for stumble in new["stumbles"]]
    joined = {key: [*known.get(key, ()), *new[key]] for key in ADDED}
    joined["stumbles"] = [*known["stumbles"], *renumbered]
    leading = {} if known["stumbles"] else {key: new[key] for key in LEADING}
    return {**known, **joined, **leading}
