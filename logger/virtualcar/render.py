"""From the log of one drive to signals on uniform grids, still free of sensor noise.

Slow states are interpolated between firings; what moves faster than firings (coil current, starter ripple, a
chattering contact, engine vibration, knocks) is drawn on the grid itself.
"""

import math

import numpy as np
from scipy import signal as sp_signal

from logger.event import BoolArray, FloatArray
from logger.virtualcar.car import Car
from logger.virtualcar.drive import Signal
from logger.virtualcar.faults import Contact
from logger.virtualcar.ignition import contact_of
from logger.virtualcar.log import Log

RATE_HZ = 1000.0
SHAKE_HZ = 1600.0
SLOW_HZ = 10.0
CHARGES_RADS = 55.0  # crank speed from which the alternator charges


def signals_of(car: Car, seed: int) -> dict[str, Signal]:
    """Every sampled channel the car can offer: channel name to Signal."""
    log = car.log
    time = np.arange(0.0, log.end_s, 1.0 / RATE_HZ)
    slow = np.arange(0.0, log.end_s, 1.0 / SLOW_HZ)
    random = np.random.default_rng(seed)
    battery = _battery(car, time, random)
    coil_a = _coil_current(car, time)
    return {
        "battery_voltage": Signal(RATE_HZ, battery),
        "ignition_feed_voltage": Signal(RATE_HZ, _feed(car, time, battery, coil_a)),
        "sensor_supply_voltage": Signal(RATE_HZ, _sensor_supply(battery)),
        "fuel_pressure": Signal(RATE_HZ, _pressure(car, time, random)),
        "throttle_position": Signal(RATE_HZ, 1.2 + 97.5 * _at(log, time, "throttle")),
        "pump_feed_voltage": Signal(RATE_HZ, _pump_feed(car, time, battery)),
        "engine_ground_drop": Signal(RATE_HZ, _ground_drop(car, time, coil_a)),
        "air_fuel_ratio": Signal(RATE_HZ / 10.0, _air_fuel(car, time[::10])),
        "coolant_temperature": Signal(SLOW_HZ, _at(log, slow, "coolant")),
        "under_bonnet_temperature": Signal(SLOW_HZ, _at(log, slow, "bay")),
        "acceleration": Signal(SHAKE_HZ, _acceleration(car, random)),
    }


def _at(log: Log, time: FloatArray, name: str) -> FloatArray:
    return np.interp(time, log.column("t"), log.column(name))


def held(log: Log, time: FloatArray, name: str) -> FloatArray:
    """A column that jumps: each time gets the value of the step it lies in."""
    place = np.clip(np.searchsorted(log.column("t"), time, side="right") - 1, 0, None)
    result: FloatArray = log.column(name)[place]
    return result


def open_mask(contact: Contact, time: FloatArray) -> BoolArray:
    """Where the contact is open."""
    if not contact.opens:
        return np.zeros(time.size, dtype=np.bool_)
    place = np.searchsorted(np.array(contact.opens), time, side="right") - 1
    result: BoolArray = (place >= 0) & (time < np.array(contact.closes)[np.maximum(place, 0)])
    return result


def _lag(value: FloatArray, seconds: float, rate_hz: float) -> FloatArray:
    """First-order low pass, started at its first value."""
    share = 1.0 - math.exp(-1.0 / (seconds * rate_hz))
    result: FloatArray = sp_signal.lfilter([share], [1.0, share - 1.0], value, zi=[(1.0 - share) * value[0]])[0]
    return result


def _turns(log: Log, time: FloatArray) -> FloatArray:
    """Crank angle, rad, at each time."""
    angle = np.concatenate(([0.0], np.cumsum(log.column("turned"))[:-1]))
    return np.interp(time, log.column("t"), angle)


def _battery(car: Car, time: FloatArray, random: np.random.Generator) -> FloatArray:
    """System voltage: states, compression ripple and inrush while cranking, alternator ripple, an open ground."""
    log = car.log
    volts = _at(log, time, "volts")
    firing = 2.0 * math.pi / car.engine.firing_angle
    starter = held(log, time, "starter_a")
    phase = _turns(log, time) * firing
    volts += np.where(starter > 0.0, 0.0016 * starter * np.cos(phase), 0.0)
    begins = np.flatnonzero(np.diff(starter, prepend=0.0) > 50.0)
    for k in begins[np.diff(time[begins], prepend=-1.0) > 0.4]:
        since = time[k : k + 300] - time[k]
        volts[k : k + 300] -= 2.1 * np.exp(-since / 0.045)
    volts += 0.02 * np.sin(phase * 3.1) * (_at(log, time, "crank") > CHARGES_RADS)
    return _without_ground(car, time, volts, random)


