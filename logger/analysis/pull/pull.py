"""One full-load pull: a curve of how fast the crank gains speed.

Torque follows from it, T = J · dω/dt (Newton's second law for rotation); without the inertia J the curve is relative to
the best pull of the same gear. With `Vehicle` it is absolute, wheel torque referred to the crank: J = m · (v/ω)² for a
car in gear, J_drum · (ω_drum/ω)² on a drum.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from logger.analysis.pull import air
from logger.errors import AnalysisError
from logger.event import FloatArray

Warmth = Literal["cold", "warm", "hot", "unknown"]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """What makes torque absolute: mass and way per turn in that gear, or the drum's inertia and its turns per turn."""

    mass_kg: float | None = None
    metres_per_turn: float | None = None
    drum_inertia_kg_m2: float | None = None
    drum_turns_per_turn: float | None = None

    @property
    def inertia_kg_m2(self) -> float:
        """Inertia felt at the crank. Raises AnalysisError where neither pair is complete and positive."""
        if self.mass_kg and self.metres_per_turn and self.mass_kg > 0 and self.metres_per_turn > 0:
            return self.mass_kg * (self.metres_per_turn / (2 * np.pi)) ** 2
        if self.drum_inertia_kg_m2 and self.drum_turns_per_turn and self.drum_inertia_kg_m2 > 0:
            return self.drum_inertia_kg_m2 * self.drum_turns_per_turn**2
        raise AnalysisError(
            "inertia: give mass_kg with metres_per_turn (of the crank, in that gear), "
            "or drum_inertia_kg_m2 with drum_turns_per_turn"
        )


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull. `speed_rpm` (n,) bin middles, `gain` (n,) the crank's gain in rad/s² corrected to standard air, and
    `gain_error` its standard error; `gear` numbers groups of like gearing; `break_ups_s` and `break_ups_rpm`: when it
    broke up, and at which speed right before (a stumble under way as the speed begins to rise is what the pull recovers
    from, and no break-up of it)."""

    recording: str
    from_s: float
    to_s: float
    speed_rpm: FloatArray
    gain: FloatArray
    gain_error: FloatArray
    coolant_degc: float | None
    warmth: Warmth
    air_factor: float
    gear: int = 0
    push: float | None = None
    break_ups_s: tuple[float, ...] = ()
    break_ups_rpm: tuple[float, ...] = ()

    def torque_nm(self, vehicle: Vehicle, loss: float = 0.0) -> FloatArray:
        """Torque (n,), N·m, at the crank, with the driveline's `loss` as a share (0: as felt at the wheels)."""
        return np.asarray(self.gain * vehicle.inertia_kg_m2 * air.at_crank(1.0, loss))

    def power_kw(self, vehicle: Vehicle, loss: float = 0.0) -> FloatArray:
        """Power (n,), kW: torque times crank speed."""
        return np.asarray(self.torque_nm(vehicle, loss) * self.speed_rpm * (2 * np.pi / 60) / 1000)
