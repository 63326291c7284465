"""Where a channel lies while the engine runs well: the band behind its trace.

From one-second summaries of the same recording: of the seconds in which the engine ran and did not stumble, all but
the lowest and the highest two in a hundred. It shows what is usual for this car on this day, a fault that is always
there included; what counts as a stumble is the analysis' business, which also holds absolute limits against it.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from logger.event import NS_PER_S, Engine
from logger.store.recording_reader import RecordingReader
from web.overviews import Overviews

BANDED = (
    "battery_voltage",
    "ignition_feed_voltage",
    "sensor_supply_voltage",
    "pump_feed_voltage",
    "engine_ground_drop",
    "fuel_pressure",
    "air_fuel_ratio",
)
"""Channels that have a usual level; speed, throttle and temperatures go where driver and day take them."""
LEFT_OUT_PERCENT = 2.0
AROUND_S = 2.0
LEAST_SECONDS = 10
DEFAULT_IDLE_RPM = 900.0


def bands(
    reader: RecordingReader,
    overviews: Overviews,
    version: str,
    engine: Engine,
    stumbles: Iterable[Mapping[str, Any]],
) -> dict[str, tuple[float, float]]:
    """Lowest and highest usual value of each channel in SI units; channels without ten good seconds are left out."""
    n_seconds = reader.duration_ns // NS_PER_S
    if n_seconds < LEAST_SECONDS or "tach_pulses" not in reader.channels:
        return {}

    def seconds(channel: str) -> tuple[Any, Any]:
        _, low, high = overviews.columns(reader, version, channel, 0, n_seconds * NS_PER_S, n_seconds)
        return low, high

    idle_hz = (engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0 * engine.pulses_per_revolution
    good = np.nan_to_num(seconds("tach_pulses")[0]) > 0.5 * idle_hz
    for stumble in stumbles:
        first = max(int(stumble["onset_s"] - AROUND_S), 0)
        good[first : int(stumble["end_s"] + AROUND_S) + 1] = False
    found = {}
    for name in BANDED:
        if name in reader.channels:
            low, high = (column[good & np.isfinite(column)] for column in seconds(name))
            if low.size >= LEAST_SECONDS:
                edges = np.percentile(low, LEFT_OUT_PERCENT), np.percentile(high, 100.0 - LEFT_OUT_PERCENT)
                found[name] = (round(float(edges[0]), 4), round(float(edges[1]), 4))
    return found
