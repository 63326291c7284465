"""Findings from their JSON back to dataclasses, checked on the way."""

from dataclasses import MISSING, fields
from typing import Any, TypeVar

from logger.analysis.findings import (
    FailedStart,
    Findings,
    Moved,
    NextTest,
    RepairVerdict,
    SensorFault,
    Stumble,
)
from logger.errors import StoreError

_Kind = TypeVar("_Kind")
_PARTS: dict[str, type] = {
    "stumbles": Stumble,
    "sensor_faults": SensorFault,
    "failed_starts": FailedStart,
    "repairs": RepairVerdict,
    "next_tests": NextTest,
}


def findings_of(document: Any, where: object) -> Findings:
    """The object of `analyse --json` as dataclasses. Raises StoreError, naming `where`, where it is none."""
    try:
        given = {
            **document,
            **{key: [_build(kind, one) for one in document.get(key, [])] for key, kind in _PARTS.items()},
        }
        return _build(Findings, given)
    except (AttributeError, KeyError, TypeError) as error:
        raise StoreError(f"{where}: the findings are not as `analyse --json` prints them: {error}") from error


def _build(kind: type[_Kind], document: dict[str, Any]) -> _Kind:
    """One dataclass; keys that a newer version may have added are left out."""
    known = {field.name: field for field in fields(kind)}  # type: ignore[arg-type]
    for name, field in known.items():
        if name not in document and field.default is MISSING and field.default_factory is MISSING:
            raise KeyError(f"{kind.__name__} has no {name}")
    values = {name: value for name, value in document.items() if name in known}
    if kind is Stumble:
        values["order"] = [_build(Moved, moved) for moved in values["order"]]
    return kind(**values)
