"""A day of signals for the storage benchmarks: 5 channels at 100 Hz, coolant at 5 Hz, 150 pulses/s, two levels at
20 Hz: 695 values a second, as counts with noise of a size that a car gives.

Noise is what a recording costs, so its size is stated here, RMS in counts (ADS1115, gain 1, behind dividers): battery
28 (20 mV of alternator ripple), ignition feed 56 (40 mV of coil switching), pressure 60 (2 kPa of pump pulsation),
supply and throttle 3 (the chip's own). Firing intervals scatter by 1 %. All of it white, which no code can foretell.
"""

from dataclasses import replace
from functools import cache

import numpy as np

from logger import settings
from logger.event import NS_PER_S
from logger.settings import Settings
from logger.store.blocks import Series
from logger.store.description import RecordingMeta, stored_channel
from logger.store.recording_writer import Second

SAMPLED = {  # rate, mean, slow swing, noise
    "battery_voltage": (100, 19_500, 300, 28.0),
    "ignition_feed_voltage": (100, 19_200, 400, 56.0),
    "fuel_pressure": (100, 17_600, 2_000, 60.0),
    "sensor_supply_voltage": (100, 20_000, 20, 3.0),
    "throttle_position": (100, 9_000, 6_000, 3.0),
    "coolant_temperature": (5, 11_000, 1_500, 2.0),
    # The levels have no channels of their own any more; these two stand in for their rate and size.
    "air_fuel_ratio": (20, 400, 200, 60.0),
    "engine_ground_drop": (20, 700, 300, 90.0),
}
PULSES_PER_S = 150
TACH = len(SAMPLED)
CHANNELS = (*(stored_channel(name, counts=True) for name in SAMPLED), stored_channel("tach_pulses"))
RAW_BYTES_PER_S = 2 * sum(rate for rate, *_ in SAMPLED.values()) + 4 * PULSES_PER_S


def wiring() -> Settings:
    """The default wiring, with inputs for the two stand-ins."""
    default = settings.default()
    spare = replace(default.channels["battery_voltage"], chip=0x4A)
    spares = {"air_fuel_ratio": replace(spare, unit="ratio", convert="linear", per_volt=2.0, ratio=1.0)}
    return replace(default, channels={**default.channels, **spares, "engine_ground_drop": replace(spare, input=1)})


def meta() -> RecordingMeta:
    return RecordingMeta("0f", CHANNELS, settings=wiring().to_dict())


@cache
def minute(number: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Counts of each channel (int16) and pulse times (int64 ns since the start) of one minute."""
    random = np.random.default_rng(number)
    counts = {}
    for name, (rate, mean, swing, noise) in SAMPLED.items():
        t = 60.0 * number + np.arange(60 * rate) / rate
        slow = swing * np.sin(2 * np.pi * t / 47.0) * (0.6 + 0.4 * np.sin(2 * np.pi * t / 11.0))
        counts[name] = np.rint(mean + slow + noise * random.standard_normal(t.size)).astype(np.int16)
    n = 60 * PULSES_PER_S
    t = 60.0 * number + np.arange(n) / PULSES_PER_S
    intervals = (1.0 + 0.3 * np.sin(2 * np.pi * t / 13.0)) * (1.0 + 0.01 * random.standard_normal(n))
    times = np.cumsum(intervals) * (60.0 / intervals.sum()) - 0.001
    return counts, number * 60 * NS_PER_S + np.rint(times * 1e6).astype(np.int64) * 1000


def second(index: int) -> Second:
    """One second of it, as the recorder hands it over."""
    counts, pulses = minute(index // 60)
    k = index % 60
    start = index * NS_PER_S
    series = [
        Series(number, start + np.arange(rate, dtype=np.int64) * (NS_PER_S // rate), counts[name][k * rate :][:rate])
        for number, (name, (rate, *_)) in enumerate(SAMPLED.items())
    ]
    low, high = np.searchsorted(pulses, [start, start + NS_PER_S])
    return Second(index, (*series, Series(TACH, pulses[low:high])))
