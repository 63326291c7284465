"""Whether a part answers: its errors counted, its retries spaced, its gap closed once it is back."""

from collections.abc import Sequence
from typing import Any

from logger.event import Gap
from logger.sensors.batch import PartHealth, State

PATIENCE = 3
"""Errors in a row that are shrugged off as a disturbance on the bus; from then on the part counts as missing."""

FIRST_RETRY_NS = 100_000_000
LAST_RETRY_NS = 5_000_000_000


class Watch:
    """The watch kept over one part that feeds `channels`."""

    def __init__(self, part: str, where: str, channels: Sequence[str], start_ns: int) -> None:
        self.part = part
        self.where = where
        self.channels = tuple(channels)
        self.state: State = "starting"
        self.message = ""
        self.samples = 0
        self.errors = 0
        self.missed = 0
        self.retry_ns = start_ns
        self.lost_since_ns: int | None = None
        self._in_a_row = 0
        self._last_good_ns = start_ns
        self._delay_ns = FIRST_RETRY_NS
        self._peak_late_ns = 0
        self._gaps: list[Gap] = []

    def good(self, time_ns: int, count: int = 1) -> None:
        """So many samples came, the last taken at `time_ns`; 0: the part is there again. An open gap ends here."""
        if self._in_a_row or self.state != "ok":
            if self.lost_since_ns is not None:
                self._close_gap(time_ns)
            self.state, self.message = "ok", ""
            self._in_a_row, self._delay_ns = 0, FIRST_RETRY_NS
        self.samples += count
        self._last_good_ns = time_ns

    def bad(self, now_ns: int, error: Exception) -> bool:
        """A transaction failed. Returns whether the part now counts as missing; then try again at `retry_ns`."""
        self.errors += 1
        self._in_a_row += 1
        self.message = str(error) or type(error).__name__
        if self.state == "ok" and self._in_a_row < PATIENCE:
            return False
        if self.state != "missing":
            self.state = "missing"
            if self.lost_since_ns is None:
                self.lost_since_ns = self._last_good_ns
        self.retry_ns = now_ns + self._delay_ns
        self._delay_ns = min(2 * self._delay_ns, LAST_RETRY_NS)
        return True

    def late(self, late_ns: int, missed: int = 0) -> None:
        """A sample was started so long after it was due, and so many before it not at all."""
        self._peak_late_ns = max(self._peak_late_ns, late_ns)
        self.missed += missed

    def lost(self, from_ns: int, to_ns: int, why: str, channels: Sequence[str] | None = None) -> None:
        """A stretch is known not to have been recorded: of all channels, where none are named."""
        self._gaps += [Gap(channel, from_ns, to_ns, why) for channel in channels or self.channels]

    def finish(self, now_ns: int) -> None:
        """End an open gap at the end of recording."""
        if self.lost_since_ns is not None:
            self._close_gap(now_ns)

    def take_gaps(self) -> list[Gap]:
        gaps, self._gaps = self._gaps, []
        return gaps

    def health(self, **details: Any) -> PartHealth:
        late_ns, self._peak_late_ns = self._peak_late_ns, 0
        return PartHealth(
            self.part,
            self.where,
            self.state,
            self.message,
            self.samples,
            self.errors,
            self.missed,
            late_ns / 1e6,
            details,
        )

    def _close_gap(self, to_ns: int) -> None:
        if self.lost_since_ns is not None:
            self.lost(self.lost_since_ns, to_ns, self.message)
            self.lost_since_ns = None
