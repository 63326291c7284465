"""The whole analysis of one event: each step in its own module, joined here.

edges -> firings (pulses) -> sensors' lies out (sensor_faults) -> states and load (states) -> bands -> signs and
episodes (stumbles) -> order of failure (order) -> causes (causes) -> sentences (evidence) -> findings.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from logger.analysis.channels import bands, normal, sensor_faults
from logger.analysis.crank import doing, pulses, starts, states
from logger.analysis.failure import causes, evidence, next_tests, one_cylinder, stumbles
from logger.analysis.failure import order as orders
from logger.analysis.failure.episodes import Episode
from logger.analysis.findings import Effect, Findings, SensorFault, Stumble
from logger.analysis.links import coverage, links, superposed
from logger.analysis.links.frames import numbered
from logger.analysis.pull.pull_findings import pull_findings
from logger.analysis.repair import repairs
from logger.analysis.repair import runs as corrected
from logger.event import NS_PER_S, Cause, Engine, Event, FloatArray, IntArray, Recording, Trace

Progress = Callable[[float], None]


def analyse(event: Event, *, earlier: Sequence[Mapping[str, Any]] = (), progress: Progress | None = None) -> Findings:
    """Find every stumble of an event and what failed first.

    earlier: what earlier events of the car taught (Findings.normal of each), the oldest first.
    progress is called with the share done, from 0 to 1. Raises AnalysisError where the event cannot be worked on.
    """
    report = progress or (lambda share: None)
    event = replace(event, engine=_completed(event))
    prepared = []
    faults: list[SensorFault] = []
    gaps: list[list[dict[str, Any]]] = []
    n_recordings = max(1, len(event.recordings))
    for number, recording in enumerate(event.recordings):
        some = sensor_faults.gaps(recording)
        edges = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
        firings = pulses.clean(edges, event.engine, _silence_ns(some))
        found = sensor_faults.find(recording, event.engine)
        faults += found
        gaps.append(some)
        prepared.append((recording, firings, _masked(recording, found)))
        report(0.7 * (number + 1) / n_recordings)
    scale = states.load_scale([(traces, firings) for _, firings, traces in prepared], event.engine)
    views = [
        starts.without_standstills(
            states.view(recording, event.engine, firings, traces, scale, _silence_ns(some)), scale
        )
        for (recording, firings, traces), some in zip(prepared, gaps, strict=True)
    ]
    band, levels = _pressure_band(views), [normal.samples(view) for view in views]
    off = normal.off_normal(event, levels, earlier)
    search = stumbles.search(views, normal.rail(earlier, band, off))
    report(0.9)
    found_stumbles = [_stumble(episode) for episode in search.episodes]
    found_stumbles.sort(key=lambda s: (_place(event, s.recording), s.onset_s))
    found_stumbles = doing.told(numbered(one_cylinder.named(found_stumbles, views)), views)
    main, others = main_cause(found_stumbles)
    everything = faults + search.tach_faults
    running = [view.running_spans() for view in views]
    frames = links.frames_of(event, found_stumbles, running, everything)
    splits = corrected.of_event(event, running)
    counted = corrected.without_practice(frames, splits)
    linked = links.linked(counted)
    linked["precursors"] = superposed.precursors(event, [one for cells in counted for one in cells.stumbles], running)
    runs, work = repairs.cut(event, frames)
    exposures = [run.exposure for run in runs]
    findings = Findings(
        stumbles=found_stumbles,
        sensor_faults=everything,
        failed_starts=[start for view in views for start in starts.failed_starts(view)],
        gaps=[
            {"recording": view.recording.name, **gap} for view, some in zip(views, gaps, strict=True) for gap in some
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
        not_judged=[*not_judged(event, views, scale), *corrected.sentences(event)],
        rejected=search.rejected,
        runs=[
            {"recording": view.recording.name, "from_s": a, "to_s": b}
            for view, one in zip(views, splits, strict=True)
            for a, b in one.runs
        ],
        exposure=[exposure.to_dict() for exposure in exposures],
        provoke=coverage.plan(exposures, linked["linked_heat"], linked["linked_shock"]),
        proof_ahead=repairs.proof_ahead(runs),
        pulls=pull_findings(event, running, found_stumbles),
        off_normal=off,
        normal=normal.learned(event, levels, band),
    )
    report(1.0)
    return findings


COUNTING = ("lost_pulses", "no_spark", "no_injection", "weak_torque", "lame_cylinder", "died")
FLOAT_BOWL_KPA = 80.0  # carburettors are fed with 15 to 40 kPa, injection with 100 and more (common practice)


def _completed(event: Event) -> Engine:
    """The engine with its fuel system filled in, where that is not given and the rail's level shows a carburettor."""
    if event.engine.fuel_system is not None:
        return event.engine
    levels = [
        float(np.nanpercentile(trace.value, 75))
        for recording in event.recordings
        if (trace := recording.traces.get("fuel_pressure")) is not None and not np.isnan(trace.value).all()
    ]
    low = bool(levels) and float(np.median(levels)) < FLOAT_BOWL_KPA
    return replace(event.engine, fuel_system="carburettor") if low else event.engine


