"""A sign: one stretch of one kind of evidence that the engine missed. Detectors give signs, stumbles.py joins them."""

from dataclasses import dataclass
from typing import Literal

DENSE_NS = 50_000_000  # between samples: what supplies and rails do lasts longer

SignKind = Literal[
    "lost_pulses", "no_spark", "weak_torque", "lame_cylinder", "supply_dip", "low_pressure", "lean", "no_injection",
    "died", "stray_edges",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sign:
    """Evidence from one channel between two times (ns since the recording's start).

    lost: firings lost by this evidence alone, where it can count them. strength: log-likelihood ratio (natural), about:
    how much better "the engine missed" explains the data than "it ran on".
    earliest_ns: the signal may have left normal as early as this (the last sample or pulse that was still good).
    engine_ns: the first firing that this cannot have left sound; None where the sign does not tell.
    sated_ns: until when it can have left none sound; None where that is its end.
    """

    kind: SignKind
    channel: str
    from_ns: int
    to_ns: int
    lost: float = 0.0
    strength: float = 0.0
    earliest_ns: int | None = None
    engine_ns: int | None = None
    sated_ns: int | None = None
    note: str = ""

    @property
    def felt_ns(self) -> int:
        """From when on the engine felt it, as far as the sign tells."""
        return self.from_ns if self.engine_ns is None else self.engine_ns

    @property
    def one_sample(self) -> bool:
        """Whether it rests on one of many samples a second, which noise on a sensor's wire can be."""
        earliest_ns = self.from_ns if self.earliest_ns is None else self.earliest_ns
        return self.from_ns == self.to_ns and self.from_ns - earliest_ns < DENSE_NS
