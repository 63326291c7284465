"""Where a moment is, and the first look at a recording: what several pages need of each."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import quote

from logger.errors import StoreError
from logger.event import NS_PER_S, Event, FloatArray, IntArray, Recording
from logger.store.store import Store

N_HEAT_COLUMNS = 40


def moment_href(event_id: str, recording: str, onset_s: float) -> str:
    """The address of a moment: by recording and instant, so that it outlives a renumbering of the stumbles."""
    return f"/events/{quote(event_id)}/{quote(recording)}/at/{onset_s:.3f}"


def utc_at(event: Event, offset_ns: int | None) -> datetime | None:
    """Wall clock at an offset from the event's start; None where no clock was ever known."""
    if event.started_utc is None or offset_ns is None:
        return None
    return event.started_utc + timedelta(microseconds=offset_ns / 1000)


@dataclass(frozen=True, slots=True)
class Glance:
    """What the day needs of one recording, read once. unreadable: why nothing could be read, or empty."""

    recording: Recording
    channels: frozenset[str] = frozenset()
    coolant: tuple[IntArray, FloatArray, FloatArray] | None = None
    marks_s: tuple[float, ...] = ()
    unreadable: str = ""


def look(store: Store, event_id: str, recording: Recording) -> Glance:
    """Open one recording for the day's sake; a damaged one must not take the whole page with it."""
    try:
        with store.reader(event_id, recording.name) as reader:
            channels = frozenset(reader.channels)
            coolant = None
            if "coolant_temperature" in channels and recording.duration_ns > 0:
                coolant = reader.overview("coolant_temperature", 0, recording.duration_ns, N_HEAT_COLUMNS)
            marks = reader.pulses("driver_marks") if "driver_marks" in channels else ()
            return Glance(recording, channels, coolant, tuple(float(t) / NS_PER_S for t in marks))
    except StoreError as error:
        return Glance(recording, unreadable=str(error))
