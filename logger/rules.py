"""What one key of the settings may be: a rule of kind, default, unit, range and help, and values checked against it."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from logger.errors import SettingsError

REQUIRED: Any = object()
"""As default: the key has none and must be given."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One key. kind: text, switch, number, whole, word (one of `words`), numbers, pairs (of numbers) or texts."""

    kind: str
    help: str
    default: Any = REQUIRED
    unit: str = ""
    low: float | None = None
    high: float | None = None
    words: tuple[Any, ...] = ()

    @property
    def allowed(self) -> str:
        """What is allowed, in words, for errors and documents."""
        if self.words:
            return "one of " + ", ".join(map(self.show, self.words))
        noun = {
            "text": "a text in quotes",
            "switch": "true or false",
            "whole": "a whole number",
            "number": "a number",
            "numbers": "a list of numbers, [1.0, 2.0, 3.0]",
            "pairs": "a list of pairs, [[1.0, 2.0], [3.0, 4.0]]",
            "texts": 'a list of texts, ["+x", "+y", "+z"]',
        }[self.kind]
        limits = f" from {self.low:g} to {self.high:g}" if self.low is not None and self.high is not None else ""
        return noun + limits + (f" ({self.unit})" if self.unit else "")

    def show(self, value: Any) -> str:
        """A value as a person would write it: addresses in hexadecimal, as on the board."""
        if self.unit == "I2C address" and isinstance(value, int):
            return f"0x{value:02x}"
        return f"{value:g}" if isinstance(value, float) else str(value)

    def take(self, value: Any) -> Any:
        """The value as the dataclass keeps it. Raises ValueError where it is not allowed."""
        taken = self._take(value)
        if taken is None:
            shown = self.show(value) if self.unit == "I2C address" else repr(value)
            raise ValueError(f"is {shown}; it must be {self.allowed}")
        return taken

    def read(self, written: str) -> Any:
        """The value of what a person wrote into a field, decimal comma or point; empty means the default.

        Raises ValueError where it is not allowed, or the key must be given.
        """
        text = written.strip()
        if not text and self.default is not REQUIRED:
            return self.default
        if not text:
            raise ValueError(f"is empty; it must be {self.allowed}")
        if self.words:
            return self.take(next((word for word in self.words if str(word) == text), text))
        if self.kind in ("whole", "number"):
            return self.take(_number(text, int if self.kind == "whole" else float))
        return self.take(text)

    def _take(self, value: Any) -> Any:
        if self.words:
            known = not isinstance(value, bool) and value in self.words
            return self.words[self.words.index(value)] if known else None
        match self.kind:
            case "text":
                return value if isinstance(value, str) else None
            case "switch":
                return value if isinstance(value, bool) else None
            case "whole":
                return value if isinstance(value, int) and _is_number(value) and self._in_range(value) else None
            case "number":
                return float(value) if _is_number(value) and self._in_range(value) else None
            case "texts":
                return tuple(value) if _is_list(value) and all(isinstance(item, str) for item in value) else None
            case "pairs":
                good = _is_list(value) and all(_is_list(row) and len(row) == 2 and _are_numbers(row) for row in value)
                return tuple((float(row[0]), float(row[1])) for row in value) if good else None
        return tuple(float(item) for item in value) if _is_list(value) and _are_numbers(value) else None

    def _in_range(self, value: float) -> bool:
        return self.low is None or self.high is None or self.low <= value <= self.high


def key(kind: str, help: str, default: Any = REQUIRED, **limits: Any) -> Any:
    """A dataclass field with its rule; without a default it must be given in the file."""
    rule = Rule(kind, help, default, **limits)
    return field(metadata={"rule": rule}) if default is REQUIRED else field(default=default, metadata={"rule": rule})


def rules_of(kind: type) -> dict[str, Rule]:
    """The rules of a dataclass made of `key` fields."""
    return {item.name: item.metadata["rule"] for item in fields(kind)}


def take_table(where: str, section: str, table: Any, known: Mapping[str, Rule]) -> dict[str, Any]:
    """Checked values of one section. Raises SettingsError naming `where`, the key and what is allowed."""
    if not isinstance(table, Mapping):
        raise SettingsError(f"{where}: {section} must be a section of its own, [{section}]")
    for name in table:
        if name not in known:
            raise SettingsError(f"{where}: {section}.{name} is not a setting; [{section}] has {', '.join(known)}")
    for name, rule in known.items():
        if rule.default is REQUIRED and name not in table:
            raise SettingsError(f"{where}: {section}.{name} is missing ({rule.help}); it must be {rule.allowed}")
    values = {}
    for name, value in table.items():
        try:
            values[name] = known[name].take(value)
        except ValueError as error:
            raise SettingsError(f"{where}: {section}.{name} {error}") from error
    return values


def _number(text: str, kind: type[int] | type[float]) -> int | float | str:
    """The number, or the text itself where it is none."""
    try:
        return kind(text.replace(",", "."))
    except ValueError:
        return text


def _is_list(value: Any) -> bool:
    return isinstance(value, list | tuple)


def _are_numbers(values: Any) -> bool:
    return all(map(_is_number, values))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e15
