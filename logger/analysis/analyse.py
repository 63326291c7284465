"""The whole analysis of one event: each step in its own module, joined here.

edges -> firings (pulses) -> sensors' lies out (sensor_faults) -> states and load (states) -> what the event teaches
(bands, motion, probe, limiter) -> signs -> episodes (stumbles) -> order of failure (order) -> causes (causes) ->
sentences (evidence) -> findings.

Recordings are gone through part by part (parts.py). What an event teaches is learned first; then each part is looked
through, and once more where its missing pulses had to wait for those of the whole event. An event that all is learned
from stays in memory meanwhile; the parts of a longer one are read anew.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

from logger.analysis.channels import bands, normal
from logger.analysis.crank import doing, starts, states, waves
from logger.analysis.failure import evidence, next_tests, one_cylinder, stumbles, told
from logger.analysis.findings import FailedStart, Findings, SensorFault, Stumble
from logger.analysis.links import coverage, frames, links, superposed
from logger.analysis.links.frames import Interval, Measured, numbered
from logger.analysis.not_judged import not_judged, settled_rpm
from logger.analysis.parts import chosen, faults_joined, gaps_joined, parts_of, spans_joined
from logger.analysis.prepared import Seen, completed, prepare, see
from logger.analysis.pull import pull_findings, pulls
from logger.analysis.pull.pulls import Pull
from logger.analysis.repair import repairs
from logger.analysis.repair import runs as corrected
from logger.analysis.signs import lame
from logger.analysis.signs.sign import Sign
from logger.event import Event

Progress = Callable[[float], None]

AT_ONCE = 2  # parts of a recording, each of which is held in memory meanwhile


def analyse(event: Event, *, earlier: Sequence[Mapping[str, Any]] = (), progress: Progress | None = None) -> Findings:
    """Find every stumble of an event and what failed first.

    earlier: what earlier events of the car taught (Findings.normal of each), the oldest first.
    progress is called with the share done, from 0 to 1. Raises AnalysisError where the event cannot be worked on.
    """
    report = progress or (lambda share: None)
    parts = parts_of(event)
    some = chosen(parts)
    read = [part.read() for part in some]
    event = replace(event, engine=completed(event.engine, read))
    ready = [prepare(recording, event.engine) for recording in read]
    scale = states.load_scale([(one.traces, one.firings) for one in ready], event.engine)
    sample = [see(one, event.engine, scale) for one in ready]
    views = [one.view for one in sample]
    band = bands.taught_pressure(views)
    levels = normal.by_recording(
        event, [(part.number, normal.samples(view)) for part, view in zip(some, views, strict=True)]
    )
    off = normal.off_normal(event, levels, earlier)
    taught = stumbles.learn(views, [one.ride for one in sample], normal.rail(earlier, band, off))
    full = pulls.full_throttle([pulls.widest_throttle(recording) for recording in read])
    weather, rpm = pull_findings.air_of(event), settled_rpm(views)
    held = dict(enumerate(sample)) if len(some) == len(parts) else {}
    # A cylinder that is lame shows best over the whole event; of one that is not held, over each part.
    lamed = lame.signs(views) if held else []
    usual = waves.NOTHING if held else lame.learn(views)
    del read, ready, sample, views

    def seen(number: int, faults: list[SensorFault] | None = None) -> Seen:
        if number in held:
            return held[number]
        return see(prepare(parts[number].read(), event.engine, faults), event.engine, scale, again=faults is not None)

    def first(number: int) -> tuple[_Looked, _Found | None]:
        this = seen(number)
        looked = _look(this, lamed[number] if held else lame.signs([this.view], usual)[0], taught)
        if not all(looked.look.proven):
            return looked, None
        return looked, _find(this, looked, [1.0] * len(looked.look.gaps), taught, full, weather)

    def again(number: int) -> _Found:
        return _find(seen(number, looks[number].faults), looks[number], chances[number], taught, full, weather)

    looks: list[_Looked] = []
    found: dict[int, _Found] = {}
    # NumPy lets go of the interpreter while it works, so that two parts at a time take little longer than one.
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for number, (looked, sure) in enumerate(pool.map(first, range(len(parts)))):
            looks.append(looked)
            if sure is not None:
                found[number] = sure
            report(0.1 + 0.6 * (number + 1) / len(parts))
        chances = stumbles.chances([one.look for one in looks])
        waited = [number for number in range(len(parts)) if number not in found]  # for the vote of all missing pulses
        for number, late in zip(waited, pool.map(again, waited), strict=True):
            found[number] = late
            report(0.7 + 0.2 * (number + 1) / len(parts))
    held.clear()
    searches = [found[number] for number in range(len(parts))]
    found_stumbles = numbered([stumble for one in searches for stumble in one.stumbles])
    main, others = told.main_cause(found_stumbles)
    of_recordings: list[list[_Looked]] = [[] for _ in event.recordings]
    stumbled: dict[str, list[Stumble]] = {recording.name: [] for recording in event.recordings}
    for one, part in zip(looks, parts, strict=True):
        of_recordings[part.number].append(one)
    for stumble in found_stumbles:
        stumbled[stumble.recording].append(stumble)
    everything = faults_joined([fault for one in looks for fault in one.faults])
    everything += [fault for one in searches for fault in one.tach_faults]
    running = [spans_joined([one.running for one in mine]) for mine in of_recordings]
    cells = [
        frames.joined(recording, [one.measured for one in mine], event.engine, spans, stumbled[recording.name])
        for recording, mine, spans in zip(event.recordings, of_recordings, running, strict=True)
    ]
    cells = links.without_faults(cells, everything)
    splits = corrected.of_event(event, running)
    counted = corrected.without_practice(cells, splits)
    linked = links.linked(counted)
    counting = [stumble for run in counted for stumble in run.stumbles]
    linked["precursors"] = superposed.precursors(event, counting, running, parts)
    runs, work = repairs.cut(event, cells)
    exposures = [run.exposure for run in runs]
    recorded = {channel for one in looks for channel in one.channels}
    findings = Findings(
        stumbles=found_stumbles,
        sensor_faults=everything,
        failed_starts=[start for one in looks for start in one.failed_starts],
        gaps=[
            {"recording": recording.name, **gap}
            for recording, mine in zip(event.recordings, of_recordings, strict=True)
            for gap in gaps_joined([gap for one in mine for gap in one.gaps])
        ],
        main_cause=main,
        other_causes=others,
        linked_heat=linked["linked_heat"],
        linked_shock=linked["linked_shock"],
        links=linked,
        repairs=repairs.judge_runs(runs, work),
        next_tests=next_tests.for_findings(
            found_stumbles, main or (off[0].cause if off else None), others, event.engine, linked
        ),
        summary=evidence.summary(found_stumbles, main),
        not_judged=[*not_judged(event.engine, recorded, rpm, scale), *corrected.sentences(event)],
        rejected=[one for search in searches for one in search.rejected],
        runs=[
            {"recording": recording.name, "from_s": a, "to_s": b}
            for recording, one in zip(event.recordings, splits, strict=True)
            for a, b in one.runs
        ],
        exposure=[exposure.to_dict() for exposure in exposures],
        provoke=coverage.plan(exposures, linked["linked_heat"], linked["linked_shock"]),
        proof_ahead=repairs.proof_ahead(runs),
        pulls=pull_findings.laid(event, pulls.geared([pull for one in searches for pull in one.pulls])),
        off_normal=off,
        normal=normal.learned(event, levels, band),
    )
    report(1.0)
    return findings


@dataclass(frozen=True, slots=True)
class _Looked:
    """What the first look at a part keeps of it. channels: those with samples that can be believed."""

    look: stumbles.Look
    faults: list[SensorFault]
    gaps: list[dict[str, Any]]
    running: list[Interval]
    failed_starts: list[FailedStart]
    channels: frozenset[str]
    measured: Measured


def _look(this: Seen, lamed: list[Sign], taught: stumbles.Taught) -> _Looked:
    ready, view = this.ready, this.view
    running = view.running_spans()
    return _Looked(
        stumbles.look(view, this.ride, lamed, taught),
        ready.faults,
        ready.gaps,
        running,
        starts.failed_starts(view),
        frozenset(name for name, trace in view.traces.items() if trace.time_ns.size),
        frames.measured(ready.recording, view.engine, running),
    )


@dataclass(frozen=True, slots=True)
class _Found:
    """What is found in a part in the end; pulls without their gears."""

    stumbles: list[Stumble]
    rejected: list[dict[str, Any]]
    tach_faults: list[SensorFault]
    pulls: list[Pull]


def _find(
    this: Seen,
    looked: _Looked,
    chance: Sequence[float],
    taught: stumbles.Taught,
    full: float | None,
    weather: pulls.Air,
) -> _Found:
    view = this.view
    search = stumbles.search(view, looked.look, chance, taught.ceiling)
    stumbled = sorted((told.stumble(episode) for episode in search.episodes), key=lambda stumble: stumble.onset_s)
    stumbled = doing.told(one_cylinder.named(stumbled, [view]), view, looked.look.halts)
    pulled = pulls.of_recording(this.ready.recording, view.engine, looked.running, stumbled, full, weather)
    return _Found(stumbled, search.rejected, search.tach_faults, pulled)
