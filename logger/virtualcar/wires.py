"""What the logger gets to see: sensor noise, steps and rates, and wires that break while the engine runs on."""

from dataclasses import dataclass
from random import Random

import numpy as np

from logger.event import FloatArray
from logger.virtualcar.drive import Drive, Signal


@dataclass(frozen=True, slots=True)
class WireFault:
    """A sensor or its wire fails over [from_s, to_s] of a recording; kinds are the contract's, and "gap"."""

    channel: str
    from_s: float
    to_s: float
    kind: str


@dataclass(frozen=True, slots=True)
class Sensing:
    """How a logger samples this car. noise: standard deviation by channel, in its unit."""

    rate_hz: float
    shake_hz: float
    noise: dict[str, float]
    full_scale_kpa: float
    tilt_deg: tuple[float, float]
    open_reads: str  # what an open input reads: "empty", "low" or "high"
    reads_supply: bool  # whether ratiometric sensors are read against their measured supply
    clamp_share: float  # share of sparks that the clamp on the coil lead sees
    jitter_s: float  # standard deviation of a pulse's time stamp: kernel stamps microseconds, polled inputs far more


STEP = {
    "battery_voltage": 0.001, "ignition_feed_voltage": 0.001, "sensor_supply_voltage": 0.001, "fuel_pressure": 0.1,
    "throttle_position": 0.1, "air_fuel_ratio": 0.01, "coolant_temperature": 0.1, "pump_feed_voltage": 0.001,
    "engine_ground_drop": 0.001, "under_bonnet_temperature": 0.1, "acceleration": 0.0039,
}  # fmt: skip


def sensing_for(rail_kpa: float, random: Random) -> Sensing:
    """One logger's sampling and noise, drawn at random within what such hardware does."""
    scale = random.choice((1.0, 1.0, 1.6, 2.2))
    full = next(v for v in (100.0, 400.0, 690.0, 1000.0) if v > 1.3 * rail_kpa)
    return Sensing(
        rate_hz=random.choice((50.0, 100.0, 100.0)),
        shake_hz=random.choice((200.0, 400.0)),
        noise={
            "battery_voltage": 0.012 * scale, "ignition_feed_voltage": 0.015 * scale, "sensor_supply_voltage": 0.0015,
            "fuel_pressure": 0.0018 * full * scale, "throttle_position": 0.15 * scale, "air_fuel_ratio": 0.04,
            "coolant_temperature": 0.12, "pump_feed_voltage": 0.02, "engine_ground_drop": 0.004,
            "under_bonnet_temperature": 0.1, "acceleration": 0.02 * scale,
        },
        full_scale_kpa=full,
        tilt_deg=(random.gauss(0.0, 3.0), random.gauss(0.0, 3.0)) if random.random() < 0.7 else (
            random.uniform(-20.0, 20.0), random.uniform(-20.0, 20.0)),
        open_reads=random.choice(("empty", "low", "high")),
        reads_supply=random.random() < 0.7,
        clamp_share=random.choice((1.0, 0.999, 0.99, 0.97)),
        jitter_s=4e-6 * 40.0 ** random.random(),
    )  # fmt: skip


