"""A crank and a car on a drive shaft that twists: what a lost torque does to both, for the torque detectors' tests.

Torque is in rev/s2 of the crank's own inertia: with EXCHANGE g of the car for each, a full torque of 250 pushes the car
with 0.5 g. The throttle is open for 2 s and shut for 4 s in turn.
"""

from collections.abc import Sequence

import numpy as np

from logger.analysis.crank import pulses, states
from logger.analysis.crank.states import View
from logger.event import NS_PER_S, Engine, FloatArray, IntArray, Recording, Trace

ENGINE = Engine(
    cylinders=4, tach_pulses_per_revolution=2.0, fuel_system="port_injection", idle_rpm=900.0, redline_rpm=9000.0
)
EXCHANGE = 0.002
FULL, SHUT, RESISTANCE = 250.0, -40.0, 60.0
CAR = 12.0  # the car's mass, seen at the crank, in crank inertias
SHAFT_HZ, DAMPING = 4.5, 0.4
STEP_S, DURATION_S = 0.001, 42.0


def drive(
    lost: Sequence[tuple[float, float]] = (), braked: Sequence[tuple[float, float]] = (), *, car: float = CAR
) -> Recording:
    """One recording; lost: (from, to), s, without combustion. braked: with 0.4 g of brakes behind an open throttle.

    car: the car's mass, in crank inertias; the lower the gear, the less of it the crank sees.
    """
    time = np.arange(0.0, DURATION_S, STEP_S)
    throttle = _lagged(np.where(time % 6.0 < 2.0, 1.0, 0.0), 0.045)
    torque = SHUT + (FULL - SHUT) * np.minimum(throttle / 0.6, 1.0)
    for begin, end in lost:
        torque[(time >= begin) & (time < end)] = SHUT
    drag = np.full(time.size, RESISTANCE)
    for begin, end in braked:
        drag[(time >= begin) & (time < end)] += 0.4 / EXCHANGE
    drag = _lagged(drag, 0.08)  # no foot is faster
    crank, shaft = _move(torque, drag, car)
    random = np.random.default_rng(7)
    at = np.arange(0.0, DURATION_S, 1 / 400)
    value = np.column_stack((EXCHANGE * np.interp(at, time, shaft - drag), np.zeros(at.size), np.ones(at.size)))
    slow = np.arange(0.0, DURATION_S, 0.01)
    traces = {
        "acceleration": Trace(_ns(at), value + 0.04 * random.standard_normal(value.shape)),
        "throttle_position": Trace(_ns(slow), 100.0 * np.interp(slow, time, throttle)),
    }
    return Recording("r01", round(DURATION_S * NS_PER_S), traces, {"tach_pulses": _pulses(time, crank, random)})


def view_of(recording: Recording, engine: Engine = ENGINE) -> View:
    """The recording as the detectors see it."""
    firings = pulses.clean(recording.pulses["tach_pulses"], engine)
    scale = states.load_scale([(recording.traces, firings)], engine)
    return states.view(recording, engine, firings, recording.traces, scale, np.empty((0, 2), np.int64))


def _lagged(value: FloatArray, lag_s: float) -> FloatArray:
    out = np.empty(value.size)
    state = value[0]
    for k, goal in enumerate(value.tolist()):
        state += (goal - state) * STEP_S / lag_s
        out[k] = state
    return out


def _move(torque: FloatArray, drag: FloatArray, mass: float) -> tuple[FloatArray, FloatArray]:
    """Crank speed, rev/s, and the shaft's torque, by small steps."""
    reduced = mass / (1.0 + mass)
    natural = 2.0 * np.pi * SHAFT_HZ
    crank = car = 45.0
    twist = 0.0
    speeds, shafts = np.empty(torque.size), np.empty(torque.size)
    for k, (push, resist) in enumerate(zip(torque.tolist(), drag.tolist(), strict=True)):
        twist += (crank - car) * STEP_S
        shaft = reduced * (natural**2 * twist + 2.0 * DAMPING * natural * (crank - car))
        crank += (push - shaft) * STEP_S
        car += (shaft - resist) / mass * STEP_S
        speeds[k], shafts[k] = crank, shaft
    return speeds, shafts


def _pulses(time: FloatArray, crank: FloatArray, random: np.random.Generator) -> IntArray:
    turns = 2.0 * np.cumsum(crank) * STEP_S
    at = np.interp(np.arange(1.0, np.floor(turns[-1])), turns, time)
    return _ns(at + 0.004 * np.gradient(at) * random.standard_normal(at.size))


def _ns(at: FloatArray) -> IntArray:
    return np.rint(at * NS_PER_S).astype(np.int64)
