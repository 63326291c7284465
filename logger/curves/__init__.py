"""Sensor curves as files, one for each kind of sensor: the law, for whom it is, and where its numbers were read.

A channel of the settings takes one by name, `curve = "ntc_2500"`; what the channel says itself comes first. How to make
one of your own is told in hardware/curves.md. Curves are read as the settings are, so a recording's snapshot carries
the numbers, not the name.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from logger.errors import SettingsError


@dataclass(frozen=True, slots=True)
class CurveFile:
    """label: for people. source: where the numbers were read, and how sure it is. channel: keys of [channels.NAME]."""

    name: str
    label: str
    source: str
    channel: Mapping[str, Any]


@cache
def names() -> tuple[str, ...]:
    """The curves there are, sorted."""
    here = files("logger.curves")
    return tuple(sorted(path.name.removesuffix(".toml") for path in here.iterdir() if path.name.endswith(".toml")))


@cache
def load(name: str) -> CurveFile:
    """A curve by its name. Raises SettingsError naming those there are."""
    if name not in names():
        raise SettingsError(f"curve is {name!r}; there are {', '.join(names())}")
    document = tomllib.loads(files("logger.curves").joinpath(f"{name}.toml").read_text(encoding="utf-8"))
    return CurveFile(name, document["label"], document["source"], document["channel"])
