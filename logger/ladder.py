"""The order of failure as a ladder: which signals left normal one after the other, and which together."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Rung:
    """One signal in the order of failure. at_s: after the first. is_same: not told apart from the one before."""

    channel: str
    at_s: float
    plus_minus_s: float
    note: str
    is_same: bool


def ladder(moved: Sequence[dict[str, Any]]) -> list[Rung]:
    """The order of failure as the analysis has it: of signals that left at the same time within their ±, the one that
    feeds the other comes first, also where its time reads later."""
    rungs: list[Rung] = []
    for one in moved:
        at_s, within_s = one["at_s"] - moved[0]["at_s"], one["plus_minus_s"]
        before = rungs[-1] if rungs else None
        is_same = before is not None and abs(at_s - before.at_s) <= within_s + before.plus_minus_s
        rungs.append(Rung(one["channel"], at_s, within_s, one.get("note", ""), is_same))
    return rungs
