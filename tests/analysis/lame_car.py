"""An engine drawn firing by firing, in which chosen firings are lost: for the tests of a lame cylinder.

It pulls for 8 s from 50 to 65 rev/s and is on overrun for 4 s, in turn; with `idles` it only idles. Each firing adds
its share of work to the crank, the road takes it off again and holds the crank near its course.
"""

from collections.abc import Callable

import numpy as np

from logger.analysis.crank import pulses, states
from logger.analysis.crank.states import View
from logger.event import NS_PER_S, Engine, IntArray, Recording, Trace

FOUR = Engine(cylinders=4, idle_rpm=900.0, redline_rpm=6500.0, fuel_system="port_injection")
WORK = 9400.0  # of all firings of a cycle at full load, over the crank's inertia, 1/s2
ADVANCE = 0.1  # of a firing's angle
HOLD = 0.02  # of its distance from the course that the crank is drawn back by each firing
CYCLE_S, OPEN_S = 12.0, 8.0

Lost = Callable[[int, float], bool]


def never(number: int, at_s: float) -> bool:
    """A sound engine: firing `number` at `at_s` burns."""
    return False


def cylinder(which: int, of: int, *spans: tuple[float, float], share: float = 0.9, seed: int = 3) -> Lost:
    """Loses `share` of one cylinder's firings within spans (from, to), s."""
    random = np.random.default_rng(seed)

    def lost(number: int, at_s: float) -> bool:
        inside = any(begin <= at_s < end for begin, end in spans)
        return inside and number % of == which and random.random() < share

    return lost


def recording(
    lost: Lost,
    engine: Engine = FOUR,
    *,
    until_s: float = 60.0,
    jitter_s: float = 2e-5,
    lobe_deg: float = 0.3,
    wander_deg: float = 0.12,
    idles: bool = False,
    skip: tuple[int, int] | None = None,
    seed: int = 1,
) -> Recording:
    """One recording with its throttle. skip: tach pulses first..stop-1 that are not there."""
    random = np.random.default_rng(seed)
    angle = np.pi * engine.strokes / engine.cylinders
    work = 2.0 * WORK / engine.cylinders
    lobes = np.radians(lobe_deg) * random.standard_normal(engine.cylinders)
    square, at_s, number = _course(0.0, idles)[0] ** 2, 0.0, 0
    turned, sparks = [0.0], [0.0]
    while at_s < until_s:
        goal, share = _course(at_s, idles)
        burnt = share * (0.0 if lost(number, at_s) else 1.0 + 0.02 * random.standard_normal())
        after = max(square + work * (burnt - share) + HOLD * (goal**2 - square), 0.5 * square)
        at_s += 2.0 * angle / (np.sqrt(square) + np.sqrt(after))
        square, number = after, number + 1
        turned.append(number * angle)
        sparks.append(at_s)
    firing, time = np.array(turned), np.array(sparks)
    per_firing = engine.pulses_per_revolution * angle / (2.0 * np.pi)
    if per_firing == 1.0:
        off = lobes[np.arange(1, number) % engine.cylinders] + np.radians(wander_deg) * random.standard_normal(
            number - 1
        )
        edges = np.interp(firing[1:-1] - ADVANCE * angle + off, firing, time)
    else:
        marks = np.arange(1.0, firing[-1] / (2.0 * np.pi) * engine.pulses_per_revolution - 1.0)
        edges = np.interp((marks - 0.3) * 2.0 * np.pi / engine.pulses_per_revolution, firing, time)
    edges = np.sort(edges + jitter_s * random.standard_normal(edges.size))
    if skip is not None:
        edges = np.delete(edges, np.arange(*skip))
    slow = np.arange(0.0, until_s, 0.01)
    throttle = 100.0 * np.array([_course(t, idles)[1] for t in slow.tolist()]) * (0.0 if idles else 1.0)
    traces = {} if idles else {"throttle_position": Trace(_ns(slow), throttle)}
    return Recording("r01", round(until_s * NS_PER_S), traces, {"tach_pulses": _ns(edges)})


def view_of(recording: Recording, engine: Engine = FOUR) -> View:
    """The recording as the detectors see it."""
    firings = pulses.clean(recording.pulses["tach_pulses"], engine)
    scale = states.load_scale([(recording.traces, firings)], engine)
    return states.view(recording, engine, firings, recording.traces, scale, np.empty((0, 2), np.int64))


def _course(at_s: float, idles: bool) -> tuple[float, float]:
    """The speed, rad/s, near which the crank is held, and the share of full work that each firing does."""
    if idles:
        return 2.0 * np.pi * 15.0, 0.25
    phase = at_s % CYCLE_S
    if phase < OPEN_S:
        return 2.0 * np.pi * (50.0 + 15.0 * phase / OPEN_S), 1.0
    return 2.0 * np.pi * (65.0 - 15.0 * (phase - OPEN_S) / (CYCLE_S - OPEN_S)), 0.0


def _ns(time_s: np.typing.NDArray[np.float64]) -> IntArray:
    return np.rint(time_s * NS_PER_S).astype(np.int64)
