"""From crank to road: clutch, gears, the spring of the drive shafts, tyres that slip, wheels in the air."""

from dataclasses import dataclass
from typing import Literal

from logger.virtualcar.controls import Controls
from logger.virtualcar.engine import advance

GRAVITY = 9.81


@dataclass(frozen=True, slots=True)
class Chassis:
    """The car around the engine: kg, m, total gear ratios (gearbox times final drive), N m the clutch can hold."""

    mass: float = 950.0
    wheel_radius: float = 0.29
    gears: tuple[float, ...] = (14.5, 8.8, 6.1, 4.6)
    clutch_nm: float = 260.0
    grip: float = 0.75
    driven_share: float = 0.55
    drag: float = 0.42
    rolling: float = 0.03
    shaft_hz: float = 5.0


@dataclass(slots=True)
class Driveline:
    """Speeds of crank (rad/s) and car (m/s) under the engine's torque; `mode` says what joins them.

    `twist` is the torque in the drive shafts seen at the crank, N m, of which `spring` is the elastic part.
    """

    chassis: Chassis
    inertia: float
    crank: float = 0.0
    speed: float = 0.0
    mode: Literal["free", "slip", "locked", "spin"] = "free"
    spring: float = 0.0
    twist: float = 0.0
    ax: float = 0.0
    starter_inertia: float = 0.0

    def turn(self, torque: float, angle: float, driver: Controls, slope: float) -> tuple[float, float]:
        """Turn the crank through one firing angle; returns (time taken, angle really turned)."""
        held = self.chassis.clutch_nm * driver.clutch if driver.gear else 0.0
        per_metre = self.chassis.gears[driver.gear - 1] / self.chassis.wheel_radius if driver.gear else 1.0
        shaft = self._shaft_torque(held, per_metre, driver)
        inertia = self.inertia * (1.3 if self.mode == "spin" else 1.0) + self.starter_inertia
        self.crank, dt, turned = advance(self.crank, torque - shaft, inertia, angle)
        self._roll(dt, shaft * per_metre, driver, slope)
        self._join(dt, held, per_metre, driver)
        return dt, turned

    def rest(self, dt: float, driver: Controls, slope: float) -> None:
        """Let dt pass with the crank at a standstill and the clutch pressed."""
        self.mode, self.spring, self.twist = "free", 0.0, 0.0
        self._roll(dt, 0.0, driver, slope)

    def _grip(self) -> float:
        chassis = self.chassis
        return chassis.grip * chassis.driven_share * chassis.mass * GRAVITY

    def _shaft_torque(self, held: float, per_metre: float, driver: Controls) -> float:
        """Torque the crank loses to the drive shafts, after deciding what joins crank and road now."""
        if held < 4.0:
            self.mode, self.spring, self.twist = "free", 0.0, 0.0
            return 0.0
        slip = self.crank - per_metre * self.speed
        if self.mode == "free":
            self.mode = "slip"
        elif self.mode == "locked":
            if driver.airborne or abs(self.twist) * per_metre > self._grip():
                self.mode = "spin"
            elif abs(self.twist) > held:
                self.mode = "slip"
            else:
                return self.twist
        if self.mode == "slip":
            return held if slip > 0.0 else -held
        sliding = 0.0 if driver.airborne else min(0.8 * self._grip() / per_metre, held)
        return sliding if slip > 0.0 else -sliding

    def _roll(self, dt: float, pull: float, driver: Controls, slope: float) -> None:
        """The car under pull and resistance, N; the hand brake holds it at a standstill."""
        chassis = self.chassis
        resist = chassis.drag * self.speed * self.speed + chassis.mass * GRAVITY * slope
        if self.speed > 0.05:
            resist += chassis.mass * (GRAVITY * chassis.rolling + driver.brake)
        elif pull < chassis.mass * (driver.brake + 0.4):
            pull = resist = 0.0
        self.ax = (pull - resist) / chassis.mass
        self.speed = max(0.0, self.speed + self.ax * dt)

    def _join(self, dt: float, held: float, per_metre: float, driver: Controls) -> None:
        """Wind the shafts up, or join crank and wheels again once their speeds meet."""
        slip = self.crank - per_metre * self.speed
        if self.mode == "locked":
            reduced = 1.0 / (1.0 / self.inertia + per_metre * per_metre / self.chassis.mass)
            # an explicit step diverges where shafts are stiff against the firing interval, so the product is capped
            natural = min(6.2832 * self.chassis.shaft_hz, 0.8 / max(dt, 1e-4))
            self.spring += reduced * natural * natural * slip * dt
            self.twist = self.spring + 0.3 * reduced * natural * slip
        elif self.mode != "free" and not driver.airborne and abs(slip) * self.inertia < max(held, 20.0) * dt * 1.1:
            self.mode, self.spring, self.twist = "locked", 0.0, 0.0
