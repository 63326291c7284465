"""From what a recording stores to SI values, with the calibration in force when it was made or with another one."""

import json
from collections.abc import Mapping, Sequence
from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from logger.channel_settings import ChannelSettings
from logger.conversion import NOMINAL_SUPPLY_V, counts_to_g
from logger.errors import SettingsError, StoreError
from logger.event import NS_PER_S, FloatArray, IntArray, Trace
from logger.settings import Settings
from logger.store.blocks import Series
from logger.store.description import RecordingMeta, StoredChannel
from logger.store.sources import cut
from logger.store.summary import MAX, MEAN, MIN, N

SUPPLY = "sensor_supply_voltage"
WIRING_KEYS = ("chip", "input", "rate_hz", "gain")
"""Of a channel's settings what is soldered: no calibration changes it."""

NEAR_NS = NS_PER_S
"""A supply sample further away than this says nothing; then the nominal 5 V stands in."""


class Calibrated:
    """Turns the stored series of one recording into traces. `settings`: instead of those kept in the recording."""

    def __init__(self, meta: RecordingMeta, settings: Settings | None, where: str) -> None:
        self._meta = meta
        self._override = settings
        self._where = where

    @cached_property
    def settings(self) -> Settings:
        """The settings in use."""
        if self._override is not None:
            return self._override
        try:
            return _settings_of(json.dumps(self._meta.settings), json.dumps(self._meta.calibrations))
        except SettingsError:
            Settings.from_dict(dict(self._meta.settings), self._where)  # says which file it is
            raise

    def supply_channel(self, channels: Sequence[str]) -> str | None:
        """The channel that must be read along with these, because some sensor is read against its supply."""
        recorded = {channel.name: channel for channel in self._meta.channels}
        if SUPPLY not in recorded:
            return None
        needs = any(
            recorded[name].counts and recorded[name].kind == "sampled" and self._of(name).calibration.needs_supply
            for name in channels
        )
        return SUPPLY if needs else None

    def traces(
        self, series: Mapping[str, Series], channels: Sequence[str], t0_ns: int | None, t1_ns: int | None
    ) -> dict[str, Trace]:
        """SI traces of these channels, cut to the window; `series` may reach beyond it and holds the supply."""
        supply = self._supply(series)
        out = {}
        for name in channels:
            item = cut(series[name], t0_ns, t1_ns)
            out[name] = Trace(item.time_ns, self._values(name, item, supply))
        return out

    def extremes(
        self,
        stored: StoredChannel,
        second: IntArray,
        summary: FloatArray,
        supplies: tuple[IntArray, FloatArray] | None,
    ) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest SI value of each second, shape (n,) or (n, 3); NaN where there was none."""
        low, high = summary[..., MIN], summary[..., MAX]
        empty = (summary[..., MAX] <= 0.0) if stored.is_pulses else (summary[..., N] <= 0)
        if stored.counts and stored.kind == "vector":
            mounting = self.settings.accelerometer.mounting
            ends = counts_to_g(low, mounting), counts_to_g(high, mounting)
        elif stored.counts and stored.kind == "sampled":
            supply_v = None if supplies is None else self._supply_of_seconds(second, *supplies)
            calibration = self._of(stored.name).calibration
            ends = calibration.to_si(low[:, 0], supply_v), calibration.to_si(high[:, 0], supply_v)
        else:
            ends = (low, high) if stored.n_columns == 3 else (low[:, 0], high[:, 0])
        nothing = empty if stored.n_columns == 3 else empty[:, 0]
        # A falling curve (a thermistor) turns the lowest count into the highest value.
        return (
            np.where(nothing, np.nan, np.fmin(*ends)),
            np.where(nothing, np.nan, np.fmax(*ends)),
        )

    def _of(self, name: str) -> ChannelSettings:
        try:
            return self.settings.channels[name]
        except KeyError:
            have = ", ".join(self.settings.channels) or "none"
            raise StoreError(
                f"{self._where}: {name} is stored as counts, but the settings describe only {have}"
            ) from None

    def _supply(self, series: Mapping[str, Series]) -> Trace | None:
        if SUPPLY not in series:
            return None
        item = series[SUPPLY]
        value = self._values(SUPPLY, item, None)
        good = np.isfinite(value)
        return Trace(item.time_ns[good], value[good])

    def _values(self, name: str, item: Series, supply: Trace | None) -> FloatArray:
        stored = self._meta.channels[self._meta.number(name)]
        assert item.raw is not None
        if not stored.counts or stored.kind == "state":
            return np.asarray(item.raw, dtype=np.float64)
        if stored.kind == "vector":
            return counts_to_g(item.raw, self.settings.accelerometer.mounting)
        calibration = self._of(name).calibration
        if not calibration.needs_supply or supply is None:
            return calibration.to_si(item.raw)
        return calibration.to_si(item.raw, supply_at(supply, item.time_ns))

    def _supply_of_seconds(self, second: IntArray, supply_second: IntArray, summary: FloatArray) -> FloatArray:
        some = summary[:, 0, N] > 0
        stored = self._meta.channels[self._meta.number(SUPPLY)]
        mean = summary[some, 0, MEAN]
        volts = self._of(SUPPLY).calibration.to_si(mean) if stored.counts else mean
        return supply_at(Trace(supply_second[some] * NS_PER_S, volts), second * NS_PER_S)


@lru_cache(maxsize=64)
def _settings_of(snapshot: str, calibrations: str) -> Settings:
    """A day's recordings are opened again and again, and checking settings takes longer than reading a window."""
    return with_calibrations(
        Settings.from_dict(json.loads(snapshot), "the settings of a recording"), json.loads(calibrations)
    )


