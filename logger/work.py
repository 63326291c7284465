"""The worker: mends, analyses and compacts recordings beside the page, at low priority.

It owns nothing that cannot be made again. A crash here costs neither a sample nor an entry, only time.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from logger.analysis.findings import Findings
from logger.errors import AnalysisError, StoreError, UnreadableError
from logger.event import NS_PER_S
from logger.first_look import first_look
from logger.store.compaction import compact
from logger.store.entries import EventEntry
from logger.store.salvage import salvage
from logger.store.schema import RecordingBusyError
from logger.store.store import Store

ROUND_S = 0.5
"""A recording shows a second at most 1 s after its end, so findings can be there within 3 s after a run."""

STANDING_STILL_S = 5.0
"""An open recording that has not grown for so long is written by nobody: a power cut ended it."""

BUSY_OVER_IDLE = 1.5
DEFAULT_IDLE_RPM = 900.0


def analyse_event(store: Store, event_id: str, progress: Callable[[float], None] | None = None) -> Findings:
    """Analyse a stored event, keep its findings and what they mean for the other events of the car, return them."""
    from logger import season
    from logger.analysis import analyse, commission

    store.scan()
    # Taken before reading: what changes meanwhile then makes the findings stale instead of silently wrong.
    fingerprint = store.input_fingerprint(event_id)
    try:
        event = store.event_on_file(event_id)
        findings = analyse(event, earlier=store.earlier(event_id), progress=progress)
    except UnreadableError as error:
        store.leave_out(event_id, error.recording, str(error))
        return analyse_event(store, event_id, progress)
    left_out = [f"{r.name} was left out: {r.reason}" for r in store.recordings(event_id) if not r.readable]
    findings = replace(findings, not_judged=[*findings.not_judged, *left_out])
    store.save_findings(event_id, findings.as_json(), fingerprint)
    if event_id in store.commissioned():
        store.save_commissioning(event_id, commission.judge(findings, event).as_json())
    season.keep(store)
    return findings


class RunWatch:
    """Tells, once for each, that a run in a recording still open is over, so that it is looked at without delay."""

    def __init__(self, busy_rpm: float) -> None:
        self._busy_rpm = busy_rpm
        self._ran = True  # what was there before anybody watched has not been looked at

    def is_over(self, rpm: float, growing: bool) -> bool:
        """`rpm`: speed in the newest second; `growing`: whether the recording still grows."""
        if growing and rpm > self._busy_rpm:
            self._ran = True
            return False
        over, self._ran = self._ran, False
        return over


class Worker:
    """Does what is due, one round at a time."""

    def __init__(
        self,
        store: Store,
        *,
        analyse: Callable[[Store, str], Findings] = analyse_event,
        first_look: Callable[[Store, str], bool] = first_look,
        compact: Callable[[Path], object] = compact,
        say: Callable[[str], None] = lambda text: None,
        monotonic: Callable[[], float] = time.monotonic,
        standing_still_s: float = STANDING_STILL_S,
    ) -> None:
        self._store = store
        self._analyse = analyse
        self._first_look = first_look
        self._compact = compact
        self._say = say
        self._monotonic = monotonic
        self._standing_still_s = standing_still_s
        self._watches: dict[str, RunWatch] = {}
        self._grew: dict[str, tuple[int, float]] = {}
        self._refused: dict[str, str] = {}
        self._given_up: set[tuple[str, str]] = set()
        self._compacted: set[str] = set()
        self._again: set[str] = set()
        self._revision = -1

    def run(self, stop: threading.Event) -> None:
        """Do rounds until `stop` is set. An error of the store is said and tried again in the next round."""
        said = ""
        while not stop.is_set():
            try:
                self.round()
                said = ""
            except StoreError as error:
                self._revision = -1
                if str(error) != said:
                    said = str(error)
                    self._say(said)
            stop.wait(ROUND_S)

    def round(self) -> bool:
        """Mend what a power cut or the card has damaged, analyse what is stale, compact what has ended.

        Returns whether anything was done. Looking at every event costs; where only recordings have grown, only their
        events are looked at.
        """
        touched = self._store.scan()
        revision = self._store.logbook.revision()
        everything, self._revision = revision != self._revision, revision
        again, self._again = self._again, set()
        for entry in self._store.events(look=False):
            event_id = entry.event_id
            if not (everything or entry.recording_now or event_id in touched or event_id in again):
                continue
            done = self._mend(event_id)
            if self._is_due(entry):
                self._analyse_one(event_id)
                done = True
            if done:
                self._again.add(event_id)  # mending and reading may have changed what there is to analyse
            self._compact_closed(event_id)
        return bool(self._again)

    def _mend(self, event_id: str) -> bool:
        """Close recordings that nobody writes any more, and save what is whole of damaged ones."""
        done = False
        for stored in self._store.recordings(event_id):
            left_open = stored.state == "open" and not self._is_growing(stored.file, stored.duration_ns)
            if not left_open and (stored.state != "damaged" or (stored.file, stored.stamp) in self._given_up):
                continue
            try:
                self._say(str(salvage(self._store.data_dir / stored.file)))
                self._store.look_again(stored)
                done = True
            except RecordingBusyError:
                continue  # its recorder waits for the card
            except StoreError as error:
                self._say(str(error))
            self._given_up.add((stored.file, stored.stamp))
        return done

    def _is_due(self, entry: EventEntry) -> bool:
        if entry.recording_now and not self._run_is_over(entry.event_id):
            return False
        if self._store.has_fresh_findings(entry.event_id):
            return False
        return self._refused.get(entry.event_id) != self._store.input_fingerprint(entry.event_id)

    def _compact_closed(self, event_id: str) -> None:
        for stored in self._store.recordings(event_id):
            if stored.state == "closed" and stored.file not in self._compacted:
                try:
                    self._compact(self._store.data_dir / stored.file)
                except StoreError as error:  # somebody is reading it; there is no hurry
                    self._say(str(error))
                else:
                    self._compacted.add(stored.file)

    def _analyse_one(self, event_id: str) -> None:
        try:
            if self._first_look(self._store, event_id):
                self._say(f"{event_id}: the newest run has been looked at, now the whole event")
            findings = self._analyse(self._store, event_id)
        except AnalysisError as error:
            self._refused[event_id] = self._store.input_fingerprint(event_id)
            self._say(f"{event_id}: {error}")
        else:
            self._say(f"{event_id}: {len(findings.stumbles)} stumbles")
            self._revision = -1  # what it taught may bear on later events of the car: look at all of them once

    def _run_is_over(self, event_id: str) -> bool:
        engine = self._store.outline(event_id).engine
        for stored in self._store.recordings(event_id):
            if stored.state != "open":
                continue
            with self._store.reader(event_id, stored.name) as reader:
                end_ns = reader.duration_ns
                has_tach = "tach_pulses" in reader.channels
                pulses = reader.pulses("tach_pulses", end_ns - NS_PER_S) if has_tach else ()
            busy_rpm = BUSY_OVER_IDLE * (engine.idle_rpm or DEFAULT_IDLE_RPM)
            watch = self._watches.setdefault(stored.file, RunWatch(busy_rpm))
            rpm = 60.0 * len(pulses) / engine.pulses_per_revolution
            if not watch.is_over(rpm, self._is_growing(stored.file, end_ns)):
                return False
        return True

    def _is_growing(self, file: str, duration_ns: int) -> bool:
        known, since = self._grew.get(file, (-1, 0.0))
        if duration_ns != known:
            known, since = self._grew[file] = (duration_ns, self._monotonic())
        return self._monotonic() - since < self._standing_still_s