def _masked(recording: Recording, faults: list[SensorFault]) -> Mapping[str, Trace]:
    return {
        name: sensor_faults.mask(trace, [fault for fault in faults if fault.channel == name])
        for name, trace in recording.traces.items()
    }


def _silence_ns(gaps: list[dict[str, Any]]) -> IntArray:
    """The gaps of all channels together, int64 (m, 2)."""
    spans = [(gap["from_s"], gap["to_s"]) for gap in gaps if gap["channel"] == "all"]
    return np.rint(np.asarray(spans, np.float64).reshape(-1, 2) * NS_PER_S).astype(np.int64)


def _pressure_band(views: list[states.View]) -> bands.PressureBand | None:
    closed, everything, spread = [], [], []
    for view in views:
        trace = view.traces.get("fuel_pressure")
        if trace is None or trace.time_ns.size < 50 or not view.firings.time_ns.size:
            continue
        step = max(1, trace.time_ns.size // 20_000)
        time_ns, value = trace.time_ns[::step], trace.value[::step]
        place = np.clip(np.searchsorted(view.firings.time_ns, time_ns), 0, view.firings.time_ns.size - 1)
        near = np.abs(view.firings.time_ns[place] - time_ns) < 100_000_000
        running = near & view.running[place]
        closed.append(value[running & (view.state[place] != states.State.PULLING)])
        everything.append(value[running])
        spread.append(bands.noise(trace.value))
    if not everything:
        return None
    return bands.pressure_band(np.concatenate(closed), np.concatenate(everything), float(np.median(spread)))


def _stumble(episode: Episode) -> Stumble:
    rank = orders.order(episode)
    verdict = causes.judge(episode, rank)
    if verdict.cause == "supply_voltage":
        rank = orders.led_by_weak_supply(rank, episode)
    lost = lost_firings(episode)
    lowest = lowest_speed_ratio(episode)
    effect = _effect(episode, lost, lowest)
    texts = evidence.texts(episode, rank, verdict)
    return Stumble(
        recording=episode.view.recording.name,
        onset_s=_seconds(rank.onset_ns),
        engine_onset_s=_seconds(rank.engine_onset_ns),
        end_s=_seconds(max(episode.to_ns, rank.engine_onset_ns)),
        cause=verdict.cause,
        probability=verdict.probability,
        first_to_move=rank.first,
        order=rank.moved,
        effect=effect,
        lost_firings=lost,
        lowest_speed_ratio=lowest,
        sub_cause=verdict.sub_cause,
        sentence=texts.sentence,
        evidence_for=texts.speaks_for,
        evidence_against=texts.speaks_against,
        rivals=texts.rivals,
    )


def lost_firings(episode: Episode) -> int:
    """Firings lost, counted where pulses or sparks tell, else estimated from how long the engine went without."""
    counted = sum(sign.lost for sign in episode.signs if sign.kind in COUNTING)
    if counted:
        return max(1, round(counted))
    first, last = np.searchsorted(episode.view.firings.time_ns, [episode.from_ns, episode.to_ns])
    per_pulse = episode.view.engine.firings_per_revolution / episode.view.firings.pulses_per_revolution
    return max(1, round(0.7 * float(last - first) * per_pulse))


def lowest_speed_ratio(episode: Episode) -> float:
    """Lowest crank speed during and shortly after the stumble over the speed before it; 0 where the engine died."""
    if episode.stop is not None:
        return 0.0
    firings = episode.view.firings
    first, last = np.searchsorted(firings.time_ns, [episode.from_ns, episode.to_ns + 100_000_000])
    before = firings.speed_rps[max(0, first - 12) : max(1, first - 3)]
    during = firings.speed_rps[first : max(first + 1, last)]
    if not before.size or not during.size or not before.mean():
        return 1.0
    return round(float(during.min() / before.mean()), 3)


def _seconds(ns: int) -> float:
    """Nanoseconds as seconds, to the microsecond."""
    return round(ns / NS_PER_S, 6)


def _effect(episode: Episode, lost: int, lowest: float) -> Effect:
    if episode.stop is not None:
        return "stall"
    if all(sign.kind in ("lame_cylinder", "lean") for sign in episode.signs) and episode.of("lame_cylinder"):
        return "single_misses"
    span_s = (episode.to_ns - episode.from_ns) / NS_PER_S
    firings = episode.view.firings
    first, last = np.searchsorted(firings.time_ns, [episode.from_ns, episode.to_ns])
    share = lost / max(1.0, float(last - first))
    if share < 0.35 and lost < 30:
        return "single_misses"
    return "cutout" if span_s >= 0.28 and share > 0.6 else "hesitation"


def main_cause(found: list[Stumble]) -> tuple[Cause | None, list[Cause]]:
    """The cause behind most lost firings, and the others that account for a tenth of them or two stumbles."""
    lost: dict[Cause, float] = defaultdict(float)
    times: Counter[Cause] = Counter()
    for stumble in found:
        for cause, share in stumble.probability.items():
            lost[cause] += stumble.lost_firings * share
        times[stumble.cause] += 1
    if not found:
        return None, []
    named = [cause for cause in sorted(lost, key=lambda c: -lost[c]) if times[cause]]
    total = sum(lost.values())
    others = [cause for cause in named[1:] if times[cause] >= 2 and lost[cause] >= 0.1 * total]
    return named[0], others


def not_judged(event: Event, views: list[states.View], scale: states.LoadScale) -> list[str]:
    """What could not be judged, and why, in sentences."""
    found = []
    if scale.channel is None:
        found.append(
            "Neither the throttle nor a rail pressure that follows load is recorded: combustion lost without a missing "
            "pulse is only seen where a spark clamp or an air-fuel ratio shows it."
        )
    for channel, lost in (
        ("battery_voltage", "a collapsing supply cannot be told from a failing ignition"),
        ("ignition_feed_voltage", "the coil's feed cannot be told from its trigger"),
        ("fuel_pressure", "fuel starvation cannot be excluded"),
    ):
        if not any(channel in view.traces and view.traces[channel].time_ns.size for view in views):
            found.append(f"No {channel.replace('_', ' ')} is recorded: {lost}.")
    found += _implausible_speed(event.engine, _settled_rpm(views))
    if event.engine.tach_source in ("control_unit", "crank"):
        found.append("The tach wire does not come from the coil: its pulses say nothing about the coil's switching.")
    return found


def _settled_rpm(views: list[states.View]) -> FloatArray:
    """Crank speeds, rpm (n,), from five seconds after each stretch of pulses began: no cranking among them."""
    parts = [np.empty(0)]
    for view in views:
        time_ns, bounds = view.firings.time_ns, view.firings.bounds()
        for first, last in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
            begin = int(np.searchsorted(time_ns[first:last], time_ns[first] + 5 * NS_PER_S)) + first
            parts.append(view.firings.speed_rps[begin:last] * 60.0)
    return np.concatenate(parts)


def _implausible_speed(engine: Engine, rpm: FloatArray) -> list[str]:
    """Whether the tach's pulses per revolution fit the idle and redline given (or any engine's)."""
    if rpm.size < 100:
        return ["Too few tach pulses to judge anything: the engine hardly ran, or the tach wire gave no pulses."]
    idle, redline = engine.idle_rpm or 900.0, engine.redline_rpm or 7000.0
    slow, fast = np.percentile(rpm, [2, 99.5])
    if fast > 1.5 * redline or (slow > 1.9 * idle and fast > 1.25 * redline):
        ratio, much = fast / redline, "too few"
    elif fast < 0.62 * redline and slow < 0.65 * idle:
        ratio, much = slow / idle, "too many"
    else:
        return []
    return [
        f"By {engine.pulses_per_revolution:g} tach pulses per revolution the engine would idle at {slow:.0f} and reach "
        f"{fast:.0f} rpm, {ratio:.2g} times what it should: tach_pulses_per_revolution is {much}, set it right and "
        "analyse again."
    ]


def _place(event: Event, name: str) -> int:
    return next(number for number, recording in enumerate(event.recordings) if recording.name == name)