def with_calibrations(settings: Settings, conversions: Mapping[str, Mapping[str, Any]]) -> Settings:
    """These settings with other conversions for some channels. Wiring stays what it was when the counts were taken;
    only their meaning is corrected. Raises SettingsError where they make no conversion."""
    if not conversions.keys() & settings.channels.keys():
        return settings
    document = settings.to_dict()
    document["channels"] = {
        name: {**{key: table[key] for key in WIRING_KEYS if key in table}, **conversions[name]}
        if name in conversions
        else table
        for name, table in document["channels"].items()
    }
    return Settings.from_dict(document, "settings with the calibrations of the logbook")


def supply_at(supply: Trace, time_ns: IntArray) -> FloatArray:
    """The supply at these instants: between two near samples by a straight line, beside a single near one as it was,
    nominal where none is near. What comes out does not depend on how much of the recording was read."""
    if not supply.time_ns.size or not time_ns.size:
        return np.full(time_ns.size, NOMINAL_SUPPLY_V)
    if time_ns is supply.time_ns or np.array_equal(time_ns, supply.time_ns):
        return supply.value  # one column of times for all, as in an imported folder
    between = np.interp(time_ns.astype(np.float64), supply.time_ns.astype(np.float64), supply.value)
    reaches = supply.time_ns[0] - NEAR_NS <= time_ns[0] and time_ns[-1] <= supply.time_ns[-1] + NEAR_NS
    if reaches and (supply.time_ns.size == 1 or int(np.diff(supply.time_ns).max()) <= NEAR_NS):
        return between
    after = np.searchsorted(supply.time_ns, time_ns)
    before = np.maximum(after - 1, 0)
    after = np.minimum(after, supply.time_ns.size - 1)
    near_before = np.abs(time_ns - supply.time_ns[before]) <= NEAR_NS
    near_after = np.abs(supply.time_ns[after] - time_ns) <= NEAR_NS
    alone = np.where(near_before, supply.value[before], supply.value[after])
    return np.where(near_before & near_after, between, np.where(near_before | near_after, alone, NOMINAL_SUPPLY_V))
