"""The page on which fuel, road, weather and vehicle of an event are entered."""

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
    """Variables of the page."""

    event_id: str
    event_name: str
    fields: list[Field]


def build(store: Store, event_id: str) -> CircumstancesPage:
    """Gather the page."""
    entered = store.circumstances(event_id)
    fields = [
        Field(one.name, one.help, list(one.words), one.allowed, _written(entered.get(one.name, "")))
        for one in CIRCUMSTANCES.values()
    ]
    return CircumstancesPage(event_id, store.outline(event_id).name, fields)


def _written(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:g}"
