"""An event as arrays: the one shape in which the store hands recordings to the analysis.

Times are int64 nanoseconds since the start of their recording (`time_s` of a capture folder, times 1e9).
Two recordings of one event are related only by `offset_ns`, which is absent where no clock was ever known::

    wall clock   started_utc ------------------------------------------------------>
    r01          |0 ... duration_ns|
    r02                                offset_ns|0 ... duration_ns|
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from itertools import pairwise
from typing import Literal, TypedDict

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

NS_PER_S = 1_000_000_000
TOGETHER_NS = 60 * NS_PER_S

Cause = Literal["supply_voltage", "ignition_primary", "ignition_secondary", "fuel_delivery", "mixture", "undetermined"]
CAUSES: tuple[Cause, ...] = (
    "supply_voltage", "ignition_primary", "ignition_secondary", "fuel_delivery", "mixture", "undetermined",
)  # fmt: skip
TachSource = Literal["coil_negative", "ignition_module", "control_unit", "crank"]
FuelSystem = Literal["port_injection", "single_point", "mechanical_injection", "carburettor"]
EventKind = Literal["competition", "bench", "road"]
RunAction = Literal["run", "practice", "split", "join"]


@dataclass(frozen=True, slots=True)
class Engine:
    """What the owner knows of the engine; `tach_pulses_per_revolution` counts pulses on the tach wire."""

    cylinders: int
    strokes: int = 4
    tach_pulses_per_revolution: float | None = None
    tach_source: TachSource | None = None
    fuel_system: FuelSystem | None = None
    idle_rpm: float | None = None
    redline_rpm: float | None = None

    @property
    def firings_per_revolution(self) -> float:
        """Power strokes per crank revolution: cylinders over two for a four-stroke, cylinders for a two-stroke."""
        return self.cylinders * 2.0 / self.strokes

    @property
    def pulses_per_revolution(self) -> float:
        """Pulses on the tach wire per revolution: as given, or one for each firing."""
        return self.tach_pulses_per_revolution or self.firings_per_revolution

    @property
    def tach_far_from_coil(self) -> bool:
        """Whether the tach wire's pulses say nothing about the coil: they come from the crank or a control unit."""
        return self.tach_source in ("crank", "control_unit")


EARLIER_EVENTS = 6
"""So many of a car's earlier events, the newest ones, are held against a new one."""


def same_car(one: Engine, other: Engine) -> bool:
    """Whether two descriptions can be of one engine: they agree wherever both say something. The idle speed, which a
    screw changes, is left out."""
    pairs = [(getattr(one, f.name), getattr(other, f.name)) for f in fields(Engine) if f.name != "idle_rpm"]
    return all(a == b or a is None or b is None for a, b in pairs)


@dataclass(frozen=True, slots=True)
class Trace:
    """One sampled channel.

    time_ns: int64, shape (n,), never decreasing. value: float, shape (n,), or (n, 3) for acceleration, in the
    channel's SI unit; NaN where the sensor gave nothing. A gap is absent rows.
    `key_sense` holds from each row to the next.
    """

    time_ns: IntArray
    value: FloatArray


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch, nanoseconds since the recording's start, in which a channel ("all": every one) was not recorded."""

    channel: str
    from_ns: int
    to_ns: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class Recording:
    """One power-up of the logger, or a part of it.

    `pulses` maps pulse channels and driver_marks to int64 times, sorted. duration_ns: when it ends. from_ns: when a
    part of it begins; goes_on: whether more of it follows.
    """

    name: str
    duration_ns: int
    traces: Mapping[str, Trace] = field(default_factory=dict)
    pulses: Mapping[str, IntArray] = field(default_factory=dict)
    offset_ns: int | None = None
    gaps: tuple[Gap, ...] = ()
    from_ns: int = 0
    goes_on: bool = False

    def part(self, from_ns: int, to_ns: int | None) -> "Recording":
        """What lies from from_ns up to to_ns (None: its end), times still since the recording's start."""
        if from_ns <= 0 and to_ns is None:
            return self
        traces = {}
        for name, trace in self.traces.items():
            inside = _inside(trace.time_ns, from_ns, to_ns)
            traces[name] = Trace(trace.time_ns[inside], trace.value[inside])
        pulses = {name: self.pulses_between(name, from_ns, to_ns) for name in self.pulses}
        return Recording(self.name, traces=traces, pulses=pulses, **part_of(self, from_ns, to_ns))

    def pulses_between(self, channel: str, from_ns: int, to_ns: int | None) -> IntArray:
        """The times of a pulse channel from from_ns up to to_ns; none where it is absent."""
        times = self.pulses.get(channel, np.empty(0, np.int64))
        return times[_inside(times, from_ns, to_ns)]


