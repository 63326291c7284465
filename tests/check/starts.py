"""Starts of invented cars, healthy and drawn at random, and what a logger wired to them would see of each."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from random import Random

import numpy as np

from logger import settings
from logger.check.observation import Observation, of_batches
from logger.conversion import g_to_counts, volts_to_counts
from logger.event import NS_PER_S, FloatArray
from logger.sensors.batch import Batch
from logger.settings import Settings
from logger.virtualcar.car import Car, Conditions
from logger.virtualcar.drive import Drive
from logger.virtualcar.edges import pulses_of
from logger.virtualcar.garage import CARS, HELD_OUT, TUNED, as_built
from logger.virtualcar.plan import Plan
from logger.virtualcar.render import key_steps, signals_of
from logger.virtualcar.rig import PIN_LIMITS_V, PIN_NOISE_V

IDLE_FROM_S, IDLE_S = 5.0, 3.0
CHIP_NOISE_COUNTS = 1.5
PSI_KPA = 6.894757


@dataclass(frozen=True)
class Start:
    """A power-up: key on at `key_s`, first turn of the crank at `crank_s`."""

    drive: Drive
    settings: Settings
    key_s: float
    crank_s: float
    seed: int


def a_start(seed: int, car: str | None = None, *, coolant_degc: float | None = None) -> Start:
    """One healthy car, cold or hot, its rail empty or still under pressure; with `coolant_degc` given, one whose
    driver takes his time on a battery that is full."""
    random = Random(seed)
    spec = as_built(CARS[car or random.choice(sorted(TUNED | HELD_OUT))], random)
    hot = random.random() < 0.5
    usual_degc = random.uniform(60.0, 95.0) if hot else random.uniform(-5.0, 30.0)
    conditions = Conditions(
        coolant_degc=usual_degc if coolant_degc is None else coolant_degc,
        bay_degc=random.uniform(30.0, 60.0) if hot else random.uniform(0.0, 30.0),
        capacity_ah=random.uniform(30.0, 60.0),
        used=random.uniform(0.0, 0.35) if coolant_degc is None else 0.02,
        surface_v=random.uniform(0.0, 0.5),
        rail_kpa=random.choice((0.0, random.uniform(0.3, 0.9) * spec.engine.rail_kpa)),
        slope=random.uniform(-0.06, 0.06),
    )  # fmt: skip
    prime_s = random.uniform(1.0, 4.0) if coolant_degc is None else 4.0
    simulated = Car(spec, Plan(prime_s=prime_s, warm_s=9.0, cool_s=0.0), conditions, [], seed)
    log = simulated.run()
    drive = Drive(
        "r01", log.end_s, 0.0, signals_of(simulated, seed), pulses_of(simulated, seed),
        {"key_sense": key_steps(simulated)},
    )  # fmt: skip
    starter = log.column("starter_a") > 0.0
    crank_s = float(log.column("t")[starter][0])
    return Start(drive, wiring_for(spec.engine.described(), spec.engine.rail_kpa), log.key[0][0], crank_s, seed)


def wiring_for(engine: object, rail_kpa: float) -> Settings:
    """The default wiring with a transducer that suits the rail."""
    default = settings.default()
    psi = next(psi for psi in (15.0, 30.0, 60.0, 100.0, 150.0) if psi * PSI_KPA > 1.3 * rail_kpa)
    pressure = replace(default.channels["fuel_pressure"], full_scale=psi)
    return replace(default, engine=engine, channels={**default.channels, "fuel_pressure": pressure})  # type: ignore[arg-type]


def look(
    start: Start,
    t0_s: float,
    t1_s: float,
    *,
    pin_v: Mapping[str, Callable[[FloatArray], FloatArray]] | None = None,
    tach: Callable[[FloatArray], FloatArray] = lambda pulses: pulses,
    turn: FloatArray | None = None,
) -> Observation:
    """What the sensors give from t0 to t1 of the drive. pin_v: what becomes of a channel's volts at the ADC's pin on
    the way; tach: of the pulse times; turn: rotation of the box, shape (3, 3)."""
    wiring = start.settings
    random = np.random.default_rng(start.seed)
    drive = start.drive
    samples = {}
    for name, channel in wiring.channels.items():
        time_s = np.arange(t0_s, t1_s, 1.0 / channel.rate_hz)
        supply = drive.signals["sensor_supply_voltage"].at(time_s)
        volts = channel.calibration.to_pin_volts(drive.signals[name].at(time_s), supply)
        volts = (pin_v or {}).get(name, lambda same: same)(np.asarray(volts))
        volts = np.clip(volts + random.normal(0.0, PIN_NOISE_V, volts.shape), *PIN_LIMITS_V)
        samples[name] = (_ns(time_s), volts_to_counts(volts, channel.gain))
    time_s = np.arange(t0_s, t1_s, 1.0 / 400.0)
    felt = drive.signals["acceleration"].at(time_s) @ (np.eye(3) if turn is None else turn).T
    counts = g_to_counts(felt, wiring.accelerometer.mounting)
    noisy = counts + np.rint(random.normal(0.0, CHIP_NOISE_COUNTS, counts.shape)).astype(np.int16)
    samples["acceleration"] = (_ns(time_s), noisy)
    pulses = tach(drive.pulses["tach_pulses"])
    times, values = drive.steps["key_sense"]
    place = np.flatnonzero(times <= t1_s)
    batch = Batch(
        samples,
        {"tach_pulses": _ns(pulses[(pulses >= t0_s) & (pulses < t1_s)])},
        {"key_sense": (_ns(times[place]), values[place].astype(np.int8))},
        None, (), (),
    )  # fmt: skip
    return of_batches([batch], wiring, round(t1_s * NS_PER_S))


def standing(start: Start, **more: object) -> Observation:
    """Key on, up to just before the starter."""
    return look(start, max(0.0, start.crank_s - 5.0), start.crank_s - 0.05, **more)  # type: ignore[arg-type]


def idling(start: Start, **more: object) -> Observation:
    """A few seconds after it caught."""
    return look(start, start.crank_s + IDLE_FROM_S, start.crank_s + IDLE_FROM_S + IDLE_S, **more)  # type: ignore[arg-type]


def _ns(time_s: FloatArray) -> np.ndarray:
    return np.rint(np.asarray(time_s) * NS_PER_S).astype(np.int64)
