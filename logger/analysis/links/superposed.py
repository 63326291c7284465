"""Every stumble laid on the same zero, channel by channel, so that a precursor shows.

    superpose(event, stumbles, running, ...) -> dict[channel, Superposed]
    precursors(event, stumbles, running) -> list[dict]          for the findings: what stood out before zero

Superposed epoch analysis (C. Chree, Phil. Trans. R. Soc. A 212 (1913) 75-116): key times are the begins of bursts,
windows are cut around them, and at each lag the median and the middle half are taken. What chance would do comes from
random key times drawn from the same runs' driving at risk (Monte Carlo), never from the standard error of the mean,
which takes a slowly wandering channel for a signal (B. A. Laken & J. Čalogović, J. Space Weather Space Clim. 3 (2013)
A29).

It shows what is common to the stumbles before zero; it does not say which came first in each: that is order.py's.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from logger.analysis.findings import Stumble
from logger.analysis.links.bursts import BURST_GAP_S, bursts
from logger.analysis.links.frames import Interval, driving, inside
from logger.analysis.links.shock import residual_length, sampling_rate_hz
from logger.analysis.parts import Part, inside_part, parts_of
from logger.event import NS_PER_S, Engine, Event, FloatArray, IntArray, Recording, Trace

STEP_S = 0.02
N_RANDOM = 200
SEED = 20
LEVEL = 0.95
MINIMUM_KEYS = 3
MOST_KEYS = 40
CHANNELS = (
    "engine_speed", "throttle_position", "fuel_pressure", "battery_voltage", "ignition_feed_voltage",
    "sensor_supply_voltage", "pump_feed_voltage", "engine_ground_drop", "air_fuel_ratio",
)  # fmt: skip
"""Looked through for precursors; knocks are counted one by one in links.py, temperatures hardly change in seconds."""
LEAST_LEAD_S = 0.1
"""What leaves later than this before zero is the stumble's own begin, whose order is told by order.py."""
SPEED_SPAN_S = 0.1
SMALLEST_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Superposed:
    """One channel around zero: all arrays (n,), NaN where no stumble had a value.

    `lag_s` from before to after zero; `median`, `low`, `high` (quartiles) over `n` stumbles; `chance_low` and
    `chance_high` hold the median of random key times at each lag with 95 % chance. `precursor_s` is the first lag
    before zero at which the median stands farther out than 95 % of random sets of key times ever do before zero; None
    where it does not. `is_higher`: whether it stands above them there.
    """

    lag_s: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray
    chance_low: FloatArray
    chance_high: FloatArray
    n: int
    precursor_s: float | None
    is_higher: bool = False


def superpose(
    event: Event,
    stumbles: Sequence[Stumble],
    running: Sequence[Sequence[Interval]],
    *,
    before_s: float = 3.0,
    after_s: float = 2.0,
    n_random: int = N_RANDOM,
    channels: Collection[str] | None = None,
    level: float = LEVEL,
    parts: Sequence[Part] = (),
) -> dict[str, Superposed]:
    """Superpose every sampled channel, engine speed ("engine_speed") and shock ("shock_g") at the bursts' begins.

    channels: only these. level: how sure a precursor must be. parts: of the event, for whoever has them. Channels with
    fewer than MINIMUM_KEYS stumbles are left out. The same input gives the same result (fixed seed).
    """
    lag = np.arange(round(-before_s / STEP_S), round(after_s / STEP_S) + 1, dtype=np.int64)
    lag_s: FloatArray = lag.astype(np.float64) * STEP_S
    rows: dict[str, list[FloatArray]] = {}
    random_rows: dict[str, list[FloatArray]] = {}
    draws: dict[str, np.random.Generator] = {}
    keys = {name: bursts(stumbles, name) for name in {stumble.recording for stumble in stumbles}}
    for part in parts or parts_of(event):
        all_keys = keys.get(part.recording.name, np.empty((0, 2)))
        mine = all_keys[inside_part(all_keys[:, 0], part)]
        if not len(mine):
            continue
        recording = part.read()
        first = round(recording.from_ns / NS_PER_S / STEP_S)
        series = _series(recording, event, channels)
        free = _at_risk(series, first, running[part.number], all_keys, event.engine)
        for name in sorted(series):
            rng = draws.setdefault(name, np.random.default_rng(SEED))
            rows.setdefault(name, []).append(_cut(series[name], (mine[:, 0] / STEP_S).round().astype(int) - first, lag))
            drawn = rng.choice(free, size=(n_random, len(mine))) if free.size else np.full((n_random, len(mine)), -1)
            laid = _cut(series[name], drawn.ravel(), lag).reshape(n_random, len(mine), lag.size)
            random_rows.setdefault(name, []).append(laid)
    found = {}
    for name in sorted(rows):
        laid = np.concatenate(rows[name])
        laid = laid[np.isfinite(laid).any(axis=1)]
        if len(laid) >= MINIMUM_KEYS:
            found[name] = _summarise(lag_s, laid, np.concatenate(random_rows[name], axis=1), level)
    return found


