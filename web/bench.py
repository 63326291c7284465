"""The page for bench and dyno: a few big live values, the last pull, and how to bring the stumbles out there."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.store.store import Store
from web import pulls

BIG = ("engine_speed", "fuel_pressure", "coolant_temperature", "battery_voltage", "air_fuel_ratio")


@dataclass(frozen=True, slots=True)
class LastPull:
    """The newest pull beside the best of its gear. share: of that one's torque, None where it is the best itself."""

    recording: str
    from_s: float
    warmth: str
    share: float | None
    n_broken: int
    picture: pulls.PullsPicture


@dataclass(frozen=True, slots=True)
class BenchPage:
    """Variables of the page. key changes when there is something new to show beside the live values.

    event_id, last, reached, provoke: of the newest event; None and empty while there is none, or it is not worked out.
    """

    key: str
    event_id: str | None
    last: LastPull | None
    reached: str | None
    provoke: list[str]


def build(store: Store) -> BenchPage:
    """Gather the page."""
    events = store.events(look=False)
    if not events:
        return BenchPage("", None, None, None, [])
    event_id = events[0].event_id
    found = store.findings(event_id) or {}
    last = _last(found.get("pulls") or {})
    key = f"{event_id} {last.recording} {last.from_s}" if last else event_id
    if event_id in store.commissioned():  # its stumbles were made on purpose: nothing is to be brought out again
        return BenchPage(key, event_id, last, None, [])
    reached = (found.get("coverage") or {}).get("sentence")
    return BenchPage(f"{key} {reached or ''}", event_id, last, reached, list(found.get("provoke") or ()))


def _last(found: dict[str, Any]) -> LastPull | None:
    everything = found.get("pulls") or ()
    if not everything:
        return None
    number, one = len(everything) - 1, everything[-1]
    best = found["best"][str(one["gear"])]
    picture = pulls.picture(found, only=sorted({best, number}))
    if picture is None:
        return None
    known = [share for share in one["relative"] if share is not None]
    share = None if best == number or not known else float(np.median(known))
    return LastPull(one["recording"], one["from_s"], one["warmth"], share, len(one["break_ups_s"]), picture)
