"""What the analysis found in an event, in the shape of `analyse --json` (times in seconds from the recording's start).

The JSON object is the contract with everything downstream: the logbook keeps it, the page and the report read it,
so a finding can be recomputed or handed on without the code that made it.
"""

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from logger.event import Cause

Effect = Literal["hesitation", "cutout", "stall", "single_misses"]
FaultKind = Literal["open", "short", "stuck", "intermittent", "extra_pulses", "dropped_pulses"]
Verdict = Literal["fixed", "not_fixed", "too_early"]


@dataclass(frozen=True, slots=True)
class Moved:
    """One rung of the order of failure: when a channel left its normal band, give or take."""

    channel: str
    at_s: float
    plus_minus_s: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Stumble:
    """One moment the engine stumbled. `onset_s`: first signal leaves normal; `engine_onset_s`: first bad firing.

    `sub_cause` narrows the cause where the signals allow it ("feed", "trigger", "vapour_lock", ...; see causes.py).
    `doing` is what the engine was doing before, a word of crank/doing.py ("" where nobody can tell).
    `evidence_for`, `evidence_against` and `rivals` are plain sentences for people. `burst` numbers the event's bursts.
    """

    recording: str
    onset_s: float
    engine_onset_s: float
    end_s: float
    cause: Cause
    probability: dict[Cause, float]
    first_to_move: str
    order: list[Moved]
    effect: Effect
    lost_firings: int
    lowest_speed_ratio: float
    sub_cause: str | None = None
    sentence: str = ""
    evidence_for: list[str] = field(default_factory=list)
    evidence_against: list[str] = field(default_factory=list)
    rivals: list[str] = field(default_factory=list)
    burst: int = 0
    doing: str = ""


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A sensor or its wire failed while the engine ran on."""

    recording: str
    channel: str
    from_s: float
    to_s: float
    kind: FaultKind
    note: str = ""


@dataclass(frozen=True, slots=True)
class FailedStart:
    """The engine was cranked and did not start, or died with the key on; what was seen meanwhile."""

    recording: str
    from_s: float
    to_s: float
    pulses_seen: bool
    fuel_pressure_kpa: float | None
    battery_voltage_v: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class RepairVerdict:
    """Whether a repair worked: burst rates per running hour before and after over matched exposure."""

    what: str
    verdict: Verdict
    rate_before_per_h: float | None
    rate_after_per_h: float | None
    confidence_fixed: float | None
    sentence: str = ""
    needed: str = ""


@dataclass(frozen=True, slots=True)
class OffNormal:
    """A channel whose level was off all day against the car's earlier events (channels/normal.py).

    cell: state, speed and warmth that are compared. now, usual: the middle of the values today and then, in SI units.
    """

    channel: str
    cell: str
    now: float
    usual: float
    n_events: int
    cause: Cause
    sentence: str


@dataclass(frozen=True, slots=True)
class NextTest:
    """One bench procedure: what to do, what passes, where the limit comes from, and the caution that goes with it."""

    title: str
    steps: list[str]
    passes: str
    source: str
    caution: str = ""
    minutes: int = 5


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything found in one event. `main_cause` None: nothing was found; a link None: nobody can tell.

    `exposure`: each run's (exposure.py), from which a season is judged. `provoke`: how to bring the stumbles out again;
    `proof_ahead`: how much clean running a repair made now would need. `pulls`: see pull_findings.py.

    `off_normal`: what was off all day against earlier events; `normal`: what this event taught for the next ones.

    `not_judged` says in sentences what could not be judged and why; `rejected` why candidates were no stumbles.
    """

    stumbles: list[Stumble]
    sensor_faults: list[SensorFault]
    failed_starts: list[FailedStart]
    gaps: list[dict[str, Any]]
    main_cause: Cause | None
    other_causes: list[Cause]
    linked_heat: bool | None
    linked_shock: bool | None
    links: dict[str, Any] = field(default_factory=dict)
    repairs: list[RepairVerdict] = field(default_factory=list)
    next_tests: list[NextTest] = field(default_factory=list)
    summary: str = ""
    not_judged: list[str] = field(default_factory=list)
    rejected: list[dict[str, Any]] = field(default_factory=list)
    runs: list[dict[str, Any]] = field(default_factory=list)
    exposure: list[dict[str, Any]] = field(default_factory=list)
    provoke: list[str] = field(default_factory=list)
    proof_ahead: str | None = None
    pulls: dict[str, Any] = field(default_factory=dict)
    coverage: dict[str, Any] = field(default_factory=dict)
    off_normal: list[OffNormal] = field(default_factory=list)
    normal: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """The contract's object, ready for json.dumps."""
        return asdict(self)
