"""What a recording says of itself: its channels, when and by what it was made, wiring and calibrations of its day."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Literal

from logger.channels import CHANNELS, Kind
from logger.errors import StoreError

Origin = Literal["recorder", "import", "virtual"]


@dataclass(frozen=True, slots=True)
class StoredChannel:
    """One channel of a recording; its number is its place in `RecordingMeta.channels`.

    counts: int16 words of the chip, turned into SI values on reading; otherwise float64 in the channel's SI unit.
    """

    name: str
    kind: Kind
    counts: bool = False

    @property
    def is_pulses(self) -> bool:
        """Times only: pulses and driver marks."""
        return self.kind in ("pulses", "marks")

    @property
    def n_columns(self) -> int:
        """Values at each instant."""
        return 0 if self.is_pulses else 3 if self.kind == "vector" else 1


def stored_channel(name: str, counts: bool = False) -> StoredChannel:
    """A channel of the table of channels as a recording stores it."""
    return StoredChannel(name, CHANNELS[name].kind, counts)


@dataclass(frozen=True, slots=True)
class RecordingMeta:
    """What a recording says of itself. `power_up` orders recordings without a clock; `started_utc` is the
    recording's zero by the system's wall clock (ISO 8601), right or wrong, `clock_is_set` whether it could be believed;
    `started_monotonic_ns` is that zero on `tick_clock`, the clock that all its times, edges too, are on;
    `calibrations` are the conversions that were in force beside the settings, by channel."""

    uuid: str
    channels: tuple[StoredChannel, ...]
    boot_id: str = ""
    power_up: int = 0
    started_monotonic_ns: int = 0
    started_utc: str | None = None
    clock_is_set: bool = False
    tick_clock: str = "monotonic"
    origin: Origin = "recorder"
    settings: Mapping[str, Any] = field(default_factory=dict)
    calibrations: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    program: str = ""

    def number(self, channel: str) -> int:
        """The number of a channel in this file. Raises StoreError where the recording has no such channel."""
        for number, stored in enumerate(self.channels):
            if stored.name == channel:
                return number
        have = ", ".join(stored.name for stored in self.channels) or "none"
        raise StoreError(f"the recording has no channel {channel!r}; it has {have}")

    def to_json(self) -> dict[str, Any]:
        """Plain dictionaries and lists."""
        return asdict(self)

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> "RecordingMeta":
        """The inverse of `to_json`. What a later version may have added to a description is passed over."""
        known = {name: document[name] for name in cls.__slots__ if name in document}
        channels = tuple(StoredChannel(c["name"], c["kind"], c["counts"]) for c in document["channels"])
        return cls(**{**known, "channels": channels})

    def dated(self, clock: Mapping[str, Any] | None) -> "RecordingMeta":
        """With its zero by the clock that was set while it was recorded: {utc, monotonic_ns}, one instant on both."""
        if clock is None:
            return self
        since = timedelta(microseconds=(int(clock["monotonic_ns"]) - self.started_monotonic_ns) / 1000)
        started = datetime.fromisoformat(clock["utc"]) - since
        return replace(self, started_utc=started.isoformat(), clock_is_set=True)
