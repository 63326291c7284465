"""Calibration against a gauge in hand: pairs of what the logger shows and what the gauge says, made into a conversion.

A few pairs cannot tell a sensor's law, they only correct it: a ratiometric sensor stays ratiometric, a thermistor a
thermistor. Every version is kept; recordings, old ones too, are read with the newest that was not taken back.
"""

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import numpy as np

from logger.calibration_points import POSSIBLE
from logger.channel_settings import ChannelSettings
from logger.channels import CHANNELS
from logger.conversion import Divider, Linear, Ratiometric, Table, Thermistor
from logger.errors import SettingsError
from logger.settings import Settings
from logger.store.store import Store
from logger.units import SYMBOLS

ZERO_C_IN_K = 273.15
WIRING = ("chip", "input", "rate_hz", "gain")
NOMINAL_SUPPLY_V = np.array(5.0)
LEAST_V = 0.5
"""Less tells no ratio of a divider."""
MOST_SHIFT = 0.25
"""Share of a sensor's full scale that its zero may be off; further, the gauge was read in another unit."""

Pair = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Version:
    """One conversion that was entered, and whether it is in force."""

    entry_id: int
    entered_utc: datetime
    why: str
    conversion: dict[str, Any]
    taken_back: bool
    in_force: bool


@dataclass(frozen=True, slots=True)
class ChannelPage:
    """Variables of one channel's page. conversion: what the settings of the newest recording say."""

    channel: str
    unit: str
    conversion: dict[str, Any]
    versions: list[Version]


@dataclass(frozen=True, slots=True)
class Pairs:
    """What was read off: `shown` by the logger's live values, `true` by the gauge, both in SI units."""

    pairs: list[Pair]
    why: str = ""


def channels(store: Store) -> dict[str, ChannelSettings]:
    """The ADC channels of the newest recording that a recorder made; empty where there is none."""
    found = newest(store)
    return {} if found is None else dict(found.channels)


def newest(store: Store) -> Settings | None:
    """The settings of the newest recording that a recorder made."""
    for event in store.events():
        for stored in reversed(store.recordings(event.event_id)):
            if not stored.readable:
                continue
            with store.reader(event.event_id, stored.name) as reader:
                settings = dict(reader.meta.settings)
            if settings.get("channels"):
                return Settings.from_dict(settings, stored.file)
    return None


def build(store: Store, channel: str) -> ChannelPage | None:
    """Gather a channel's page; None for a channel that no recorder has."""
    found = channels(store).get(channel)
    if found is None:
        return None
    entries = store.calibrations(channel)
    newest = max((entry.id for entry in entries if entry.removed_utc is None), default=None)
    versions = [
        Version(
            entry.id,
            entry.entered_utc,
            entry.why,
            entry.conversion,
            entry.removed_utc is not None,
            entry.id == newest,
        )
        for entry in reversed(entries)
    ]
    return ChannelPage(channel, CHANNELS[channel].unit, conversion_of(found), versions)


def conversion_of(settings: ChannelSettings) -> dict[str, Any]:
    """The keys of a channel's settings that say what its volts mean."""
    return {key: value for key, value in asdict(settings).items() if key not in WIRING and value is not None}


def corrected(settings: ChannelSettings, si_unit: str, pairs: list[Pair]) -> dict[str, Any]:
    """The conversion that shows the gauge's values where this one showed others; SI units throughout.

    One pair corrects a voltage's ratio or another sensor's zero, two a straight line, three or more of a linear sensor
    become a table, of a thermistor its curve. Raises SettingsError where the pairs make no sense.
    """
    if not pairs:
        raise SettingsError("no pair of values was given; read at least one off the gauge")
    shown, true = np.array(sorted(pairs), dtype=np.float64).T
    if np.unique(shown).size < shown.size:
        raise SettingsError("two pairs have the same shown value; take them at different values")
    if (np.diff(true) <= 0).any():
        raise SettingsError(
            "where the logger's value rises, the gauge falls or stands still; look whether two pairs were mixed up"
        )
    si_unit = si_unit or "ratio"  # the settings' word for values without a unit
    curve = settings.calibration.curve
    if isinstance(curve, Thermistor):
        return _thermistor(curve, shown, true) | {"unit": si_unit}
    if isinstance(curve, Ratiometric):
        if shown.size == 1 and abs(true[0] - shown[0]) > MOST_SHIFT * curve.full_scale:
            raise SettingsError(
                f"one pair moves only the zero, and from {shown[0]:g} to {true[0]:g} {si_unit} is too far for that; "
                "look at the unit of the gauge, or take a second pair at another pressure"
            )
        return _ratiometric(curve, *_line(shown, true)) | {"unit": si_unit, "ratio": settings.ratio}
    base: dict[str, Any] = {"unit": si_unit, "ratio": settings.ratio}
    if isinstance(curve, Table) or shown.size > 2:
        volts = curve.to_volts(shown, NOMINAL_SUPPLY_V)
        slope, zero = _line(shown, true)
        points = list(zip(volts.tolist(), true.tolist(), strict=True))
        if isinstance(curve, Table) and shown.size < 3:
            points = [(at, slope * value + zero) for at, value in curve.points]
        return base | {"convert": "table", "points": [[round(a, 6), round(b, 6)] for a, b in sorted(points)]}
    old = curve if isinstance(curve, Linear) else Linear(0.0, 1.0)
    if isinstance(curve, Divider) and shown.size == 1:
        if abs(shown[0]) < LEAST_V:
            raise SettingsError(f"the logger shows {shown[0]:g} V, which tells no ratio; measure with the voltage on")
        if true[0] * shown[0] < 0:
            raise SettingsError("the logger and the meter differ in sign; look whether the meter's leads are swapped")
        slope, zero = true[0] / shown[0], 0.0
    else:
        slope, zero = _line(shown, true)
    return base | {
        "convert": "linear",
        "zero": round(slope * old.zero + zero, 6),
        "per_volt": round(slope * old.per_volt, 6),
    }


