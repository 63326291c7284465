"""What an event teaches, and the search through its parts with that: what each part holds, and what is found in it.

A part is looked through once, and again where its missing pulses had to wait for those of the whole event: whether they
are the ignition's or the tach wire's, all of them decide together. An event that all is learned from stays in memory
meanwhile; the parts of a longer one (parts.py) are read anew.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

from logger.analysis.channels import bands, normal, taps
from logger.analysis.crank import doing, starts, states, waves
from logger.analysis.failure import one_cylinder, stumbles, told
from logger.analysis.findings import FailedStart, OffNormal, SensorFault, Stumble
from logger.analysis.links import frames
from logger.analysis.links.frames import Interval, Measured
from logger.analysis.not_judged import settled_rpm
from logger.analysis.parts import Part, chosen
from logger.analysis.prepared import Seen, completed, prepare, see
from logger.analysis.pull import pull_findings, pulls
from logger.analysis.pull.pull import Pull
from logger.analysis.signs import lame
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Engine, Event, FloatArray

AT_ONCE = 2  # long parts that are in memory at the same time
LONG_NS = 300 * NS_PER_S  # shorter ones are small array calls, over which threads only wait for each other


@dataclass(frozen=True, slots=True)
class Known:
    """What an event teaches, of it all or of a fair choice of its parts.

    engine: completed by what the event shows. band: the rail's. levels: of each recording, samples of what a sound car
    keeps from event to event; off: those that lie off it. full_throttle, %: None where not measured. rpm: speeds of the
    settled engine. liars: voltages whose wire comes off. held: the parts learned from, by number, if these are all, and
    lamed: their signs of a lame cylinder; usual: what the parts of a longer event are searched with for one.
    """

    engine: Engine
    scale: states.LoadScale
    band: bands.PressureBand | None
    levels: list[normal.Samples]
    off: list[OffNormal]
    taught: stumbles.Taught
    full_throttle: float | None
    weather: pulls.Air
    rpm: FloatArray
    liars: frozenset[str]
    held: dict[int, Seen]
    lamed: list[list[Sign]]
    usual: waves.Taught


def learn(event: Event, parts: Sequence[Part], earlier: Sequence[Mapping[str, Any]]) -> Known:
    """Learn from an event and from what earlier ones taught. Raises AnalysisError where it cannot be worked on."""
    some = chosen(parts)
    read = [part.read() for part in some]
    event = replace(event, engine=completed(event.engine, read))
    engine, is_all = event.engine, len(some) == len(parts)
    with _threads(parts) as pool:
        ready = list(pool.map(lambda recording: prepare(recording, engine), read))
        if liars := taps.liars([(one.recording, one.faults) for one in ready], engine):
            ready = list(pool.map(lambda recording: prepare(recording, engine, liars=liars), read))
        scale = states.load_scale([(one.traces, one.firings) for one in ready], engine)
        sample = list(pool.map(lambda one: see(one, engine, scale), ready))
        views = [one.view for one in sample]
        # A cylinder that is lame shows best over the whole event; of one that is not held, over each part.
        lamed = pool.submit(lame.signs, views) if is_all else None
        usual = None if is_all else pool.submit(lame.learn, views)
        band = bands.taught_pressure(views)
        levels = normal.by_recording(
            event, [(part.number, normal.samples(view)) for part, view in zip(some, views, strict=True)]
        )
        off = normal.off_normal(event, levels, earlier)
        return Known(
            engine, scale, band, levels, off,
            stumbles.learn(views, [one.ride for one in sample], normal.rail(earlier, band, off)),
            pulls.full_throttle([pulls.widest_throttle(recording) for recording in read]),
            pull_findings.air_of(event),
            settled_rpm(views),
            liars,
            held=dict(enumerate(sample)) if is_all else {},
            lamed=lamed.result() if lamed else [],
            usual=usual.result() if usual else waves.NOTHING,
        )  # fmt: skip


def _threads(parts: Sequence[Part]) -> ThreadPoolExecutor:
    """For work on parts. NumPy lets go of the interpreter while it works, so that two long parts at a time take little
    longer than one."""
    are_long = sum(part.lasts_ns for part in parts) > LONG_NS * len(parts)
    return ThreadPoolExecutor(AT_ONCE if are_long else 1)


@dataclass(frozen=True, slots=True)
class Looked:
    """What the first look at a part keeps of it. channels: those with samples that can be believed."""

    look: stumbles.Look
    faults: list[SensorFault]
    gaps: list[dict[str, Any]]
    running: list[Interval]
    failed_starts: list[FailedStart]
    channels: frozenset[str]
    measured: Measured


@dataclass(frozen=True, slots=True)
class Found:
    """What is found in a part in the end; pulls without their gears."""

    stumbles: list[Stumble]
    rejected: list[dict[str, Any]]
    tach_faults: list[SensorFault]
    pulls: list[Pull]


def through(parts: Sequence[Part], known: Known, report: Callable[[float], None]) -> tuple[list[Looked], list[Found]]:
    """Go through all parts. report is called with the share done. `known` lets go of the parts that it holds."""

    def seen(number: int, before: Looked | None = None) -> Seen:
        if number in known.held:
            return known.held[number]
        faults, gaps = (None, None) if before is None else (before.faults, before.gaps)
        ready = prepare(parts[number].read(), known.engine, faults, gaps, known.liars)
        return see(ready, known.engine, known.scale, again=before is not None)

    def first(number: int) -> tuple[Looked, list[float], Found]:
        this = seen(number)
        lamed = known.lamed[number] if known.held else lame.signs([this.view], known.usual)[0]
        looked = _look(this, lamed, known.taught)
        (alone,) = stumbles.chances([looked.look])
        return looked, alone, _find(this, looked, alone, False, known)

    def again(number: int) -> Found:
        return _find(seen(number, looks[number]), looks[number], chances[number], strays_count, known)

    looks: list[Looked] = []
    assumed: list[list[float]] = []
    found: list[Found] = []
    with _threads(parts) as pool:
        for looked, alone, by_itself in pool.map(first, range(len(parts))):
            looks.append(looked)
            assumed.append(alone)
            found.append(by_itself)
            report(0.7 * len(found) / len(parts))
        chances = stumbles.chances([one.look for one in looks])
        running_s = sum(to_s - from_s for one in looks for from_s, to_s in one.running)
        strays_count = stumbles.sparks_strayed([one.look for one in looks], running_s)
        # What the event says of a part's gaps and stray edges is mostly what the part says by itself.
        other = [
            number
            for number, one in enumerate(looks)
            if not stumbles.alike(chances[number], assumed[number]) or (strays_count and one.look.stray)
        ]
        for number, late in zip(other, pool.map(again, other), strict=True):
            found[number] = late
            report(0.7 + 0.3 * (number + 1) / len(parts))
    known.held.clear()
    return looks, found


def _look(this: Seen, lamed: list[Sign], taught: stumbles.Taught) -> Looked:
    ready, view = this.ready, this.view
    running = view.running_spans()
    return Looked(
        stumbles.look(view, this.ride, lamed, taught),
        ready.faults,
        ready.gaps,
        running,
        starts.failed_starts(view),
        frozenset(name for name, trace in view.traces.items() if trace.time_ns.size),
        frames.measured(ready.recording, view.engine, running),
    )


def _find(this: Seen, looked: Looked, chance: Sequence[float], strays_count: bool, known: Known) -> Found:
    view = this.view
    brought = stumbles.search(view, looked.look, chance, strays_count, known.taught.ceiling)
    stumbled = sorted((told.stumble(episode) for episode in brought.episodes), key=lambda stumble: stumble.onset_s)
    stumbled = doing.told(one_cylinder.named(stumbled, [view]), view, looked.look.halts)
    pulled = pulls.of_recording(
        this.ready.recording, view.engine, looked.running, stumbled, known.full_throttle, known.weather
    )
    return Found(stumbled, brought.rejected, brought.tach_faults, pulled)
