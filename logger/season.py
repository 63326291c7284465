"""A car's season from the logbook alone: repairs judged over all its events, and what a bench session has reached.

    of_car(store, event_id) -> Season                   the events of that event's car, in time order
    every_car(store) -> list[Season]
    keep(store)                                         lay what the season tells over each event's findings

No recording is opened: the findings keep each run's exposure (analysis/exposure.py). Two events are of one car where
their descriptions of the engine agree wherever both say something; the idle speed, which a screw changes, is left out.
Events without a date stand where they were entered, after the event before them. Commissioning tests count for nothing:
their stumbles were made on purpose.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

from logger.analysis.findings import RepairVerdict
from logger.analysis.links.coverage import coverage, plan
from logger.analysis.links.exposure import Exposure
from logger.analysis.repair import repairs
from logger.analysis.repair.provoking import Run, agreed
from logger.analysis.repair.repairs import Work
from logger.event import Event, EventKind, repair_places, same_car
from logger.store.entries import RepairEntry
from logger.store.store import Store

NEVER = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class SeasonEvent:
    """One event of a season: `outline` without samples, its runs in order; `is_judged` False: not analysed yet."""

    event_id: str
    outline: Event
    runs: tuple[Run, ...]
    repairs: tuple[RepairEntry, ...]
    is_judged: bool

    @property
    def kind(self) -> EventKind:
        return self.outline.kind


@dataclass(frozen=True, slots=True)
class Repaired:
    """A repair of the season with its verdict. done_utc: where a clock was known."""

    event_id: str
    event_name: str
    entry: RepairEntry
    done_utc: datetime | None
    verdict: RepairVerdict


@dataclass(frozen=True, slots=True)
class Season:
    """The events of one car in time order, its repairs in the order in which they were done, and what a repair made
    now would need. `waiting`: names of events that are not analysed yet, and so do not count."""

    events: tuple[SeasonEvent, ...]
    repairs: tuple[Repaired, ...]
    proof_ahead: str | None
    waiting: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain lists, for `repair --json`."""
        return {
            "events": [{"event_id": one.event_id, "name": one.outline.name} for one in self.events],
            "repairs": [
                {
                    "event_id": one.event_id,
                    "done_utc": one.done_utc.isoformat() if one.done_utc else None,
                    "after_recording": one.entry.after_recording,
                    "suspect": one.entry.suspect,
                    **asdict(one.verdict),
                }
                for one in self.repairs
            ],
            "proof_ahead": self.proof_ahead,
            "waiting": list(self.waiting),
        }


def of_car(store: Store, event_id: str) -> Season:
    """The season of the car that was driven at this event. Raises StoreError on an unknown event."""
    engine = store.outline(event_id).engine
    return _season([one for one in _in_time_order(store) if same_car(one.outline.engine, engine)])


def every_car(store: Store) -> list[Season]:
    """One season for each car, the one with the newest event first."""
    left = _in_time_order(store)
    seasons = []
    while left:
        engine = left[-1].outline.engine
        seasons.append(_season([one for one in left if same_car(one.outline.engine, engine)]))
        left = [one for one in left if not same_car(one.outline.engine, engine)]
    return seasons


def keep(store: Store) -> None:
    """Keep with each event's findings what only the other events of its car can tell: the verdicts on its repairs, what
    a repair made now would need, and for a bench session its coverage and how to reach the rest.

    An event that is its car's only one keeps its own verdicts, made from the recordings themselves.
    """
    for season in every_car(store):
        with_runs = [event for event in season.events if event.runs]
        verdicts = {one.entry.id: asdict(one.verdict) for one in season.repairs}
        for event in season.events:
            told: dict[str, Any] = {}
            if with_runs != [event]:
                told["repairs"] = [verdicts[entry.id] for entry in event.repairs]
                told["proof_ahead"] = season.proof_ahead
            if event.kind == "bench":
                told |= _bench(season, event)
            store.save_season(event.event_id, told)


def _bench(season: Season, session: SeasonEvent) -> dict[str, Any]:
    """How much of what brought the stumbles out elsewhere this session has reached, and how to reach the rest."""
    number = season.events.index(session)
    others = [one for one in season.events[:number] if _failed(one)]
    others = others or [one for one in season.events if _failed(one) and one is not session]
    failed = [run for one in others for run in _failed(one)]
    heat, shock = agreed(run.linked_heat for run in failed), agreed(run.linked_shock for run in failed)
    stumbled = [run.exposure for run in failed]
    reached = coverage(stumbled, [run.exposure for run in session.runs], heat, shock)
    return {
        "coverage": {**asdict(reached), "of_events": [one.outline.name for one in others]},
        "provoke": plan(stumbled, heat, shock) if stumbled else [],
    }


def _failed(event: SeasonEvent) -> list[Run]:
    return [run for run in event.runs if run.exposure.bursts]


def _season(events: Sequence[SeasonEvent]) -> Season:
    runs: list[Run] = []
    entered: list[tuple[SeasonEvent, RepairEntry]] = []
    work: list[Work] = []
    for event in events:
        entered += [(event, entry) for entry in event.repairs]
        work += _work(event, len(runs))
        runs += event.runs
    verdicts = repairs.judge_runs(runs, work)
    counted = sum(bool(event.runs) for event in events)
    told = [
        Repaired(event.event_id, event.outline.name, entry, _done_utc(event, entry), _counted(verdict, counted))
        for (event, entry), verdict in zip(entered, verdicts, strict=True)
    ]
    order = sorted(range(len(told)), key=lambda n: (len(runs) + 1 if (at := work[n].runs_before) is None else at, n))
    waiting = tuple(event.outline.name for event in events if not event.is_judged)
    return Season(tuple(events), tuple(told[n] for n in order), repairs.proof_ahead(runs), waiting)


def _counted(verdict: RepairVerdict, n_events: int) -> RepairVerdict:
    if n_events < 2 or verdict.rate_before_per_h is None:
        return verdict
    return replace(verdict, sentence=f"{verdict.sentence} Counted over all {n_events} events of this car.")


def _work(event: SeasonEvent, runs_before: int) -> list[Work]:
    """The event's repairs, each with the number of the season's runs before it."""
    names = {recording.name: number for number, recording in enumerate(event.outline.recordings)}
    begins = [(names.get(run.exposure.recording, 0), run.exposure.from_s) for run in event.runs]
    return [
        Work(entry.what, None if place is None else runs_before + sum(begin < place for begin in begins), entry.suspect)
        for entry, place in zip(event.repairs, repair_places(event.outline), strict=True)
    ]


def _done_utc(event: SeasonEvent, entry: RepairEntry) -> datetime | None:
    started = event.outline.started_utc
    if started is None or entry.offset_ns is None:
        return None
    return datetime.fromtimestamp(started.timestamp() + entry.offset_ns / 1e9, UTC)


def _in_time_order(store: Store) -> list[SeasonEvent]:
    """All events by date; one without a date follows the one that was entered before it."""
    known, dated = NEVER, []
    for entry in reversed(store.events()):
        known = entry.started_utc or known
        dated.append((known, _read(store, entry.event_id)))
    return [event for _, event in sorted(dated, key=lambda pair: pair[0])]


def _read(store: Store, event_id: str) -> SeasonEvent:
    found = store.findings(event_id)
    told = {} if found is None else found
    runs = tuple(
        Run(Exposure.from_dict(document), None, told["linked_heat"], told["linked_shock"])
        for document in told.get("exposure", [])
    )
    if event_id in store.commissioned():
        runs = ()
    return SeasonEvent(event_id, store.outline(event_id), runs, tuple(store.repairs(event_id)), found is not None)
