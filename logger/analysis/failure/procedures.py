"""The bench procedures of procedures.toml, as objects; all their text lives in that file."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from logger.event import Cause

Stage = Literal["look", "measure", "provoke"]


@dataclass(frozen=True, slots=True)
class Limit:
    """What must be seen for a pass, and where the value comes from."""

    passes: str
    source: str


@dataclass(frozen=True, slots=True)
class Procedure:
    """One thing to do by hand; the fields are explained at the head of procedures.toml. `cautions` is their text."""

    key: str
    cause: Cause
    stage: Stage
    title: str
    steps: tuple[str, ...]
    limits: tuple[Limit, ...]
    minutes: int
    suspects: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    weight: float = 1.0
    suits: Literal["heat", "shock"] | None = None
    fuel: Literal["injection", "carburettor"] | None = None


@cache
def procedures() -> tuple[Procedure, ...]:
    """Every procedure, in the order of the file."""
    book = _book()
    return tuple(_procedure(entry, book["sources"], book["cautions"]) for entry in book["procedures"])


@cache
def sub_causes() -> dict[str, Cause]:
    """The sub-cause words, each with the cause that it narrows."""
    return {word: entry["cause"] for word, entry in _book()["sub_causes"].items()}


@cache
def _book() -> dict[str, Any]:
    return tomllib.loads(files("logger.analysis.failure").joinpath("procedures.toml").read_text(encoding="utf-8"))


def _procedure(entry: dict[str, Any], sources: dict[str, str], cautions: dict[str, str]) -> Procedure:
    limits = tuple(Limit(limit["passes"], sources[limit.get("source", "common")]) for limit in entry["limits"])
    return Procedure(
        **entry
        | {
            "limits": limits,
            "steps": tuple(entry["steps"]),
            "suspects": tuple(entry.get("suspects", ())),
            "cautions": tuple(cautions[key] for key in entry.get("cautions", ())),
        }
    )
