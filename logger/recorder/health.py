"""How the recorder itself is doing: counters that are handed out as one frozen object."""

from dataclasses import dataclass
from typing import Any

from logger.sensors.batch import PartHealth

STALLING_S = 5


@dataclass(frozen=True, slots=True)
class CommitHealth:
    """The committing side.

    committed: seconds safely stored. buffered: seconds waiting. max_buffered: where data begin to be lost.
    peak_buffered: the most that ever waited. dropped: seconds lost because the buffer was full. failures: commits that
    failed and were tried again. last_commit_ms, peak_commit_ms: time of one commit. problem: empty, or what is wrong.
    """

    committed: int = 0
    buffered: int = 0
    max_buffered: int = 0
    peak_buffered: int = 0
    dropped: int = 0
    failures: int = 0
    last_commit_ms: float = 0.0
    peak_commit_ms: float = 0.0
    problem: str = ""

    @property
    def is_stalling(self) -> bool:
        """The card is slow to take what comes."""
        return self.buffered > STALLING_S

    @property
    def is_losing(self) -> bool:
        """What comes now no longer fits into memory."""
        return self.max_buffered > 1 and self.buffered >= self.max_buffered


@dataclass(frozen=True, slots=True)
class RecorderHealth:
    """The whole recorder. samples, pulses: since the start. late_polls: loops that ended more than 50 ms late.
    peak_late_ms: the latest of them."""

    commit: CommitHealth
    seconds: int = 0
    samples: int = 0
    pulses: int = 0
    late_polls: int = 0
    peak_late_ms: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionaries, as they go into live.json and into the recording."""
        return {**fields_of(self), "commit": fields_of(self.commit)}


def part_dict(part: PartHealth) -> dict[str, Any]:
    """A part's health as it goes into live.json and into the recording."""
    return {**fields_of(part), "details": dict(part.details)}


def fields_of(record: Any) -> dict[str, Any]:
    """One level of a dataclass; dataclasses.asdict copies deeply, which ten times a second is felt."""
    return {name: getattr(record, name) for name in record.__slots__}