def precursors(
    event: Event,
    stumbles: Sequence[Stumble],
    running: Sequence[Sequence[Interval]],
    parts: Sequence[Part] = (),
) -> list[dict[str, Any]]:
    """What stood out before the bursts, the earliest first: `channel`, `from_s` (below 0), `is_higher`, `n` bursts.

    Of many bursts MOST_KEYS are laid, evenly chosen. The chance of a false one among all CHANNELS is 5 % (Bonferroni).
    """
    first = [one for n, one in enumerate(stumbles) if not n or one.burst != stumbles[n - 1].burst]
    kept = {first[int(n)].burst for n in np.linspace(0, len(first) - 1, MOST_KEYS)} if len(first) > MOST_KEYS else None
    laid = superpose(
        event,
        [one for one in stumbles if kept is None or one.burst in kept],
        running,
        after_s=0.0,
        channels=CHANNELS,
        level=1 - (1 - LEVEL) / len(CHANNELS),
        parts=parts,
    )
    told = [
        {"channel": name, "from_s": round(one.precursor_s, 2), "is_higher": one.is_higher, "n": one.n}
        for name, one in laid.items()
        if one.precursor_s is not None and one.precursor_s <= -LEAST_LEAD_S
    ]
    return sorted(told, key=lambda one: one["from_s"])


def _summarise(lag_s: FloatArray, laid: FloatArray, random_laid: FloatArray, level: float) -> Superposed:
    low, median, high = _quantiles(laid, [0.25, 0.5, 0.75], axis=0)
    chance = _quantiles(random_laid, [0.5], axis=1)[0]
    floor = SMALLEST_SHARE * float(np.nanstd(random_laid)) if np.isfinite(random_laid).any() else 0.0
    miss = (1 - LEVEL) / 2
    chance_low, chance_high = _quantiles(chance, [miss, 1 - miss], axis=0)
    at_s = _precursor(lag_s, median, chance, floor, level)
    middle = _quantiles(chance, [0.5], axis=0)[0]
    is_higher = at_s is not None and bool((median > middle)[np.argmin(np.abs(lag_s - at_s))])
    return Superposed(lag_s, median, low, high, chance_low, chance_high, len(laid), at_s, is_higher)


def _precursor(lag_s: FloatArray, median: FloatArray, chance: FloatArray, floor: float, level: float) -> float | None:
    """Step-wise: distance from the middle of chance in units of its spread, against the largest distance that each
    random set reaches anywhere before zero (so that many lags are one look).

    floor: the least spread, in the channel's unit, so that a channel without noise does not make a wonder of nothing.
    """
    usable = (lag_s < 0) & np.isfinite(median) & np.isfinite(chance).all(axis=0)
    if not usable.any():
        return None
    middle = np.median(chance[:, usable], axis=0)
    spread = np.maximum(chance[:, usable].std(axis=0), max(floor, 1e-9))
    reached = (np.abs(chance[:, usable] - middle) / spread).max(axis=1)
    distance = np.abs(median[usable] - middle) / spread
    out = np.flatnonzero(distance > np.quantile(reached, level))
    return float(lag_s[usable][out[0]]) if out.size else None


