"""A part of a recording made ready: its edges cleaned to firings, its sensors' lies taken out, its gaps known."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from logger.analysis.channels import sensor_faults
from logger.analysis.crank import pulses, starts, states, tach_source
from logger.analysis.crank.pulses import Firings
from logger.analysis.findings import SensorFault
from logger.analysis.signs.motion import Motion, motion_of
from logger.event import NS_PER_S, Engine, IntArray, Recording, Trace

# Carburettors are fed with 15 to 40 kPa, injection before the throttle with 65 to 100, before the valves with 200 and
# more (common practice).
FLOAT_BOWL_KPA = 55.0


@dataclass(frozen=True, slots=True)
class Prepared:
    """recording: as it was recorded; traces: NaN where a sensor lied; faults and gaps: of this part. silence_ns: the
    gaps of all channels together, int64 (m, 2), and the begin of a part that begins with the engine running."""

    recording: Recording
    firings: Firings
    traces: Mapping[str, Trace]
    faults: list[SensorFault]
    gaps: list[dict[str, Any]]
    silence_ns: IntArray


def prepare(
    recording: Recording,
    engine: Engine,
    faults: Sequence[SensorFault] | None = None,
    gaps: Sequence[dict[str, Any]] | None = None,
    liars: frozenset[str] = frozenset(),
) -> Prepared:
    """Make a part ready. faults, gaps: of its sensors, where they are known already; liars: see taps.py."""
    gaps = sensor_faults.gaps(recording) if gaps is None else list(gaps)
    silence_ns = _silence_ns(recording, gaps)
    edges = recording.pulses.get("tach_pulses", np.empty(0, np.int64))
    firings = pulses.clean(edges, engine, silence_ns)
    found = sensor_faults.find(recording, engine, liars=liars) if faults is None else list(faults)
    traces = {
        name: sensor_faults.mask(trace, [fault for fault in found if fault.channel == name])
        for name, trace in recording.traces.items()
    }
    return Prepared(recording, firings, traces, found, gaps, silence_ns)


@dataclass(frozen=True, slots=True)
class Seen:
    """A part with the view of it, and car and crank on one grid (None: not known)."""

    ready: Prepared
    view: states.View
    ride: Motion | None


def see(ready: Prepared, engine: Engine, scale: states.LoadScale, again: bool = False) -> Seen:
    """The part as the detectors see it; `again`: without the ride, which only they need."""
    view = starts.without_standstills(
        states.view(ready.recording, engine, ready.firings, ready.traces, scale, ready.silence_ns), scale
    )
    return Seen(ready, view, None if again else motion_of(view))


def _silence_ns(recording: Recording, gaps: Sequence[dict[str, Any]]) -> IntArray:
    spans = [(gap["from_s"], gap["to_s"]) for gap in gaps if gap["channel"] == "all"]
    if recording.from_ns:
        spans.insert(0, (recording.from_ns / NS_PER_S, recording.from_ns / NS_PER_S))
    return np.rint(np.asarray(spans, np.float64).reshape(-1, 2) * NS_PER_S).astype(np.int64)


def completed(engine: Engine, recordings: Sequence[Recording]) -> Engine:
    """The engine with what its owner left out, where the event shows it: a carburettor by the rail's level, a tach wire
    from the crank by pulses that run on with the ignition off."""
    if engine.fuel_system is None and _is_carburettor(recordings):
        engine = replace(engine, fuel_system="carburettor")
    if engine.tach_source is None and tach_source.is_crank(recordings):
        engine = replace(engine, tach_source="crank")
    return engine


def _is_carburettor(recordings: Sequence[Recording]) -> bool:
    levels = [
        float(np.nanpercentile(trace.value, 75))
        for recording in recordings
        if (trace := recording.traces.get("fuel_pressure")) is not None and not np.isnan(trace.value).all()
    ]
    return bool(levels) and float(np.median(levels)) < FLOAT_BOWL_KPA
