"""The whole analysis of one event: each step in its own module, joined here.

edges -> firings (pulses) -> sensors' lies out (sensor_faults) -> states and load (states) -> what the event teaches
(bands, motion, probe, limiter) -> signs -> episodes (stumbles) -> order of failure (order) -> causes (causes) ->
sentences (evidence) -> findings.

What an event teaches is learned first, then its parts are gone through (search.py); what needs the whole event, from
links to repairs, follows here.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from logger.analysis import search
from logger.analysis.channels import normal
from logger.analysis.failure import evidence, next_tests, told
from logger.analysis.findings import Findings, Stumble
from logger.analysis.links import coverage, frames, links, superposed
from logger.analysis.links.bursts import numbered
from logger.analysis.not_judged import not_judged
from logger.analysis.parts import faults_joined, gaps_joined, parts_of, spans_joined
from logger.analysis.pull import pull_findings, pulls
from logger.analysis.repair import repairs
from logger.analysis.repair import runs as corrected
from logger.analysis.search import Looked
from logger.event import Event

Progress = Callable[[float], None]


def analyse(event: Event, *, earlier: Sequence[Mapping[str, Any]] = (), progress: Progress | None = None) -> Findings:
    """Find every stumble of an event and what failed first.

    earlier: what earlier events of the car taught (Findings.normal of each), the oldest first.
    progress is called with the share done, from 0 to 1. Raises AnalysisError where the event cannot be worked on.
    """
    report = progress or (lambda share: None)
    parts = parts_of(event)
    known = search.learn(event, parts, earlier)
    event = replace(event, engine=known.engine)
    looks, finds = search.through(parts, known, lambda share: report(0.1 + 0.8 * share))
    found_stumbles = numbered([stumble for one in finds for stumble in one.stumbles])
    main, others = told.main_cause(found_stumbles)
    of_recordings: list[list[Looked]] = [[] for _ in event.recordings]
    stumbled: dict[str, list[Stumble]] = {recording.name: [] for recording in event.recordings}
    for one, part in zip(looks, parts, strict=True):
        of_recordings[part.number].append(one)
    for stumble in found_stumbles:
        stumbled[stumble.recording].append(stumble)
    everything = faults_joined([fault for one in looks for fault in one.faults])
    everything += [fault for one in finds for fault in one.tach_faults]
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
            found_stumbles, main or (known.off[0].cause if known.off else None), others, event.engine, linked
        ),
        summary=evidence.summary(found_stumbles, main),
        not_judged=[*not_judged(event.engine, recorded, known.rpm, known.scale), *corrected.sentences(event)],
        rejected=[one for find in finds for one in find.rejected],
        runs=[
            {"recording": recording.name, "from_s": a, "to_s": b}
            for recording, one in zip(event.recordings, splits, strict=True)
            for a, b in one.runs
        ],
        exposure=[exposure.to_dict() for exposure in exposures],
        provoke=coverage.plan(exposures, linked["linked_heat"], linked["linked_shock"]),
        proof_ahead=repairs.proof_ahead(runs),
        pulls=pull_findings.laid(event, pulls.geared([pull for one in finds for pull in one.pulls])),
        off_normal=known.off,
        normal=normal.learned(event, known.levels, known.band),
    )
    report(1.0)
    return findings