def _without_ground(car: Car, time: FloatArray, volts: FloatArray, random: np.random.Generator) -> FloatArray:
    mask = open_mask(car.ignition.earth, time)
    if not mask.any():
        return volts
    depth_now = 0.75 * car.ignition.ground_depth * (1.0 + 0.08 * random.standard_normal(time.size))
    return volts * (1.0 - np.clip(_lag(np.where(mask, depth_now, 0.0), 0.004, RATE_HZ), 0.0, 0.97))


def _coil_current(car: Car, time: FloatArray) -> FloatArray:
    """Primary current: a rise through each dwell that ends in a spark."""
    log = car.log
    switched = log.column("switched") > 0.5
    spark = log.column("spark_t")[switched]
    if not spark.size:
        return np.zeros(time.size)
    dwell = np.minimum(car.engine.dwell_ms * 1e-3, 0.72 * np.gradient(spark)) if spark.size > 1 else np.full(1, 3e-3)
    place = np.minimum(np.searchsorted(spark, time), spark.size - 1)
    since = time - (spark[place] - dwell[place])
    coil = car.spec.coil
    total = coil.ohm + coil.feed_ohm
    rise = np.minimum(coil.limit_a, 13.0 / total * (1.0 - np.exp(-np.maximum(since, 0.0) * total / coil.henry)))
    result: FloatArray = np.where((since > 0.0) & (time <= spark[place]), rise, 0.0)
    return result


def key_at(car: Car, time: FloatArray) -> FloatArray:
    """key_sense at each time."""
    times, values = key_steps(car)
    result: FloatArray = values[np.searchsorted(times, time, side="right") - 1]
    return result


def key_steps(car: Car) -> tuple[FloatArray, FloatArray]:
    """Times and values of key_sense, starting with off at 0."""
    rows = [(0.0, 0.0), *car.log.key]
    return np.array([t for t, _ in rows]), np.array([v for _, v in rows])


def _feed(car: Car, time: FloatArray, battery: FloatArray, coil_a: FloatArray) -> FloatArray:
    """At the coil's supply terminal: the bus less the wiring's drop; gone within a millisecond where the wire opens."""
    connected = key_at(car, time) * ~open_mask(car.ignition.feed, time)
    loaded = battery - 0.12 - car.spec.coil.feed_ohm * coil_a
    return _lag(loaded * connected, 0.0009, RATE_HZ)


def _sensor_supply(battery: FloatArray) -> FloatArray:
    """5 V from a regulator that runs dry below about 6.2 V at its input."""
    full = 4.995 + 0.0012 * (battery - 13.0)
    fed = np.minimum(full, np.maximum(_lag(battery, 0.006, RATE_HZ) - 1.15, 0.0))
    return fed


def _pressure(car: Car, time: FloatArray, random: np.random.Generator) -> FloatArray:
    """Rail pressure with the small pulsation of pump and injection."""
    log = car.log
    rail = _at(log, time, "rail")
    firing = 2.0 * math.pi / car.engine.firing_angle
    swing = 0.012 if car.engine.fuel_system != "carburettor" else 0.05
    pulse = np.sin(_turns(log, time) * firing / 2.0) * (_at(log, time, "crank") > 20.0)
    boil = _lag(random.standard_normal(time.size), 0.03, RATE_HZ) * 8.0
    vapour = contact_of(car.faults, "vapour")
    rail = rail * (1.0 + swing * pulse + np.where(open_mask(vapour, time), 0.04 * boil, 0.0))
    return np.maximum(rail, 0.0)


def _pump_feed(car: Car, time: FloatArray, battery: FloatArray) -> FloatArray:
    fed = np.where(held(car.log, time, "pump_on") > 0.0, battery - 0.35, 0.0)
    return _lag(fed * ~open_mask(car.pump_wire, time), 0.003, RATE_HZ)