def sampled(drive: Drive, channel: str, sensing: Sensing, random: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Times (n,) and noisy, stepped values (n,) or (n, 3) of one channel as the logger would store them."""
    signal = drive.signals[channel]
    rate = {
        "coolant_temperature": 5.0, "under_bonnet_temperature": 1.0, "acceleration": sensing.shake_hz,
        "air_fuel_ratio": 50.0, "sensor_supply_voltage": min(sensing.rate_hz, 50.0),
        "throttle_position": sensing.rate_hz / random.choice((1.0, 2.0)),
    }.get(channel, sensing.rate_hz)  # fmt: skip
    time = np.arange(0.0, drive.duration_s, 1.0 / rate)
    value = _shaken(signal, time, sensing) if channel == "acceleration" else signal.at(time)
    if channel == "fuel_pressure" and not sensing.reads_supply:
        # read against an assumed 5 V: a sagging supply looks like falling pressure
        share = drive.signals["sensor_supply_voltage"].at(time) / 5.0
        value = (0.1 * sensing.full_scale_kpa + 0.8 * value) * share / 0.8 - 0.125 * sensing.full_scale_kpa
    value = value + random.normal(0.0, sensing.noise[channel], value.shape)
    step = STEP[channel]
    stepped: FloatArray = np.round(np.round(value / step) * step, 4)
    return np.round(time, 6).astype(np.float64), stepped


def _shaken(signal: Signal, time: FloatArray, sensing: Sensing) -> FloatArray:
    """Acceleration through the chip's low pass (a mean over one sample) and a bracket that is not level."""
    n = max(1, round(signal.rate_hz / sensing.shake_hz))
    sums = np.cumsum(np.vstack([np.zeros((1, 3)), signal.value]), axis=0)
    place = np.minimum((time * signal.rate_hz).astype(np.int64), len(signal.value) - n)
    value = (sums[place + n] - sums[place]) / n
    roll, pitch = np.radians(sensing.tilt_deg)
    about_x = np.array([[1, 0, 0], [0, np.cos(roll), -np.sin(roll)], [0, np.sin(roll), np.cos(roll)]])
    about_y = np.array([[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]])
    result: FloatArray = np.clip(value @ (about_x @ about_y).T, -16.0, 16.0)
    return result


def broken(
    time: FloatArray, value: FloatArray, fault: WireFault, sensing: Sensing, random: np.random.Generator
) -> FloatArray:
    """The channel's values while its wire is open, short, stuck or intermittent; NaN where nothing can be read."""
    inside = (time >= fault.from_s) & (time <= fault.to_s)
    value = value.copy()
    if not inside.any():
        return value
    if fault.kind == "stuck":
        value[inside] = value[np.flatnonzero(inside)[0]]
    elif fault.kind == "intermittent":
        edges = fault.from_s + np.cumsum(random.exponential(0.12, 4 + int(30 * (fault.to_s - fault.from_s))))
        off = inside & (np.searchsorted(edges, time) % 2 == 0)
        value[off] = _dead_reading(fault.channel, "open", sensing, random, int(off.sum()), value.shape[1:])
    else:
        value[inside] = _dead_reading(fault.channel, fault.kind, sensing, random, int(inside.sum()), value.shape[1:])
    return value


def _dead_reading(
    channel: str, kind: str, sensing: Sensing, random: np.random.Generator, n: int, shape: tuple[int, ...]
) -> FloatArray:
    """What the input reads with its wire open or short: an end of the sensor's range, or nothing."""
    if kind == "open" and sensing.open_reads == "empty":
        return np.full((n, *shape), np.nan)
    low = (kind == "open") == (sensing.open_reads == "low")
    ends = {
        "fuel_pressure": (-0.125 * sensing.full_scale_kpa, 1.12 * sensing.full_scale_kpa),
        "throttle_position": (-12.5, 112.0),
        "coolant_temperature": (-40.0, 150.0),
        "air_fuel_ratio": (10.0, 22.4),
        "acceleration": (0.0, 0.0),
    }.get(channel, (0.0, 0.0))
    level = ends[0] if low else ends[1]
    return np.round(level + random.normal(0.0, 0.2 * sensing.noise.get(channel, 0.01), (n, *shape)), 3)


def tach_wire(pulses: FloatArray, fault: WireFault, random: np.random.Generator) -> FloatArray:
    """Pulses of the tach wire while it picks up noise (extra_pulses) or loses pulses (dropped_pulses)."""
    inside = (pulses >= fault.from_s) & (pulses <= fault.to_s)
    if fault.kind == "dropped_pulses":
        run = np.cumsum(random.random(pulses.size) < 0.5)
        lost = inside & (random.random(int(run[-1]) + 1 if run.size else 1)[run] < 0.45)
        return pulses[~lost]
    if random.random() < 0.5:  # bounce: a second edge soon after some of the first
        near = pulses[inside & (random.random(pulses.size) < 0.5)]
        extra = near + random.uniform(2e-4, 1.5e-3, near.size)
    else:
        n = random.poisson((fault.to_s - fault.from_s) * random.uniform(40.0, 250.0))
        extra = random.uniform(fault.from_s, fault.to_s, n)
    return np.sort(np.concatenate([pulses, extra]))


NO_WIRE_FAULT = {
    "spark_pulses", "injector_pulses", "crank_pulses", "driver_marks", "key_sense", "under_bonnet_temperature",
    "engine_ground_drop", "pump_feed_voltage",
}  # fmt: skip
VOLTAGES = {"battery_voltage", "ignition_feed_voltage", "sensor_supply_voltage", "acceleration"}


def draw_wire_faults(channels: list[str], drives: list[Drive], random: Random) -> dict[str, list[WireFault]]:
    """One wire that fails over the day: recording name to its faults."""
    channel = random.choice([name for name in channels if name not in NO_WIRE_FAULT])
    if channel == "tach_pulses":
        kinds: tuple[str, ...] = ("extra_pulses", "dropped_pulses")
    else:
        kinds = ("open", "stuck", "intermittent") if channel in VOLTAGES else ("open", "short", "stuck", "intermittent")
    kind = random.choice(kinds)
    result: dict[str, list[WireFault]] = {}
    for drive in drives:
        if random.random() < 0.25 and drive is not drives[-1]:
            continue
        end = drive.duration_s - 4.0
        if channel == "tach_pulses":
            result[drive.name] = _bursts(kind, end, random)
        else:
            start = random.uniform(9.0, max(10.0, end - 12.0))
            result[drive.name] = [WireFault(channel, start, min(end, start + random.uniform(5.0, 22.0)), kind)]
    return result


def _bursts(kind: str, end: float, random: Random) -> list[WireFault]:
    """A few bursts of noise or loss on the tach wire."""
    at = random.uniform(11.0, 16.0)
    faults: list[WireFault] = []
    while at < end and len(faults) < 6:
        length = random.uniform(0.2, 1.2)
        faults.append(WireFault("tach_pulses", at, at + length, kind))
        at += length + random.uniform(4.0, 15.0)
    return faults
