"""The page on which fuel, road, weather and vehicle of an event are entered."""

from collections.abc import Mapping
from dataclasses import dataclass

from logger.circumstances import CIRCUMSTANCES, Circumstance, Value, checked
from logger.errors import SettingsError
from logger.store.store import Store
from logger.units import SI, Units, unit_of
from web.problems import PageError
from web.texts import text

SI_NAMES = {"kPa": "kPa", "°C": "degC"}
"""Of what is entered, the units that a device may read otherwise."""


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


def build(
    store: Store, event_id: str, units: Units = SI, wrote: Mapping[str, str] | None = None, error: str = ""
) -> CircumstancesPage:
    """Gather the page, numbers in the device's units; `wrote` and `error`: of a form that was refused."""
    entered = store.circumstances(event_id)
    shown = {one.name: _written(one, entered.get(one.name, ""), units) for one in CIRCUMSTANCES.values()}
    shown |= wrote or {}
    fields = [
        Field(one.name, one.help, list(one.words), _allowed(one, units), shown[one.name])
        for one in CIRCUMSTANCES.values()
    ]
    return CircumstancesPage(event_id, store.outline(event_id).name, fields, error)


def enter(store: Store, event_id: str, wrote: Mapping[str, str], units: Units) -> str:
    """Keep what a form says, all of it or nothing; the first thing that was wrong in words, or empty."""
    standing = store.circumstances(event_id)
    entered: dict[str, Value] = {}
    for name, value in wrote.items():
        one = CIRCUMSTANCES.get(name)
        if one is None:
            raise PageError(422, "invalid", text("circumstances.strange", name=name[:40]))
        if value.strip() == _written(one, standing.get(name, ""), units):
            continue  # untouched: what was rounded to be shown must not come back as another value
        try:
            entered[name] = value if one.words or not value.strip() else _si(one, value, units)
            checked({name: entered[name]} if value.strip() else {})
        except (ValueError, SettingsError):
            return text("circumstances.refused", label=one.label, wrote=value, allowed=_allowed(one, units))
    store.enter_circumstances(event_id, entered)
    return ""


def _si(one: Circumstance, written: str, units: Units) -> float:
    return units.to_si(float(written.strip().replace(",", ".")), SI_NAMES.get(one.unit, ""))


def _allowed(one: Circumstance, units: Units) -> str:
    if one.unit not in SI_NAMES:
        return one.allowed
    name = SI_NAMES[one.unit]
    low, high = (units.from_si(end, name) for end in (one.low, one.high))
    return f"{low:.4g} to {high:.4g} {unit_of(name, units)}"


def _written(one: Circumstance, value: Value, units: Units) -> str:
    if isinstance(value, str):
        return value
    name = SI_NAMES.get(one.unit)
    return f"{value:g}" if name is None or units.chosen(name) == name else f"{units.from_si(value, name):.5g}"