def _line(shown: np.ndarray[Any, Any], true: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Slope and zero of the straight line that takes `shown` to `true`; one pair only moves the zero."""
    if shown.size == 1:
        return 1.0, float(true[0] - shown[0])
    slope, zero = np.polyfit(shown, true, 1)
    return float(slope), float(zero)


def _ratiometric(old: Ratiometric, slope: float, zero: float) -> dict[str, Any]:
    full_scale = slope * old.full_scale
    return {
        "convert": "ratiometric",
        "full_scale": round(full_scale, 6),
        "zero_fraction": round(old.zero - zero * old.span / full_scale, 6),
        "span_fraction": old.span,
    }


def _thermistor(old: Thermistor, shown: np.ndarray[Any, Any], true: np.ndarray[Any, Any]) -> dict[str, Any]:
    """Three pairs give the curve through (true temperature, resistance then), two a beta curve."""
    if shown.size < 2:
        raise SettingsError("a temperature sensor needs two pairs at least, far apart: cold, and hot from the engine")
    ohm = old.resistance(shown)
    table: dict[str, Any] = {"convert": "ntc", "pull_up_ohm": old.pull_up_ohm}
    if old.load_ohm is not None:
        table["load_ohm"] = old.load_ohm
    if shown.size > 2:
        return table | {"points": [[round(float(t), 3), round(float(r), 3)] for t, r in zip(true, ohm, strict=True)]}
    inverse = 1.0 / (true + ZERO_C_IN_K)
    beta = float(np.log(ohm[0] / ohm[1]) / (inverse[0] - inverse[1]))
    if not 100.0 < beta < 20000.0:
        raise SettingsError("no temperature sensor behaves like this; look at the numbers and their unit again")
    r25 = float(ohm[0] * np.exp(beta * (1.0 / 298.15 - inverse[0])))
    return table | {"beta": round(beta, 3), "r25_ohm": round(r25, 3)}


def enter(store: Store, channel: str, entered: Pairs) -> int | None:
    """Keep a new version made of the pairs; None for a channel that no recorder has.

    The live values that were read off follow the version in force, so that is what the pairs correct.
    """
    known = newest(store)
    settings = None if known is None else store.calibrated(known).channels.get(channel)
    if settings is None:
        return None
    _check_possible(channel, entered.pairs)
    unit = CHANNELS[channel].unit
    digits = 1 if unit in ("kPa", "degC") else 2
    said = ", ".join(
        f"{round(shown, digits):g} → {round(true, digits):g} {SYMBOLS[unit]}".rstrip() for shown, true in entered.pairs
    )
    why = f"{entered.why} ({said})" if entered.why else said
    conversion = corrected(settings, CHANNELS[channel].unit, entered.pairs)
    try:
        return store.calibrate(channel, conversion, why)
    except SettingsError as error:  # which names keys of the settings, that nobody has entered here
        raise SettingsError(
            "these pairs make no sensor that there is; look at the numbers and their unit, and take pairs further apart"
        ) from error


def _check_possible(channel: str, pairs: list[Pair]) -> None:
    about = CHANNELS[channel]
    low, high = POSSIBLE[about.unit]
    symbol = f" {SYMBOLS[about.unit]}" if about.unit else ""
    for number, (shown, true) in enumerate(pairs, 1):
        for who, value in (("the live value is", shown), ("the gauge says", true)):
            if not low <= value <= high:
                raise SettingsError(
                    f"pair {number}: {who} {round(value, 1):.10g}{symbol}, and {about.label.lower()} can only be "
                    f"{low:g} to {high:g}{symbol}; look at the number and its unit"
                )
