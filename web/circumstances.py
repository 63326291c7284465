"""The page on which fuel, road, weather and vehicle of an event are entered."""

from collections.abc import Mapping
from dataclasses import dataclass

from logger.circumstances import CIRCUMSTANCES
from logger.store.store import Store


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to enter: a word out of `words`, or a number as `allowed` says. value: as entered, or empty."""

    name: str
    help: str
    words: list[str]
    allowed: str
    value: str


@dataclass(frozen=True, slots=True)
class CircumstancesPage:
    """Variables of the page. error: why what was written last was refused, or empty."""

    event_id: str
    event_name: str
    fields: list[Field]
    error: str


def build(store: Store, event_id: str, wrote: Mapping[str, str] | None = None, error: str = "") -> CircumstancesPage:
    """Gather the page; `wrote` and `error`: of a form that was refused."""
    entered = {**store.circumstances(event_id), **(wrote or {})}
    fields = [
        Field(one.name, one.help, list(one.words), one.allowed, _written(entered.get(one.name, "")))
        for one in CIRCUMSTANCES.values()
    ]
    return CircumstancesPage(event_id, store.outline(event_id).name, fields, error)


def _written(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
