"""What the engine was doing at each firing: cranking, starting, idling, pulling, on overrun; and one view of all of it.

Load comes from the throttle where it is recorded, else from fuel pressure where that follows manifold vacuum (a port
injection regulator adds manifold pressure to the rail, so the rail shows load with the regulator's and filter's lag),
else from the crank's own acceleration.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM, Firings
from logger.event import NS_PER_S, BoolArray, Engine, FloatArray, IntArray, Recording, Trace

StateArray = npt.NDArray[np.int8]
LoadArray = npt.NDArray[np.float32]

CRANKED_BELOW = 0.55  # of idle speed: a starter turns the engine at a quarter to a third of it
STARTING_S = 0.8  # after the first firing above that: flare and first breaths, not judged as running
SETTLING_S = 0.3
SETTLED = 0.9  # of idle speed: reached once, the engine has started
IDLE_BAND = 1.35  # of idle speed
GAINS_AT = 0.4  # as the crank's acceleration shows it; a steady speed shows half of that, idle or not
OPEN_AT = 0.12  # of full load: above it the engine pulls
SHORTEST_STRETCH = 8  # pulses; fewer are noise on a wire, not an engine


class State(IntEnum):
    """Engine states, one for each firing. A View knows the first six; doing.py tells the others from them."""

    OFF = 0
    CRANKING = 1
    STARTING = 2
    IDLE = 3
    OVERRUN = 4
    PULLING = 5
    STEADY = 6
    GEAR_CHANGE = 7
    CLUTCH_IN = 8
    STALLED = 9
    SWITCHED_OFF = 10


@dataclass(frozen=True, slots=True)
class View:
    """One recording as the analysis sees it: cleaned pulses, traces without their sensors' lies, states.

    traces: rows with NaN are taken out. At each of firings.time_ns: state, int8 (n,) of State; running, bool (n,),
    whether the engine ran by itself; load, float32 (n,) from 0 (closed throttle) to 1, NaN where nothing tells.
    load_channel: what load is from, None where only the crank's own acceleration tells.
    gaps_ns: int64 (m, 2), stretches in which nothing at all was recorded.
    """

    recording: Recording
    engine: Engine
    firings: Firings
    traces: Mapping[str, Trace]
    state: StateArray
    running: BoolArray
    load: LoadArray
    load_channel: str | None
    gaps_ns: IntArray

    def running_spans(self) -> list[tuple[float, float]]:
        """Stretches in which the engine ran, seconds."""
        time_ns, bounds = self.firings.time_ns, self.firings.bounds()
        spans = []
        for first, last in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
            inside = np.flatnonzero(self.state[first:last] >= State.STARTING)
            if inside.size > 1:
                spans.append((time_ns[first + inside[0]] / NS_PER_S, time_ns[first + inside[-1]] / NS_PER_S))
        return spans

    def sampled(self, channel: str, time_ns: IntArray, lag_ns: int = 0) -> FloatArray:
        """A channel's value at the given times, linear between samples; NaN where the channel is absent."""
        trace = self.traces.get(channel)
        if trace is None or not trace.time_ns.size:
            return np.full(np.shape(time_ns), np.nan)
        return np.interp(time_ns, trace.time_ns - lag_ns, trace.value)

    def ran_at(self, at_ns: int, slack_ns: int = 150_000_000) -> bool:
        """Whether the engine ran by itself just before a time."""
        return bool(self.ran_at_each(np.array([at_ns]), slack_ns)[0])

    def ran_at_each(self, at_ns: IntArray, slack_ns: int = 150_000_000) -> BoolArray:
        """The same at many times, (n,)."""
        if not self.firings.time_ns.size:
            return np.zeros(at_ns.size, bool)
        place = np.searchsorted(self.firings.time_ns, at_ns)
        before = np.maximum(place - 1, 0)
        near = (place > 0) & (at_ns - self.firings.time_ns[before] <= slack_ns)
        return np.asarray(near & self.running[before] & self.running[np.maximum(place - 4, 0)])

    def near(self, channel: str, from_ns: int, to_ns: int) -> Trace:
        """The samples of a channel between two times, both included; empty where the channel is absent."""
        trace = self.traces.get(channel)
        if trace is None:
            return Trace(np.empty(0, np.int64), np.empty(0))
        first, last = np.searchsorted(trace.time_ns, [from_ns, to_ns + 1])
        return Trace(trace.time_ns[first:last], trace.value[first:last])


