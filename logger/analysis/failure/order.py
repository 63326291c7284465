"""Order of failure: when each channel left its band, give or take what noise, sampling and filters leave open.

A sampled channel left its band after its last good and at or before its first bad sample; the middle of the two, and
half their distance and a filter's share as uncertainty. A pulse channel tells the first firing that was not there, to
the edge's jitter. Two channels closer than their joint uncertainty left at the same time as far as anyone can tell:
then the one that feeds the other is named first.
"""

from dataclasses import dataclass

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.failure.episodes import BLURRED, Episode
from logger.analysis.findings import Moved
from logger.analysis.signs.lean import TOLD_NS
from logger.analysis.signs.probe import DEAD_TIME_NS
from logger.event import NS_PER_S

# From the source to the spark: at equal times the upstream channel is named first.
UPSTREAM = (
    "battery_voltage", "sensor_supply_voltage", "ignition_feed_voltage", "fuel_pressure", "injector_pulses",
    "spark_pulses", "tach_pulses", "air_fuel_ratio",
)  # fmt: skip
VOLTAGES = ("battery_voltage", "ignition_feed_voltage")
FILTER_S = 0.004  # an input filter for 100 Hz sampling (no source; the recorder's own is of that order)


@dataclass(frozen=True, slots=True)
class Order:
    """The order of one stumble. moved: sorted by time; first: channel named first; onset and engine onset in ns."""

    moved: list[Moved]
    first: str
    onset_ns: int
    engine_onset_ns: int


def order(episode: Episode) -> Order:
    """Work out the order of failure of one episode."""
    rungs = _rungs(episode)
    engine = engine_onset_ns(episode)
    earliest = min(rungs, key=lambda rung: rung.at_s + rung.plus_minus_s)
    tied = [rung for rung in rungs if rung.at_s - rung.plus_minus_s <= earliest.at_s + earliest.plus_minus_s]
    first = min(tied, key=lambda rung: UPSTREAM.index(rung.channel))
    if first.channel == "air_fuel_ratio":
        # The probe only witnesses: every other signal held, so the crank itself was the first to show it.
        first = Moved("tach_pulses", engine / NS_PER_S, 0.05, "no pulse missing; dated from the exhaust")
        rungs.append(first)
    rungs.sort(key=lambda rung: (rung.channel != first.channel, rung.at_s))
    onset = min(round(first.at_s * NS_PER_S), engine)
    return Order(rungs, first.channel, onset, engine)


def led_by_weak_supply(rank: Order, episode: Episode) -> Order:
    """The order with the battery first, from when on it was too low for an engine that runs.

    A slow decline is no dip and dates nothing: the onset stays where the engine first missed. Unchanged where a voltage
    is among what moved already.
    """
    view = episode.view
    channel = next((name for name in VOLTAGES if name in view.traces), None)
    if channel is None or any(rung.channel in VOLTAGES for rung in rank.moved):
        return rank
    before = view.near(channel, 0, rank.onset_ns)
    smooth = bands.baseline(before, 1.0)
    sound = np.flatnonzero(smooth >= bands.WEAK_BATTERY_V)
    since_ns = int(before.time_ns[sound[-1]]) if sound.size else 0
    weak = Moved(channel, since_ns / NS_PER_S, 0.5, f"below {bands.WEAK_BATTERY_V:g} V from then on")
    return Order([weak, *rank.moved], channel, rank.onset_ns, rank.engine_onset_ns)


def led_by_coil(rank: Order, episode: Episode) -> Order:
    """The order with the tach wire first, where a rail fell no earlier than the last pulse before those that miss.

    A coil that lost its feed shows it only when the next pulse is due; a rail behind the same switch falls at once.
    """
    lost = [sign for sign in episode.of("lost_pulses") if sign.earliest_ns is not None]
    fell = [sign for sign in episode.of("low_pressure") if sign.channel == rank.first]
    if not lost or not fell or (lost[0].earliest_ns or 0) > fell[0].from_ns:
        return rank
    moved = sorted(rank.moved, key=lambda rung: rung.channel != lost[0].channel)
    return Order(moved, lost[0].channel, rank.onset_ns, rank.engine_onset_ns)


def _rungs(episode: Episode) -> list[Moved]:
    rungs: dict[str, Moved] = {}
    # Sharp signs first, so that a blurred one of the same channel does not stand in for them.
    for sign in sorted(episode.signs, key=lambda sign: (sign.kind in BLURRED, sign.from_ns)):
        if sign.channel in rungs:
            continue
        early = sign.earliest_ns if sign.earliest_ns is not None else sign.from_ns
        if sign.kind == "weak_torque":
            rungs[sign.channel] = Moved(
                sign.channel, sign.from_ns / NS_PER_S, 0.03, "the crank slowed, no pulse missing"
            )
            continue
        if sign.kind == "lame_cylinder":
            error = round((sign.from_ns - early) / NS_PER_S, 5)
            note = "the crank lost speed once each cycle, no pulse missing"
            rungs[sign.channel] = Moved(sign.channel, sign.from_ns / NS_PER_S, error, note)
            continue
        if sign.kind == "stray_edges":
            note = "a spark strayed onto the tach wire, no pulse missing"
            rungs[sign.channel] = Moved(sign.channel, sign.from_ns / NS_PER_S, 0.05, note)
            continue
        if sign.channel in ("tach_pulses", "spark_pulses", "injector_pulses"):
            error = 0.1 * (sign.from_ns - early) / NS_PER_S
            rungs[sign.channel] = Moved(sign.channel, sign.from_ns / NS_PER_S, round(error, 5))
            continue
        if sign.kind == "lean":
            late_ns = int(sign.note) * 1_000_000 if sign.note else DEAD_TIME_NS
            error, note = round((sign.from_ns - early) / NS_PER_S, 5), "reads late, by gas transport"
            rungs[sign.channel] = Moved(sign.channel, (sign.from_ns + late_ns) / NS_PER_S, error, note)
            continue
        half = (sign.from_ns - early) / 2
        rungs[sign.channel] = Moved(
            sign.channel, (sign.from_ns - half) / NS_PER_S, round(half / NS_PER_S + FILTER_S, 5)
        )
    return list(rungs.values())


def engine_onset_ns(episode: Episode) -> int:
    """The first firing that was not normal: lost pulse, missing spark, or the first firing after a supply gave way.

    What the crank's own slowing and the exhaust tell counts only where nothing sharper does; the exhaust beside the
    crank only where it is known how late it reads, since the crank needs several lost firings to show any.
    """
    firings = episode.view.firings.time_ns
    onsets = [s.from_ns for s in episode.signs if s.kind in ("lost_pulses", "no_spark", "no_injection", "died")]
    onsets += [s.engine_ns for s in episode.signs if s.engine_ns is not None]
    for dip in episode.of("supply_dip"):
        onsets.append(int(firings[min(int(np.searchsorted(firings, dip.from_ns)), firings.size - 1)]))
    if not onsets:
        onsets = [sign.from_ns for kind in ("weak_torque", "lame_cylinder", "stray_edges") for sign in episode.of(kind)]
        onsets += [
            sign.from_ns
            for sign in episode.of("lean")
            if sign.earliest_ns is not None and sign.from_ns - sign.earliest_ns <= TOLD_NS
        ]
    if not onsets:
        onsets = [sign.from_ns for sign in episode.of("lean")]
    if not onsets:
        onsets = [episode.from_ns]
    return min(onsets)
