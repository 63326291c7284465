"""What the driver means to do: one power-up, and the pieces of its course."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Section:
    """A piece of the course. `kind`: full, part, lift, corner, handbrake or jump; speeds in m/s, lateral in g."""

    kind: str
    seconds: float
    speed_mps: float = 0.0
    lateral_g: float = 0.0
    pedal: float = 1.0


@dataclass(frozen=True, slots=True)
class Plan:
    """One power-up as the driver means to do it."""

    prime_s: float = 2.0
    warm_s: float = 8.0
    blips: int = 0
    course: tuple[Section, ...] = ()
    stall_at_start: bool = False
    cool_s: float = 5.0
    holds_rpm: tuple[float, ...] = ()
    shift_share: float = 0.93
    flat_shift: float = 0.0
