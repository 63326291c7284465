"""From the log of one drive to pulses on its wires, still free of what the wires add."""

import math

import numpy as np

from logger.event import FloatArray
from logger.virtualcar.car import Car
from logger.virtualcar.ignition import contact_of
from logger.virtualcar.log import Log
from logger.virtualcar.render import held, key_at, open_mask


def pulses_of(car: Car, seed: int) -> dict[str, FloatArray]:
    """Pulse times: tach_pulses, spark_pulses, injector_pulses and crank_pulses, sorted."""
    log = car.log
    random = np.random.default_rng(seed)
    arced = log.column("arced") > 0.5
    seen = random.random(int(arced.sum())) < 0.997
    spark = log.column("spark_t")[arced][seen] + 3e-5
    injected = (log.column("fired") > 0.5) & (log.column("injected") > 0.5) & (log.column("alive") > 0.5)
    inject = log.column("t")[injected][:: car.engine.cylinders] + 1e-3
    tach, crank = _tach(car, random), _by_angle(log, 1.0)
    crank += random.normal(0.0, 4e-6, crank.size)
    return {
        "tach_pulses": np.sort(tach),
        "spark_pulses": np.sort(spark),
        "injector_pulses": np.sort(inject),
        "crank_pulses": np.sort(crank),
    }


def _tach(car: Car, random: np.random.Generator) -> FloatArray:
    """Pulses on the tach wire, by what drives it."""
    log, engine = car.log, car.engine
    per_firing = engine.pulses_per_revolution / (2.0 * math.pi / engine.firing_angle)
    if engine.tach_source in ("control_unit", "crank"):
        pulses = _by_angle(log, engine.pulses_per_revolution)
        if engine.tach_source == "control_unit":
            alive = held(log, pulses, "alive") > 0.5
            pulses = pulses[
                alive & ~open_mask(contact_of(car.faults, "chafe_trigger"), pulses) & (key_at(car, pulses) > 0.5)
            ]
    elif per_firing == 1.0:
        pulses = np.concatenate([log.column("spark_t")[log.column("switched") > 0.5], car.ignition.stray])
    else:
        pulses = _coil_by_angle(car, engine.pulses_per_revolution)
    jitter = 6e-6 if engine.tach_source in ("control_unit", "crank") else 1.2e-5
    pulses = pulses + random.normal(0.0, jitter, pulses.size)
    return pulses[pulses > 0.0]


def _by_angle(log: Log, per_revolution: float) -> FloatArray:
    """Times at which the crank passes equally spaced angles."""
    turned, dt, crank = log.column("turned"), log.column("dt"), log.column("crank")
    after = np.cumsum(turned)
    before = after - turned
    step = 2.0 * math.pi / per_revolution
    marks = np.arange(1, int(after[-1] / step)) * step
    k = np.searchsorted(after, marks, side="left")
    part = (marks - before[k]) / turned[k]
    # constant torque within a step: speed squared grows linearly with angle
    end = np.maximum(2.0 * turned[k] / dt[k] - crank[k], 0.0)
    there = np.sqrt(crank[k] ** 2 + part * (end**2 - crank[k] ** 2))
    within = 2.0 * part * turned[k] / np.maximum(crank[k] + there, 1e-6)
    result: FloatArray = log.column("t")[k] + np.minimum(within, dt[k])
    return result


def _coil_by_angle(car: Car, per_revolution: float) -> FloatArray:
    """Wasted spark and the like: one coil's pulses, each present where the ignition was switched at that time."""
    log = car.log
    pulses = _by_angle(log, per_revolution)
    fired = log.column("fired") > 0.5
    spark, switched = log.column("spark_t")[fired], log.column("switched")[fired]
    place = np.clip(np.searchsorted(spark, pulses), 0, spark.size - 1)
    return pulses[switched[place] > 0.5]