def _quantiles(value: FloatArray, shares: list[float], axis: int) -> list[FloatArray]:
    """Quantiles without the absent values; NaN where all are absent."""
    ordered = np.sort(value, axis=axis)
    n = np.isfinite(value).sum(axis=axis, keepdims=True)
    result = []
    for share in shares:
        position = share * np.maximum(n - 1, 0)
        below = np.floor(position).astype(int)
        above = np.minimum(below + 1, np.maximum(n - 1, 0))
        part = position - below
        mixed = np.take_along_axis(ordered, below, axis) * (1 - part) + np.take_along_axis(ordered, above, axis) * part
        result.append(np.squeeze(np.where(n > 0, mixed, np.nan), axis=axis))
    return result


def _cut(value: FloatArray, centre: IntArray, lag: IntArray) -> FloatArray:
    """Windows (k, n_lags) of a series on the common step; NaN beyond its ends."""
    index = centre[:, None] + lag[None, :]
    outside = (index < 0) | (index >= value.size) | (centre < 0)[:, None]
    return np.where(outside, np.nan, value[np.clip(index, 0, max(0, value.size - 1))])


def _at_risk(
    one: dict[str, FloatArray], first: int, running: Sequence[Interval], mine: FloatArray, engine: Engine
) -> IntArray:
    """Steps of driving at which a burst could have begun; of all running where there is none. first: number of the
    first step."""
    speed = one.get("engine_speed", np.empty(0))
    time_s = np.arange(first, first + speed.size, dtype=np.float64) * STEP_S
    runs = inside(time_s, running)
    free = runs & ~inside(time_s, [(a, b + BURST_GAP_S) for a, b in mine])
    driven = free & driving(speed, runs, engine, STEP_S)
    return np.flatnonzero(driven if driven.any() else free)


def _series(recording: Recording, event: Event, channels: Collection[str] | None) -> dict[str, FloatArray]:
    """Every channel of a recording, or those of `channels`, on the common step; engine speed in any case."""
    first = round(recording.from_ns / NS_PER_S / STEP_S)
    last = int(recording.duration_ns / NS_PER_S / STEP_S) + 1
    time_s = np.arange(first, last, dtype=np.float64) * STEP_S
    series = {
        name: _laid(trace, time_s)
        for name, trace in recording.traces.items()
        if trace.value.ndim == 1 and name != "key_sense" and (channels is None or name in channels)
    }
    tach = recording.pulses.get("tach_pulses")
    if tach is not None and tach.size > 1:
        low, high = (np.searchsorted(tach / NS_PER_S, time_s + side * SPEED_SPAN_S / 2) for side in (-1, 1))
        series["engine_speed"] = (high - low) / SPEED_SPAN_S / event.engine.pulses_per_revolution * 60.0
    shaken = recording.traces.get("acceleration") if channels is None or "shock_g" in channels else None
    if shaken is not None and shaken.value.ndim == 2 and (rate_hz := sampling_rate_hz(shaken)) is not None:
        length = residual_length(shaken.time_ns, shaken.value, rate_hz, tach, event.engine)
        series["shock_g"] = _highest(shaken.time_ns / NS_PER_S, length, time_s)
    return series


def _laid(trace: Trace, time_s: FloatArray) -> FloatArray:
    """A trace at given times by straight lines; NaN farther than 1 s from a sample."""
    good = np.isfinite(trace.value)
    sample_s = trace.time_ns[good] / NS_PER_S
    if not sample_s.size:
        return np.full(time_s.size, np.nan)
    after = np.clip(np.searchsorted(sample_s, time_s), 0, sample_s.size - 1)
    distance = np.minimum(np.abs(sample_s[after] - time_s), np.abs(sample_s[np.maximum(after - 1, 0)] - time_s))
    return np.where(distance <= 1.0, np.interp(time_s, sample_s, trace.value[good]), np.nan)


def _highest(sample_s: FloatArray, value: FloatArray, time_s: FloatArray) -> FloatArray:
    """The highest sample within each step, so that a short knock is not lost between them."""
    highest = np.zeros(time_s.size)
    first = round(time_s[0] / STEP_S) if time_s.size else 0
    np.maximum.at(highest, np.clip((sample_s / STEP_S).astype(int) - first, 0, time_s.size - 1), value)
    return highest
