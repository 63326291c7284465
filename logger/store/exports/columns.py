"""What a small table of an event file is made of, and how its rows go out and come in."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

ColumnKind = Literal["text", "whole", "number", "moment", "flag", "json"]
Row = dict[str, Any]

_KINDS: dict[ColumnKind, type | tuple[type, ...]] = {
    "text": str,
    "json": str,
    "whole": int,
    "number": (int, float),
    "flag": (bool, int),
    "moment": (str, datetime),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `moment` is UTC; `json` is a text that holds one JSON value; any of them may be NULL."""

    name: str
    kind: ColumnKind
    meaning: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One small table: what a row is, and its columns."""

    name: str
    meaning: str
    columns: tuple[Column, ...]


def plain(table: Table, row: Row) -> Row:
    """A row with every column of its table in order, moments as ISO 8601 texts."""
    values = {column.name: row.get(column.name) for column in table.columns}
    return {name: value.isoformat() if isinstance(value, datetime) else value for name, value in values.items()}


def typed(table: Table, row: Row) -> Row:
    """The inverse of `plain`. Raises ValueError or TypeError where a value is not what its column holds."""
    values: Row = {}
    for column in table.columns:
        value = row.get(column.name)
        if value is not None and not isinstance(value, _KINDS[column.kind]):
            raise TypeError(f"{table.name}.{column.name} is {value!r:.60}")
        if value is not None and column.kind == "moment":
            value = _utc(value)
        values[column.name] = bool(value) if value is not None and column.kind == "flag" else value
    return values


def _utc(value: Any) -> datetime:
    moment: datetime = datetime.fromisoformat(value) if isinstance(value, str) else value
    try:
        return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
    except OverflowError as error:
        raise ValueError(f"{moment} is before or after all dates there are") from error
