"""A taught car: does the analysis find on this car, with these sensors, what its owner broke on purpose?

Car stationary, engine warm. With a guarded momentary switch the owner interrupts first the coil feed, then the pump
feed, each once or a few times. The recording passes where the findings name exactly those two causes, in that order,
miss no interruption that the bare signals show, and put each onset where the bare signals put it. The bare signals are
read here with plain thresholds, good enough on a car that stands still, so that the analysis is not judged by itself.
"""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from logger.analysis.channels.scene import interval_ns, merge, spans_of
from logger.analysis.findings import Findings, Stumble
from logger.event import NS_PER_S, Engine, Event, Recording, Trace

COIL, PUMP = "ignition_primary", "fuel_delivery"
WANTED = (COIL, PUMP)
NAMES = {COIL: "coil feed", PUMP: "pump feed"}
FIRST = {COIL: ("ignition_feed_voltage", "tach_pulses"), PUMP: ("fuel_pressure", "pump_feed_voltage")}
# How far an onset may lie outside the bounds that the bare signals give.
TOLERANCE_S = {COIL: 0.02, PUMP: 0.3}
# The shortest silence of the tach wire taken for an interruption by hand.
SHORTEST_SILENCE_S = 0.1


@dataclass(frozen=True, slots=True)
class Interruption:
    """One deliberate interruption as the bare signals show it: it began between the two times (s of its recording)."""

    cause: str
    recording: str
    earliest_s: float
    latest_s: float
    found_s: float | None = None

    @property
    def off_s(self) -> float | None:
        """How far the onset found lies outside the bounds, seconds; None where none was found."""
        if self.found_s is None:
            return None
        return max(0.0, self.earliest_s - self.found_s, self.found_s - self.latest_s)


@dataclass(frozen=True, slots=True)
class CommissionResult:
    """Whether the car's results are to be trusted; `problems` says in sentences what came out wrong, and what to do."""

    passed: bool
    sentence: str
    problems: list[str]
    interruptions: list[Interruption]

    def as_json(self) -> dict[str, Any]:
        """Plain values, ready for json.dumps."""
        return asdict(self)


def judge(findings: Findings, event: Event) -> CommissionResult:
    """Compare the findings of a commissioning recording with what its bare signals show of the interruptions."""
    problems: list[str] = []
    shown = [gap for recording in event.recordings for gap in coil_interruptions(recording, event.engine)]
    places = {recording.name: recording for recording in event.recordings}
    interruptions = [_matched(gap, findings.stumbles) for gap in shown]
    fuel = [stumble for stumble in findings.stumbles if stumble.cause == PUMP]
    interruptions += [_pump_interruption(places[stumble.recording], stumble) for stumble in fuel]
    problems += _missing(findings.stumbles, shown)
    problems += _order(findings.stumbles)
    problems += [problem for stumble in findings.stumbles for problem in _wrongly_named(stumble)]
    problems += [problem for interruption in interruptions for problem in _wrongly_placed(interruption)]
    problems += [
        f"{fault.recording}: {fault.channel} was reported as a sensor fault ({fault.kind}) at {fault.from_s:.2f} s; "
        "mend the sensor or its wire and record again."
        for fault in findings.sensor_faults
    ]
    return CommissionResult(not problems, _sentence(problems, interruptions), problems, interruptions)


def coil_interruptions(recording: Recording, engine: Engine) -> list[Interruption]:
    """Interruptions of the coil feed as the bare signals show them.

    A tach wire on the coil falls silent: from the last pulse to when the next was due. Where the tach wire hangs on
    something else, the coil's supply voltage falls to less than half. What chatters is one interruption while normal
    running in between lasts less than 0.5 s, as it is one stumble.
    """
    if engine.tach_far_from_coil:
        return _dead_feeds(recording)
    pulses = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    gaps_ns = np.diff(pulses)
    found: list[Interruption] = []
    chattering_until_ns = -1
    for at in np.flatnonzero(gaps_ns > SHORTEST_SILENCE_S * NS_PER_S).tolist():
        usual_ns = float(np.median(gaps_ns[max(0, at - 10) : at])) if at >= 10 else np.inf
        after_ns = float(np.median(gaps_ns[at + 1 : at + 11])) if at + 11 <= gaps_ns.size else np.inf
        # Silences between crank turns, and the one before the engine is started again, are the key's.
        if gaps_ns[at] > 3 * usual_ns and usual_ns < SHORTEST_SILENCE_S * NS_PER_S / 2 and after_ns < 3 * usual_ns:
            last = int(pulses[at])
            if last > chattering_until_ns:
                found.append(Interruption(COIL, recording.name, last / NS_PER_S, (last + usual_ns) / NS_PER_S))
            chattering_until_ns = int(pulses[at + 1]) + NS_PER_S // 2
    return found


