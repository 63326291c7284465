"""The engine from air to crank torque: mean-pressure forms evaluated once for every firing.

Work per firing is mean effective pressure times displacement over cylinders; the crank then turns through one firing
angle with constant torque (engine.advance). Mean pressures in kPa, volumes in m3, speeds in rad/s.
"""

import math
from dataclasses import dataclass
from random import Random
from typing import Literal

from logger.event import Engine, FuelSystem, TachSource

ATMOSPHERE_KPA = 98.0
HEAT_FACTOR = 12.3  # gross mean effective pressure per kPa of trapped air: 0.36 x 44 MJ/kg / 14.7 / (R x 310 K)
RESIDUAL_KPA = 40.0  # lost to the charge left over from the cycle before, which weighs on an idling engine
RPM = 30.0 / math.pi
CAUGHT_RPM = 350.0  # below, the engine is still being started


@dataclass(frozen=True, slots=True)
class EngineSpec:
    """An engine as built. Rates in litres, kPa, kg m2 and rpm; `limiter` says what the rev limiter cuts."""

    cylinders: int = 4
    strokes: int = 4
    litres: float = 1.8
    inertia: float = 0.14
    idle_rpm: float = 900.0
    redline_rpm: float = 6500.0
    peak_rpm: float = 4200.0
    boost_kpa: float = 0.0
    fuel_system: FuelSystem = "port_injection"
    rail_kpa: float = 250.0
    manifold_referenced: bool = True
    tach_source: TachSource = "coil_negative"
    tach_pulses_per_revolution: float | None = None
    limiter: Literal["none", "spark", "fuel"] = "none"
    overrun_cut: bool = True
    idle_control: bool = True
    cyclic_variation: float = 0.018
    cylinder_spread: float = 0.02
    timing_scatter_deg: float = 0.25
    dwell_ms: float = 3.2

    @property
    def firing_angle(self) -> float:
        """Crank angle from one firing to the next, rad."""
        return math.pi * self.strokes / self.cylinders

    @property
    def pulses_per_revolution(self) -> float:
        return self.tach_pulses_per_revolution or self.cylinders * 2.0 / self.strokes

    @property
    def electronic(self) -> bool:
        """Whether a control unit meters the fuel, and so stops with its supply and its trigger."""
        return self.fuel_system in ("port_injection", "single_point")

    def described(self) -> Engine:
        """What the owner would write into the settings."""
        return Engine(
            self.cylinders, self.strokes, self.pulses_per_revolution, self.tach_source, self.fuel_system,
            float(round(self.idle_rpm, -1)), float(round(self.redline_rpm, -2)),
        )  # fmt: skip


def friction_kpa(speed: float, oil_degc: float) -> float:
    """Motored friction mean effective pressure, cold oil costing up to as much again.

    97 + 15 N + 5 N^2 kPa with N in 1000/min: Barnes-Moss, given in Heywood, Internal Combustion Engine
    Fundamentals, 1988, chapter 13 (from memory).
    """
    n = speed * RPM / 1000.0
    cold = 1.0 + max(0.0, 80.0 - oil_degc) / 90.0
    return (97.0 + 15.0 * n + 5.0 * n * n) * 0.8 * cold


def orifice_flow(ratio: float) -> float:
    """Relative mass flow of a throttle at manifold over upstream pressure, 1 when choked.

    Isentropic flow of a perfect gas through an orifice, gamma 1.4: Heywood 1988, appendix C.
    """
    if ratio <= 0.528:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    return math.sqrt(7.0 * (ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4))) / 0.6847


def _manifold_table(size: int = 400, largest: float = 8.0) -> list[float]:
    """Manifold over upstream pressure in balance, for choked throttle flow over pumping flow from 0 to `largest`."""
    table = [0.0]
    for k in range(1, size + 1):
        supply = largest * k / size
        low, high = 0.0, 1.0
        for _ in range(40):
            middle = 0.5 * (low + high)
            if supply * orifice_flow(middle) > middle:
                low = middle
            else:
                high = middle
        table.append(low)
    return table


_BALANCE = _manifold_table()


def balanced_ratio(supply: float) -> float:
    """Manifold over upstream pressure at which throttle flow equals what the engine swallows."""
    place = min(supply, 7.99) * 50.0
    low = int(place)
    return _BALANCE[low] + (_BALANCE[low + 1] - _BALANCE[low]) * (place - low)


def volumetric(speed: float, spec: EngineSpec) -> float:
    """Volumetric efficiency: a broad hump about the speed of peak torque."""
    x = speed * RPM / spec.peak_rpm - 1.0
    return 0.90 - 0.16 * x * x if x > -1.0 else 0.74


def lean_torque(lam: float) -> float:
    """Torque at relative air-fuel ratio `lam` over the best: flat near 0.9, half gone at the lean limit."""
    if lam < 0.92:
        return max(0.0, 1.0 - 2.2 * (0.92 - lam) ** 2)
    if lam < 1.06:
        return 1.0 - 1.2 * (lam - 0.92) ** 2
    return max(0.0, 0.977 - 0.9 * (lam - 1.06) - 1.6 * (lam - 1.06) ** 2)


def light_chance(lam: float) -> float:
    """Chance that a good spark lights a charge of relative air-fuel ratio `lam`."""
    if lam > 1.2:
        return 1.0 / (1.0 + math.exp(min(60.0, (lam - 1.46) / 0.035)))
    if lam < 0.7:
        return 1.0 / (1.0 + math.exp(min(60.0, (0.58 - lam) / 0.025)))
    return 1.0


