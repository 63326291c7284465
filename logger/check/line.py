"""One line of a check: what was read, what was expected, what to make of it, and what to do."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from logger.channels import CHANNELS
from logger.conversion import UNITS, from_si
from logger.settings import DisplaySettings

Verdict = Literal["not_judged", "ok", "look", "stop"]

SAFETY_PAGE = "hardware/safety.md, or /safety on the page"
SAFETY = (
    f"Safety first ({SAFETY_PAGE}): out of gear, wheels chocked, in the open air, no leak and no open fuel, "
    "hands clear of fan, belts and coil."
)
"""What is shown wherever a procedure starts."""


@dataclass(frozen=True, slots=True)
class CheckLine:
    """subject: a channel, a part, or another word for what was looked at; label: the same for people.

    verdict: "ok"; "look" is odd but explainable, so somebody should look; "stop" costs the run's recording, or is
    dangerous; "not_judged": this machine cannot tell, or nothing is asked of it. todo: what to do, empty where there is
    nothing.
    """

    subject: str
    label: str
    value: str
    expected: str
    verdict: Verdict = "ok"
    todo: str = ""


def worst(lines: Iterable[CheckLine]) -> Verdict:
    """The gravest verdict among them; "ok" of none, and of what was not judged."""
    order: tuple[Verdict, ...] = ("ok", "look", "stop")
    return max((line.verdict for line in lines if line.verdict in order), key=order.index, default="ok")


def shown(channel: str, value: float, display: DisplaySettings) -> str:
    """A channel's SI value with its unit, as the owner wants to read it; "nothing" for NaN."""
    if not np.isfinite(value):
        return "nothing"
    unit = CHANNELS[channel].unit
    unit = {"kPa": display.pressure, "degC": display.temperature}.get(unit, unit)
    converted = float(from_si(value, unit)) if unit in UNITS else value
    digits = {"V": 2, "bar": 2, "kPa": 0, "psi": 1, "degC": 0, "degF": 0, "%": 0, "g": 2}.get(unit, 1)
    text = f"{converted:.{digits}f}"
    text = text.removeprefix("-") if float(text) == 0.0 else text
    return f"{text} {unit.replace('deg', '°')}".strip()


def between(channel: str, low: float, high: float, display: DisplaySettings) -> str:
    """A range with its unit once, such as "12.00 to 13.40 V"."""
    first, last = shown(channel, low, display), shown(channel, high, display)
    return f"{first.split(' ')[0]} to {last}"