def _dead_feeds(recording: Recording) -> list[Interruption]:
    feed = recording.traces.get("ignition_feed_voltage")
    pulses = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    if feed is None or not pulses.size:
        return []
    half_s = NS_PER_S // 2 // interval_ns(feed.time_ns)
    dead = merge(spans_of(feed.value < 0.5 * float(np.nanmedian(feed.value))), half_s)
    time_s = feed.time_ns / NS_PER_S
    return [
        Interruption(COIL, recording.name, float(time_s[start - 1]), float(time_s[start]))
        for start, stop in dead.tolist()
        if pulses[0] < feed.time_ns[start] and stop < time_s.size and feed.time_ns[stop] < pulses[-1]
    ]


def _matched(gap: Interruption, stumbles: list[Stumble]) -> Interruption:
    """The interruption with the onset of the stumble nearest to it within a second, if there is one."""
    near = [s for s in stumbles if s.recording == gap.recording and abs(s.onset_s - gap.earliest_s) < 1.0]
    if not near:
        return gap
    best = min(near, key=lambda s: abs(s.onset_s - gap.earliest_s))
    return Interruption(gap.cause, gap.recording, gap.earliest_s, gap.latest_s, best.onset_s)


def _pump_interruption(recording: Recording, stumble: Stumble) -> Interruption:
    """Where the pump lost its feed: the fall of its voltage, or else of the pressure, before the engine felt it."""
    feed = recording.traces.get("pump_feed_voltage")
    earliest = None
    if feed is not None:
        earliest = _last_good_s(feed, stumble, 0.5 * float(np.nanmedian(feed.value)))
    elif "fuel_pressure" in recording.traces:
        pressure = recording.traces["fuel_pressure"]
        before = pressure.value[np.searchsorted(pressure.time_ns, round((stumble.onset_s - 6) * NS_PER_S)) :][:400]
        spread = 1.4826 * float(np.nanmedian(np.abs(before - np.nanmedian(before)))) if before.size else 0.0
        earliest = _last_good_s(pressure, stumble, float(np.nanmedian(before)) - 4 * spread) if before.size else None
    latest = max(stumble.engine_onset_s, stumble.onset_s)
    return Interruption(
        PUMP, recording.name, stumble.onset_s if earliest is None else earliest, latest, stumble.onset_s
    )


def _last_good_s(trace: Trace, stumble: Stumble, least: float) -> float | None:
    """Time of the last sample at or above `least` in the four seconds before the engine felt it."""
    start, stop = np.searchsorted(trace.time_ns, [round((stumble.engine_onset_s + d) * NS_PER_S) for d in (-4.0, 0.5)])
    good = np.flatnonzero(trace.value[start:stop] >= least)
    return float(trace.time_ns[start + good[-1]] / NS_PER_S) if good.size else None


def _missing(stumbles: list[Stumble], shown: list[Interruption]) -> list[str]:
    problems = []
    causes = {stumble.cause for stumble in stumbles}
    if not shown:
        problems.append(
            "The bare signals show no interruption of the coil feed: the tach pulses (or, where the tach wire does not "
            "hang on the coil, the ignition feed voltage) never fell away. Check the switch and the tach tap."
        )
    if COIL not in causes:
        problems.append(
            "No stumble was put down to the coil feed: check tach wire, ignition feed voltage and settings."
        )
    if PUMP not in causes:
        problems.append(
            "No stumble was put down to the pump feed: hold the switch until the engine falters, and check the fuel "
            "pressure sensor."
        )
    return problems


def _order(stumbles: list[Stumble]) -> list[str]:
    causes = [stumble.cause for stumble in stumbles if stumble.cause in WANTED]
    if causes == sorted(causes, key=WANTED.index):
        return []
    return ["The interruptions came out in the wrong order: first the coil feed, then the pump feed."]


def _wrongly_named(stumble: Stumble) -> list[str]:
    place = f"{stumble.recording}, {stumble.onset_s:.2f} s"
    if stumble.cause not in WANTED:
        return [f"{place}: a stumble was put down to {stumble.cause}, which nobody interrupted."]
    if stumble.first_to_move not in FIRST[stumble.cause]:
        return [f"{place}: {stumble.first_to_move} is said to have moved first when the {NAMES[stumble.cause]} opened."]
    return []


def _wrongly_placed(interruption: Interruption) -> list[str]:
    name = NAMES[interruption.cause]
    place = f"{interruption.recording}, {interruption.earliest_s:.2f} s: the interruption of the {name}"
    off_s = interruption.off_s
    if off_s is None:
        return [f"{place} was not found."]
    if off_s > TOLERANCE_S[interruption.cause]:
        return [f"{place} was found {off_s * 1000:.0f} ms off."]
    return []


def _sentence(problems: list[str], interruptions: list[Interruption]) -> str:
    if problems:
        return f"Not passed: {len(problems)} thing{'s' if len(problems) > 1 else ''} came out wrong."
    counts = {cause: sum(interruption.cause == cause for interruption in interruptions) for cause in WANTED}
    worst_ms = 1000 * max(interruption.off_s or 0.0 for interruption in interruptions if interruption.cause == COIL)
    often = {cause: f"{n} interruption{'s' if n > 1 else ''} of the {NAMES[cause]}" for cause, n in counts.items()}
    return (
        f"Passed: {often[COIL]}, then {often[PUMP]}, all found and rightly named; "
        f"onsets of the former at most {worst_ms:.0f} ms outside what the bare signals allow."
    )