def view(
    recording: Recording,
    engine: Engine,
    firings: Firings,
    traces: Mapping[str, Trace],
    scale: "LoadScale",
    gaps_ns: IntArray,
) -> View:
    """Put the parts of one recording together. traces: lies already NaN; scale: from load_scale over the event."""
    clean = {name: _without_nan(trace) for name, trace in traces.items()}
    state = _coarse_state(firings, engine, gaps_ns)
    load = scale.load(clean, firings)
    running = state >= State.IDLE
    idle_rps = (engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    pulling = running & (load > OPEN_AT)
    slow = running & (firings.speed_rps < IDLE_BAND * idle_rps)
    channel = scale.shown_by(clean)
    slow &= ~pulling if channel else ~(load > GAINS_AT)
    state[running] = State.OVERRUN
    state[pulling] = State.PULLING
    state[slow] = State.IDLE
    return View(recording, engine, firings, clean, state, running, load, channel, gaps_ns)


def _without_nan(trace: Trace) -> Trace:
    absent = np.isnan(trace.value)
    if not absent.any():
        return trace
    good = ~(absent if trace.value.ndim == 1 else absent.any(axis=1))
    return Trace(trace.time_ns[good], trace.value[good])


def _coarse_state(firings: Firings, engine: Engine, gaps_ns: IntArray) -> StateArray:
    """OFF, CRANKING, STARTING or (for everything that runs) IDLE, int8 (n,)."""
    idle_rps = (engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    state = np.full(firings.time_ns.size, State.IDLE, np.int8)
    slow = firings.speed_rps < CRANKED_BELOW * idle_rps
    bounds = firings.bounds()
    for first, last in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        if last - first < SHORTEST_STRETCH:
            state[first:last] = State.OFF
            continue
        state[first:last][slow[first:last]] = State.CRANKING
        begun = [0, *gaps_ns[:, 1].tolist()]
        since = min(abs(int(firings.time_ns[first]) - at) for at in begun)
        if since < NS_PER_S and not slow[first : first + SHORTEST_STRETCH].any():
            continue  # the recording began, or went on, with the engine running
        caught = np.flatnonzero(~slow[first:last])
        begin = first + int(caught[0]) if caught.size else last
        state[first:begin] = State.CRANKING
        if begin < last:
            settled = begin + int(np.argmax(firings.speed_rps[begin:last] > SETTLED * idle_rps))
            until = max(
                firings.time_ns[begin] + int(STARTING_S * NS_PER_S),
                firings.time_ns[settled] + int(SETTLING_S * NS_PER_S),
            )
            starting = slice(begin, min(last, int(np.searchsorted(firings.time_ns, until))))
            state[starting][state[starting] == State.IDLE] = State.STARTING
    return state


@dataclass(frozen=True, slots=True)
class LoadScale:
    """Which channel shows load in this event and its readings at closed throttle and at full load.

    channel None: neither throttle nor a rail pressure that follows load; then only the crank's acceleration tells.
    """

    channel: str | None
    closed: float
    full: float
    lag_ns: int

    def shown_by(self, traces: Mapping[str, Trace]) -> str | None:
        """The channel that shows load in one recording: the event's, or None where it was not recorded then."""
        trace = traces.get(self.channel) if self.channel else None
        return None if trace is None or trace.time_ns.size < 2 else self.channel

    def load(self, traces: Mapping[str, Trace], firings: Firings) -> LoadArray:
        """Load from 0 to 1 at each firing, float32 (n,)."""
        channel = self.shown_by(traces)
        if channel is None:
            return load_from_crank(firings)
        trace = traces[channel]
        time_ns = trace.time_ns - self.lag_ns
        share = (trace.value - self.closed) / (self.full - self.closed)
        load = np.interp(firings.time_ns, time_ns, np.clip(share, 0.0, 1.0, out=share)).astype(np.float32)
        # Across a hole in the channel (a sensor's lies are taken out) nothing is known.
        for hole in np.flatnonzero(np.diff(time_ns) > LOAD_HOLE_NS).tolist():
            first, last = np.searchsorted(firings.time_ns, time_ns[hole : hole + 2], side="right")
            is_first, is_last = hole == 0, hole == time_ns.size - 2
            load[0 if is_first else first : None if is_last else last] = np.nan
        return load


def sampled(sample_ns: IntArray, time_ns: IntArray) -> BoolArray:
    """Whether samples lie less than SAMPLE_HOLE_NS apart around each time, (n,): across a hole nothing is known."""
    after = np.clip(np.searchsorted(sample_ns, time_ns), 1, sample_ns.size - 1)
    return np.asarray(sample_ns[after] - sample_ns[after - 1] < SAMPLE_HOLE_NS)


def load_from_crank(firings: Firings, window: int = 24) -> LoadArray:
    """Rough load from relative acceleration over `window` pulses: 0 while the crank slows, 1 while it gains 30 %/s."""
    n = firings.time_ns.size
    load = np.full(n, np.nan, np.float32)
    if n > 2 * window:
        span = (firings.time_ns[2 * window :] - firings.time_ns[: -2 * window]) / NS_PER_S
        speed = np.maximum(firings.speed_rps, 0.1)
        gained = np.log(speed[2 * window :] / speed[: -2 * window]) / span
        load[window:-window] = np.clip(0.2 + gained / 0.4, 0.0, 1.0)
    return load


PRESSURE_LAG_NS = 40_000_000  # regulator and damping filter behind the manifold, about (no source; 30-60 ms seen)
LOAD_HOLE_NS = 250_000_000
SAMPLE_HOLE_NS = 60_000_000
# Neither float bowls nor mechanical injection, whose pressure is the higher, hang on the manifold (common practice).
UNREFERENCED, UNREFERENCED_KPA = ("carburettor", "mechanical_injection"), 420.0
LEAST_SWING = 0.12  # of the closed-throttle pressure; less, and the rail does not show load


def load_scale(parts: list[tuple[Mapping[str, Trace], Firings]], engine: Engine) -> LoadScale:
    """Choose the load channel for an event from its recordings' (traces, firings)."""
    fast = 1.6 * (engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    for channel, lag_ns in (("throttle_position", 0), ("fuel_pressure", PRESSURE_LAG_NS)):
        values = [_driving_values(traces.get(channel), firings, fast) for traces, firings in parts]
        driving = np.concatenate(values) if values else np.empty(0)
        driving = driving[np.isfinite(driving)]
        if driving.size < 200:
            continue
        if channel == "throttle_position":
            closed, full = np.percentile(driving, [2, 97])
            if full - closed > 10.0:
                return LoadScale(channel, float(closed), float(full), lag_ns)
            continue
        if engine.fuel_system in UNREFERENCED or np.percentile(driving, 90) > UNREFERENCED_KPA:
            continue
        plain = driving[driving > 0.55 * np.percentile(driving, 90)]
        if plain.size < 200:
            continue
        closed, full = np.percentile(plain, [8, 95])
        if full - closed > LEAST_SWING * closed and _follows_load(parts, fast, float(closed), float(full)):
            return LoadScale(channel, float(closed), float(full), lag_ns)
    return LoadScale(None, 0.0, 1.0, 0)


def _follows_load(
    parts: list[tuple[Mapping[str, Trace], Firings]], fast_rps: float, closed: float, full: float
) -> bool:
    """Whether the crank gains speed where rail pressure is high and loses it where low: a regulator's vacuum hose.

    A pump's ripple or a rail that is short of fuel moves the pressure too, but not with the crank's acceleration.
    """
    high, low = [], []
    for traces, firings in parts:
        trace = traces.get("fuel_pressure")
        if trace is None or trace.time_ns.size < 2 or firings.time_ns.size < 100:
            continue
        time_ns = np.arange(firings.time_ns[0] + NS_PER_S, firings.time_ns[-1] - NS_PER_S, NS_PER_S // 10)
        speed = np.interp(
            np.stack((time_ns - NS_PER_S // 8, time_ns, time_ns + NS_PER_S // 8)), firings.time_ns, firings.speed_rps
        )
        gained = np.log(np.maximum(speed[2], 0.1) / np.maximum(speed[0], 0.1))
        share = (np.interp(time_ns, trace.time_ns - PRESSURE_LAG_NS, trace.value) - closed) / (full - closed)
        driving = speed[1] > fast_rps
        high.append(gained[driving & (share > 0.7)])
        low.append(gained[driving & (share < 0.2)])
    gain, loss = (np.concatenate(values) if values else np.empty(0) for values in (high, low))
    if gain.size < 20 or loss.size < 20:
        return False
    # Half of the time the crank gains at least with the upper, and loses at least with the lower level.
    return float(np.percentile(gain, 40)) > 0.0 > float(np.percentile(loss, 60))


def _driving_values(trace: Trace | None, firings: Firings, fast_rps: float) -> FloatArray:
    """A channel's samples while the crank turns faster than fast_rps, thinned to at most 20,000."""
    if trace is None or trace.value.ndim != 1 or trace.time_ns.size < 2 or firings.time_ns.size < 2:
        return np.empty(0)
    step = max(1, trace.time_ns.size // 20_000)
    time_ns, value = trace.time_ns[::step], trace.value[::step]
    place = np.clip(np.searchsorted(firings.time_ns, time_ns), 0, firings.time_ns.size - 1)
    return np.asarray(value[firings.speed_rps[place] > fast_rps], np.float64)
