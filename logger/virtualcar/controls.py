"""What the car and its driver tell each other."""

from dataclasses import dataclass, field


@dataclass(slots=True)
class Controls:
    """The car sets t, rpm, speed_mps, spinning and throttle before each step, and reads the controls after it.

    pedal and throttle 0..1, clutch 0 (pressed) .. 1, gear 0 = neutral, brake in m/s2, key, starter. notes: what
    happened that is no stumble, (time, word). landings: times of jumps that ended, which the car takes away.
    failed_starts: (from, to) of cranking in vain.
    """

    t: float = 0.0
    rpm: float = 0.0
    speed_mps: float = 0.0
    spinning: bool = False
    pedal: float = 0.0
    throttle: float = 0.0
    clutch: float = 0.0
    gear: int = 0
    brake: float = 0.0
    key: bool = False
    starter: bool = False
    lateral_g: float = 0.0
    airborne: bool = False
    running: bool = False
    phase: str = "off"
    stops: int = 0
    notes: list[tuple[float, str]] = field(default_factory=list)
    landings: list[float] = field(default_factory=list)
    failed_starts: list[tuple[float, float]] = field(default_factory=list)

    def note(self, word: str) -> None:
        """Say what happens now."""
        self.notes.append((self.t, word))