def _ground_drop(car: Car, time: FloatArray, coil_a: FloatArray) -> FloatArray:
    amps = held(car.log, time, "starter_a") + coil_a + _at(car.log, time, "load_a")
    drop = 0.0009 * amps + np.where(open_mask(car.ignition.earth, time), 2.5, 0.0)
    return _lag(drop, 0.002, RATE_HZ)


def _air_fuel(car: Car, time: FloatArray) -> FloatArray:
    """What a wide-band probe shows: late by the way through the exhaust, slow, and pegged lean on air."""
    log = car.log
    lam = held(log, time, "lam")
    crank = np.maximum(_at(log, time, "crank"), 20.0)
    manifold = _at(log, time, "manifold")
    late = np.clip(0.035 + 2.4 / crank * np.clip(60.0 / manifold, 0.6, 2.2), 0.05, 0.5)
    seen = np.interp(time, np.maximum.accumulate(time + late), lam)
    turning = _at(log, time, "crank") > 5.0
    seen = np.where(turning, seen, 1.6)
    return np.clip(14.7 * _lag(np.minimum(seen, 1.6), 0.09, RATE_HZ / 10.0), 10.0, 22.0)


def _acceleration(car: Car, random: np.random.Generator) -> FloatArray:
    """x forward, y left, z up, in g: driving, engine orders, rough ground, knocks and the jolts of the driveline."""
    log = car.log
    time = np.arange(0.0, log.end_s, 1.0 / SHAKE_HZ)
    speed, crank = _at(log, time, "speed"), _at(log, time, "crank")
    value = np.zeros((time.size, 3))
    value[:, 0] = _lag(_at(log, time, "ax") / 9.81, 0.02, SHAKE_HZ) + car.conditions.slope
    value[:, 1] = _lag(_at(log, time, "lateral"), 0.15, SHAKE_HZ)
    # in the air nothing carries the box, and no road shakes it
    carried = _lag(1.0 - _airborne(car, time), 0.02, SHAKE_HZ)
    value[:, 2] = carried
    value += _engine_orders(car, time, crank)
    ground = (0.016 * speed + 0.004 * (speed > 0.5)) * carried
    for axis, share in enumerate((0.5, 0.6, 1.0)):
        noise = _lag(random.standard_normal(time.size), 0.006, SHAKE_HZ)
        value[:, axis] += noise * ground * share * 3.6
    _add_knocks(value, log.hits, random)
    return value


def _airborne(car: Car, time: FloatArray) -> FloatArray:
    """1 between the car's jumps and its landings, else 0, (n,)."""
    found = np.zeros(time.size)
    for word, share in (("jump", 1.0), ("landing", -1.0)):
        at = [t for t, note in car.driver.notes if note == word]
        np.add.at(found, np.minimum(np.searchsorted(time, at), time.size - 1), share)
    return np.asarray(np.cumsum(found))


def _engine_orders(car: Car, time: FloatArray, crank: FloatArray) -> FloatArray:
    """Vibration at firing frequency and at once and half per revolution, stronger with speed."""
    turns = _turns(car.log, time)
    firing = 2.0 * math.pi / car.engine.firing_angle
    run = (crank > 10.0).astype(np.float64)
    size = 0.02 + 0.00018 * crank
    result = np.empty((time.size, 3))
    for axis, (main, once, half) in enumerate(((0.5, 0.5, 0.2), (0.8, 0.3, 0.4), (1.0, 0.6, 0.3))):
        wave = (
            main * np.sin(firing * turns + axis) + once * np.sin(turns + 2.0 * axis) + half * np.sin(0.5 * turns + axis)
        )
        result[:, axis] = run * size * wave
    return result


def _add_knocks(value: FloatArray, hits: list[tuple[float, float]], random: np.random.Generator) -> None:
    """Each knock is a ringing of the body whose largest resultant deviation is its peak g."""
    for at, peak in hits:
        start = int(at * SHAKE_HZ)
        n = min(int(0.18 * SHAKE_HZ), len(value) - start)
        if n < 8:
            continue
        since = np.arange(n) / SHAKE_HZ
        wave = np.exp(-since / random.uniform(0.012, 0.035)) * np.sin(
            2.0 * math.pi * random.uniform(22.0, 75.0) * since
        )
        way = np.array([0.35, 0.35, 1.0]) * (random.standard_normal(3) * 0.5 + np.array([0.0, 0.0, 1.0]))
        way /= np.linalg.norm(way)
        value[start : start + n] += peak / np.abs(wave).max() * wave[:, None] * way