@dataclass(slots=True)
class Air:
    """Throttle, manifold and boost. `pressure_kpa` is absolute; the idle air passes beside the throttle plate.

    `sound_kpa` is what the manifold would be at without the leak.
    """

    spec: EngineSpec
    idle_air: float
    pressure_kpa: float = ATMOSPHERE_KPA
    sound_kpa: float = ATMOSPHERE_KPA
    upstream_kpa: float = ATMOSPHERE_KPA
    leak: float = 0.0
    trim: float = 0.0

    def step(self, dt: float, speed: float, throttle: float, idle_error: float) -> None:
        """Advance by dt; throttle 0..1, idle_error in rad/s (target minus speed) where the idle control is active."""
        spec = self.spec
        if spec.boost_kpa:
            goal = ATMOSPHERE_KPA + spec.boost_kpa * min(1.0, max(0.0, speed * RPM / spec.peak_rpm - 0.45) * 2.2) * (
                throttle**1.5
            )
            self.upstream_kpa += (goal - self.upstream_kpa) * min(
                1.0, dt / (0.45 if goal > self.upstream_kpa else 0.12)
            )
        if spec.idle_control:
            self.trim += idle_error * 4e-5 * dt if idle_error else -self.trim * dt * 0.4
            self.trim = min(max(self.trim, -0.3 * self.idle_air), 1.5 * self.idle_air)
            quick = 4.5e-5 * idle_error
        else:
            quick = 0.0
        area = self.idle_air + self.trim + quick + self.leak + 2.0 * throttle**1.9 + 0.02 * throttle
        swallow = max(volumetric(speed, spec) * speed / 600.0, 0.004)
        lag = 0.11 / max(speed, 10.0) * 9.0 if spec.idle_control else 0.07 / max(speed, 10.0) * 9.0
        self.pressure_kpa = self._filled(self.pressure_kpa, area / swallow, dt / lag)
        sound = (
            self.pressure_kpa if not self.leak else self._filled(self.sound_kpa, (area - self.leak) / swallow, dt / lag)
        )
        self.sound_kpa = sound

    def _filled(self, kpa: float, supply: float, lags: float) -> float:
        """A manifold at `kpa` some time constants later, on that much choked throttle flow over pumping flow."""
        # burnt gas flowing back through the valves keeps even a shut manifold above a sixth of an atmosphere
        goal = self.upstream_kpa * max(balanced_ratio(max(supply, 0.0)), 0.16)
        return kpa + (goal - kpa) * (1.0 - math.exp(-lags))


def idle_air_for(spec: EngineSpec) -> float:
    """Air past the closed throttle that holds the idle speed warm, from the balance of mean pressures."""
    speed = spec.idle_rpm / RPM
    ratio = 0.30
    for _ in range(60):
        manifold = ratio * ATMOSPHERE_KPA
        work = HEAT_FACTOR * volumetric(speed, spec) * manifold * 0.88 * lean_torque(1.0) - RESIDUAL_KPA
        cost = friction_kpa(speed, 85.0) + ATMOSPHERE_KPA - manifold + 35.0
        ratio += 0.00012 * (cost - work)
    return ratio * max(volumetric(speed, spec) * speed / 600.0, 0.004)


@dataclass(slots=True)
class Cylinders:
    """Combustion: which cylinder fires next and how well. `weak` holds each one's standing factor."""

    spec: EngineSpec
    random: Random
    weak: list[float]
    last: float = 0.0

    @classmethod
    def build(cls, spec: EngineSpec, random: Random) -> "Cylinders":
        return cls(spec, random, [1.0 + random.gauss(0.0, spec.cylinder_spread) for _ in range(spec.cylinders)])

    def work_kpa(self, cylinder: int, speed: float, manifold_kpa: float, lam: float) -> float:
        """Gross mean effective pressure of one firing with cyclic variation, wider at light load and weak mixture."""
        spec = self.spec
        light = max(0.0, 60.0 - manifold_kpa) / 60.0
        spread = spec.cyclic_variation * (1.0 + 2.2 * light * light + 3.0 * max(0.0, lam - 1.08))
        self.last = self.random.gauss(0.0, spread) - 0.15 * self.last
        best = max(0.0, HEAT_FACTOR * volumetric(speed, spec) * manifold_kpa * 0.88 - RESIDUAL_KPA)
        return best * lean_torque(lam) * self.weak[cylinder] * (1.0 + self.last)


def advance(speed: float, torque: float, inertia: float, angle: float) -> tuple[float, float, float]:
    """Turn through `angle` under constant torque: (new speed, time taken, angle really turned).

    From the work done on the flywheel, so it holds from standstill on; where the crank stops on the way, the new
    speed is 0 and the angle is what it still turned.
    """
    square = speed * speed + 2.0 * torque * angle / inertia
    if square <= 1.0:
        if torque >= 0.0 or speed <= 0.0:
            return 0.0, 0.02, 0.0
        turned = min(angle, -speed * speed * inertia / (2.0 * torque))
        return 0.0, 2.0 * turned / max(speed, 1.0), turned
    after = math.sqrt(square)
    return after, 2.0 * angle / (speed + after), angle
