"""The door for scripts and notebooks: any event, from wherever it lies, as arrays and dataclasses."""

from contextlib import ExitStack
from functools import cached_property
from os import PathLike
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from logger.analysis.findings import Findings, Stumble
from logger.channels import CHANNELS
from logger.errors import StoreError
from logger.event import NS_PER_S, Event, IntArray, Recording, Trace
from logger.store.exports.incoming import take_in
from logger.store.exports.stored_findings import findings_of
from logger.store.store import Store

if TYPE_CHECKING:
    import pandas as pd


def open_event(path: "str | PathLike[str]", event: str = "latest") -> "OpenEvent":
    """See `logger.store.open_event`."""
    where = Path(path)
    with ExitStack() as stack:
        if (where / "logbook.sqlite").is_file():
            store = stack.enter_context(Store(where))
        else:
            # Imported into a store that lasts as long as the event is open: one way in, with all its checks.
            store = stack.enter_context(Store(Path(stack.enter_context(TemporaryDirectory(prefix="stumblelog-")))))
            take_in(store, where)
        return OpenEvent(store, store.find(event), stack.pop_all())


class OpenEvent:
    """One event. Times are nanoseconds (arrays) or seconds (findings) since the start of their recording; SI units."""

    def __init__(self, store: Store, event_id: str, resources: ExitStack) -> None:
        self._store = store
        self._resources = resources
        self.event_id = event_id
        self.outline: Event = store.outline(event_id)

    @property
    def name(self) -> str:
        """The event's name."""
        return self.outline.name

    @property
    def recordings(self) -> tuple[str, ...]:
        """Names of its recordings in time order."""
        return tuple(recording.name for recording in self.outline.recordings)

    @cached_property
    def findings(self) -> Findings | None:
        """What the analysis found, or None where it never looked at this event; `analyse()` does."""
        found = self._store.findings(self.event_id)
        return None if found is None else findings_of(found, self.event_id)

    @property
    def stumbles(self) -> list[Stumble]:
        """Every stumble that was found. Raises StoreError where the event was never analysed."""
        if self.findings is None:
            raise StoreError(f"{self.event_id}: not analysed yet; call analyse() first")
        return self.findings.stumbles

    def analyse(self) -> Findings:
        """Analyse the event now, whatever was found before."""
        from logger.analysis import analyse

        self.findings = analyse(self._store.event_on_file(self.event_id), earlier=self._store.earlier(self.event_id))
        return self.findings

    def channels(self, recording: str) -> tuple[str, ...]:
        """Names of a recording's channels."""
        with self._store.reader(self.event_id, recording) as reader:
            return reader.channels

    def trace(self, recording: str, channel: str, from_s: float | None = None, to_s: float | None = None) -> Trace:
        """A sampled channel, all of it or from one second to another, values in SI units, NaN where absent."""
        with self._store.reader(self.event_id, recording) as reader:
            return reader.read(channel, _ns(from_s), _ns(to_s))

    def pulses(self, recording: str, channel: str, from_s: float | None = None, to_s: float | None = None) -> IntArray:
        """Times of a pulse channel or of the driver's marks, int64 ns, shape (n,)."""
        with self._store.reader(self.event_id, recording) as reader:
            return reader.pulses(channel, _ns(from_s), _ns(to_s))

    def counts(self, recording: str, channel: str) -> Trace:
        """A channel as the chip gave it, before any calibration. Raises StoreError where values were stored."""
        with self._store.reader(self.event_id, recording) as reader:
            stored = reader.meta.channels[reader.meta.number(channel)]
            series = reader.raw(channel)
        if not stored.counts or series.raw is None:
            raise StoreError(f"{channel} of {recording} was stored as values; there are no counts")
        return Trace(series.time_ns, np.asarray(series.raw, dtype=np.float64))

    def recording(self, name: str) -> Recording:
        """A whole recording as the analysis takes it."""
        with self._store.reader(self.event_id, name) as reader:
            return reader.recording(name)

    def event(self) -> Event:
        """The whole event as the analysis takes it, all its samples in memory."""
        return self._store.event(self.event_id)

    def to_pandas(self, recording: str, *channels: str) -> "pd.DataFrame":
        """Sampled channels of a recording side by side, by default all but the pulses.

        The index is `time_s`; where the recording's begin is known, column `time_utc` has the wall clock. Channels
        are sampled at instants of their own, so that each row holds those of its instant and NaN for the others.
        Raises StoreError where pandas is not installed.
        """
        try:
            import pandas as pd
        except ModuleNotFoundError as error:
            raise StoreError("pandas is not installed; install it with: pip install pandas") from error
        with self._store.reader(self.event_id, recording) as reader:
            known = {stored.name for stored in reader.meta.channels if not stored.is_pulses}
            traces = reader.reads(list(channels) or sorted(known, key=list(CHANNELS).index))
        frames = [_columns(pd, name, trace) for name, trace in traces.items() if trace.time_ns.size]
        whole = pd.concat(frames, axis=1).sort_index() if frames else pd.DataFrame()
        whole.index = pd.Index(whole.index.to_numpy(dtype=np.int64) / NS_PER_S, name="time_s")
        started = next(one for one in self._store.recordings(self.event_id) if one.name == recording).started_utc
        if started is not None:
            whole.insert(0, "time_utc", pd.Timestamp(started) + pd.to_timedelta(whole.index.to_numpy(), unit="s"))
        return whole

    def close(self) -> None:
        """Close the event's files; may be called twice."""
        self._resources.close()

    def __enter__(self) -> "OpenEvent":
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"OpenEvent({self.event_id!r}, {len(self.recordings)} recordings)"


def _columns(pd: Any, name: str, trace: Trace) -> Any:
    """One channel as a frame over its times; of samples at one instant the last one stands."""
    value = trace.value.reshape(trace.time_ns.size, -1)
    names = [name] if value.shape[1] == 1 else [f"{name}_{axis}" for axis in "xyz"]
    frame = pd.DataFrame(value, index=trace.time_ns, columns=names)
    return frame[~frame.index.duplicated(keep="last")]


def _ns(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds * NS_PER_S)
