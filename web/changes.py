"""Settings changed from the page: engine data, the event that recordings to come belong to, and everybody's units.

What is entered is laid over the settings that the recordings carry (logger/store/changes.py); the settings file itself
belongs to the recorder, and no entry here can stop it.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from logger.errors import SettingsError
from logger.event import Engine
from logger.rules import REQUIRED, Rule
from logger.settings import EventSettings, Settings, rules
from logger.settings_check import check
from logger.store.changes import CHANGEABLE, MOST_LETTERS, Change
from logger.store.store import Store
from web.texts import text

Written = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Field:
    """One key: words to choose from, or a number or text as `allowed` says. value: in force, or as somebody wrote it.

    optional: may be left empty. error: what is wrong with what was written, or empty.
    """

    name: str
    help: str
    words: list[str]
    allowed: str
    value: str
    optional: bool
    error: str


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """One entry of the history, in words; taken_back: it does not count any more."""

    change_id: int
    said: str
    entered_utc: datetime
    taken_back: bool


@dataclass(frozen=True, slots=True)
class FileLine:
    """A setting that only the settings file can change."""

    name: str
    value: str
    help: str


@dataclass(frozen=True, slots=True)
class EnginePage:
    """Variables of the page on one event's engine."""

    event_id: str
    event_name: str
    fields: list[Field]
    history: list[ChangeLine]


def recorded(store: Store, settings: Settings, section: str, event_id: str | None = None) -> dict[str, Any]:
    """A section as the event was recorded, or this logger's newest recording; before there is one, as in the file."""
    if event_id is not None:
        return asdict(store.recorded_engine(event_id))
    if section == "display":  # a matter of who reads, not of the recording
        return asdict(settings.display)
    snapshot = newest_settings(store)
    if section == "engine":
        return asdict(Engine(**snapshot["engine"]) if snapshot else settings.engine)
    return asdict(EventSettings(**snapshot.get("event", {})) if snapshot else settings.event)


def in_force(store: Store, settings: Settings, section: str, event_id: str | None = None) -> dict[str, Any]:
    """The values of a section as they count now."""
    if event_id is not None:
        return asdict(store.engine(event_id))
    found = recorded(store, settings, section)
    said = {one.key: one.value for one in store.changes() if one.section == section and counts(one, found)}
    return found | said


def counts(one: Change, found: Mapping[str, Any]) -> bool:
    """Whether a change of every event counts for what is recorded now."""
    return one.removed_utc is None and found.get(one.key) == one.was


def newest_settings(store: Store) -> Mapping[str, Any]:
    """The snapshot of the settings in the newest recording of this logger; empty where there is none."""
    for event in store.events():
        held = [] if event.imported else [one for one in store.recordings(event.event_id) if one.readable]
        for one in reversed(held):
            with store.reader(event.event_id, one.name) as reader:
                return reader.meta.settings
    return {}


def fields(section: str, values: Mapping[str, Any], written: Written, errors: Mapping[str, str]) -> list[Field]:
    """The form of a section; `written` and `errors`: what somebody wrote last, where it was refused."""
    return [
        Field(
            name,
            rule.help,
            [str(word) for word in rule.words],
            rule.allowed,
            written.get(name, _shown(rule, values[name])),
            rule.default is not REQUIRED and rule.default in (None, ""),
            errors.get(name, ""),
        )
        for name, rule in CHANGEABLE[section].items()
    ]


def enter(
    store: Store, settings: Settings, section: str, written: Written, event_id: str | None = None
) -> dict[str, str]:
    """Keep what differs from the values in force; or nothing at all, and say by key what is wrong."""
    now = in_force(store, settings, section, event_id)
    wanted: dict[str, Any] = {}
    errors: dict[str, str] = {}
    for name, rule in CHANGEABLE[section].items():
        if name not in written:
            continue
        try:
            value = rule.read(written[name])
            if isinstance(value, str) and len(value) > MOST_LETTERS:
                raise ValueError(text("changes.long", n=MOST_LETTERS))
        except ValueError as error:
            errors[name] = f"it {error}"
        else:
            if value != now[name]:
                wanted[name] = value
    if not errors and (crossed := _crossed({**now, **wanted})):
        errors["redline_rpm"] = crossed
    if wanted and not errors:
        store.change(section, wanted, event_id, was=recorded(store, settings, section, event_id))
    return errors


def change(
    store: Store, settings: Settings, section: str, values: Mapping[str, Any], event_id: str | None = None
) -> list[int]:
    """Keep values that a program sent; the ids of the entries. Raises SettingsError where one is not allowed."""
    if crossed := _crossed({**in_force(store, settings, section, event_id), **values}):
        raise SettingsError(f"{section}.redline_rpm: {crossed}")
    return store.change(section, values, event_id, was=recorded(store, settings, section, event_id))


def _crossed(values: Mapping[str, Any]) -> str:
    """What is wrong where the idle is not below the highest speed, or empty."""
    idle, high = values.get("idle_rpm"), values.get("redline_rpm")
    if isinstance(idle, int | float) and isinstance(high, int | float) and high <= idle:
        return text("changes.idle_not_below", high=high, idle=idle)
    return ""


def history(store: Store, event_id: str | None = None) -> list[ChangeLine]:
    """What was changed, the newest first."""
    return [_line(one) for one in reversed(store.changes(event_id))]


def engine_page(store: Store, settings: Settings, event_id: str, written: Written, errors: Written) -> EnginePage:
    """Gather the page on one event's engine."""
    values = in_force(store, settings, "engine", event_id)
    shown = fields("engine", values, written, errors)
    return EnginePage(event_id, store.outline(event_id).name, shown, history(store, event_id))


def does_not_fit(settings: Settings, engine: Engine) -> str:
    """Why the recorder's wiring does not go with this engine, such as a dead time too long for it; empty: it does."""
    try:
        check(replace(settings, engine=engine))
    except ValueError as error:
        return str(error)
    return ""


def of_the_file(settings: Settings) -> list[FileLine]:
    """What only the settings file can change, with its value there."""
    document = settings.to_dict()
    lines = []
    for section, name, rule in rules():
        if section in CHANGEABLE or section == "channels.NAME" or section not in document:
            continue
        lines.append(FileLine(f"{section}.{name}", _shown(rule, document[section].get(name)), rule.help))
    for channel, table in document["channels"].items():
        said = ", ".join(f"{key} {table[key]}" for key in ("input", "rate_hz", "gain"))
        lines.append(FileLine(f"channels.{channel}", f"chip 0x{table['chip']:02x}, {said}", text("changes.wiring")))
    return lines


def _shown(rule: Rule, value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()  # as the file has it
    return ", ".join(map(str, value)) if isinstance(value, list) else rule.show(value)


def _line(one: Change) -> ChangeLine:
    rule = CHANGEABLE[one.section].get(one.key)
    value = "" if rule is None else _shown(rule, one.value)
    help_text = one.key if rule is None else rule.help
    was = "" if rule is None else _shown(rule, one.was)
    unknown = text("changes.unknown")
    said = text("changes.line", what=help_text[:1].upper() + help_text[1:], value=value or unknown, was=was or unknown)
    return ChangeLine(one.id, said, one.entered_utc, one.removed_utc is not None)