def _inside(time_ns: IntArray, from_ns: int, to_ns: int | None) -> slice:
    first = 0 if from_ns <= 0 else int(np.searchsorted(time_ns, from_ns))
    return slice(first, None if to_ns is None else int(np.searchsorted(time_ns, to_ns)))


class PartOf(TypedDict):
    """What a part of a recording says of itself."""

    duration_ns: int
    offset_ns: int | None
    gaps: tuple[Gap, ...]
    from_ns: int
    goes_on: bool


def part_of(whole: Recording, from_ns: int, to_ns: int | None) -> PartOf:
    """The fields of a part of a recording that are no samples."""
    end_ns = whole.duration_ns if to_ns is None else to_ns
    return {
        "duration_ns": end_ns,
        "offset_ns": whole.offset_ns,
        "gaps": tuple(gap for gap in whole.gaps if gap.from_ns < end_ns and gap.to_ns > from_ns),
        "from_ns": from_ns,
        "goes_on": to_ns is not None,
    }


@dataclass(frozen=True, slots=True)
class Repair:
    """Work done on the car: at `offset_ns` after the event's start, or after the recording of that name."""

    what: str
    offset_ns: int | None = None
    after_recording: str | None = None
    suspect: Cause | None = None


@dataclass(frozen=True, slots=True)
class Correction:
    """Where a person corrected the split of a recording into runs (analysis/runs.py). to_ns None: to its end."""

    recording: str
    action: RunAction
    from_ns: int
    to_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """A day's recordings in time order, with the engine they belong to and the repairs between them.

    circumstances: what people entered of fuel, road, weather and vehicle, see logger/circumstances.py. corrections: of
    the split into runs, in the order of their entry.
    """

    name: str
    engine: Engine
    recordings: tuple[Recording, ...]
    kind: EventKind = "competition"
    started_utc: datetime | None = None
    repairs: tuple[Repair, ...] = ()
    circumstances: Mapping[str, str | float] = field(default_factory=dict)
    corrections: tuple[Correction, ...] = ()


def repair_places(event: Event) -> list[tuple[int, float] | None]:
    """For each repair the recording that follows it, or holds it, and the second in it; None: no clock relates them.

    Needs no samples. Work done within TOGETHER_NS of other work is one repair, and has the place of the first of it.
    """
    order = sorted(
        (repair.offset_ns, number) for number, repair in enumerate(event.repairs) if repair.offset_ns is not None
    )
    places = [_place(event, repair) for repair in event.repairs]
    for (one_ns, one), (next_ns, following) in pairwise(order):
        if next_ns - one_ns <= TOGETHER_NS:
            places[following] = places[one]
    return places


def _place(event: Event, repair: Repair) -> tuple[int, float] | None:
    """The recording that follows a repair, or holds it, and the second in it; None where no clock relates the two."""
    names = [recording.name for recording in event.recordings]
    if repair.after_recording in names:
        return names.index(repair.after_recording) + 1, 0.0
    if repair.offset_ns is None:
        return None
    known = [(i, r.offset_ns, r.duration_ns) for i, r in enumerate(event.recordings) if r.offset_ns is not None]
    for i, offset_ns, duration_ns in known:
        if repair.offset_ns <= offset_ns:
            clockless_before = i > 0 and event.recordings[i - 1].offset_ns is None
            return None if clockless_before else (i, 0.0)
        if repair.offset_ns < offset_ns + duration_ns:
            return i, (repair.offset_ns - offset_ns) / NS_PER_S
    last_is_known = bool(known) and known[-1][0] == len(event.recordings) - 1
    return (len(event.recordings), 0.0) if last_is_known else None
