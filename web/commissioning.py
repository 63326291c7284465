"""Whether a car has passed its commissioning test, from what the logbook keeps of it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from urllib.parse import quote

from logger.event import same_car
from logger.store.store import Store

State = Literal["passed", "not_passed", "waiting", "not_yet"]


@dataclass(frozen=True, slots=True)
class CarTest:
    """The newest test of an event's car. said: how it came out; problems: what came out wrong. is_this: the event is
    itself that test. at_utc, href: of the event that was the test; None where there was none, or it has no date."""

    state: State
    said: str
    at_utc: datetime | None
    href: str | None
    problems: list[str]
    is_this: bool


def of_car(store: Store, event_id: str) -> CarTest:
    """The event's own test, if it is one; else the newest of its car that was judged, or waits to be."""
    engine = store.outline(event_id).engine
    tests = store.commissioned()
    own = [tests[event_id]] if event_id in tests else []
    others = [test for test in tests.values() if same_car(store.outline(test.event_id).engine, engine)]
    found = next(iter([*own, *(test for test in others if test.result), *others]), None)
    if found is None:
        return CarTest("not_yet", "", None, None, [], False)
    result = found.result or {}
    state: State = "waiting" if found.passed is None else "passed" if found.passed else "not_passed"
    return CarTest(
        state=state,
        said=result.get("sentence", ""),
        at_utc=store.outline(found.event_id).started_utc,
        href=f"/events/{quote(found.event_id)}",
        problems=list(result.get("problems", ())),
        is_this=found.event_id == event_id,
    )
