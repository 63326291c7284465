"""A small season in a store: short recordings, and findings that hold the exposure of invented runs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from logger.analysis.findings import Findings, Stumble
from logger.analysis.links import exposure
from logger.analysis.links.frames import frame
from logger.event import Cause, Engine, Event, EventKind, Repair
from logger.store.capture_out import write_folder
from logger.store.store import Store
from tests.analysis.invented import ENGINE, run, stumble
from tests.store.events import small_recording

KNOCKS = [(6.0, 3.0), (14.0, 2.6), (23.0, 3.0), (31.0, 2.6), (44.0, 4.0), (52.0, 3.0)]
FEED = "renewed the coil feed wire"
WARM = (80.0, 95.0)
FAILED, CLEAN = "failed", "clean"
NOTHING = Findings([], [], [], [], None, [], None, None)


@dataclass(frozen=True, slots=True)
class Day:
    """One event to be put in: a word, FAILED or CLEAN, for each run. hits: the knocks of every run."""

    name: str
    runs: Sequence[str]
    started_utc: datetime | None = None
    repairs: tuple[Repair, ...] = ()
    kind: EventKind = "competition"
    linked_shock: bool | None = True
    hits: Sequence[tuple[float, float]] = tuple(KNOCKS)
    degc: tuple[float, float] = WARM
    engine: Engine = ENGINE


def three_bursts(name: str, cause: Cause = "ignition_primary") -> list[Stumble]:
    """Three bursts in a run of KNOCKS, each right after a knock."""
    return [stumble(name, at, cause=cause) for at in (6.03, 14.03, 44.03)]


def exposure_of(name: str, word: str, day: Day) -> dict[str, Any]:
    """What the findings keep of one run of 60 s, driven throughout."""
    stumbles = three_bursts(name) if word == FAILED else []
    return exposure.summarise(frame(run(name, day.hits, day.degc), ENGINE, [(0.0, 60.0)], stumbles)).to_dict()


def put_in(store: Store, folder: Path, day: Day) -> str:
    """Enter one event with its findings, fresh; returns its id."""
    names = [f"r{number:02d}" for number in range(1, len(day.runs) + 1)]
    event = Event(
        name=day.name,
        kind=day.kind,
        engine=day.engine,
        started_utc=day.started_utc,
        recordings=tuple(
            small_recording(name, None if day.started_utc is None else 600.0 * n) for n, name in enumerate(names)
        ),
        repairs=day.repairs,
    )
    write_folder(event, folder)
    event_id = store.import_folder(folder)
    failed = [name for name, word in zip(names, day.runs, strict=True) if word == FAILED]
    findings = replace(
        NOTHING,
        stumbles=[one for name in failed for one in three_bursts(name)],
        main_cause="ignition_primary" if failed else None,
        linked_heat=False if failed else None,
        linked_shock=day.linked_shock if failed else None,
        exposure=[exposure_of(name, word, day) for name, word in zip(names, day.runs, strict=True)],
    )
    store.save_findings(event_id, findings.as_json(), store.input_fingerprint(event_id))
    return event_id
