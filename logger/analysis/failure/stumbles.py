"""From signs to stumbles: what each detector found while the engine ran, joined into episodes by clear rules.

1. Signs are gathered: lost pulses, missing sparks, supply dips, low rail pressure, engines that died.
2. Signs that belong to one moment are joined (episodes.py).
3. An episode is a stumble when the engine missed: pulses or sparks were lost, the engine died, or a supply or the rail
   left its band far enough that a firing cannot have been sound. The rest is kept with the reason why it was rejected.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.crank.states import View
from logger.analysis.crank.stops import RAN_DOWN, Stop, stops
from logger.analysis.failure import limiter, no_stumble, tach_faults
from logger.analysis.failure.episodes import MS, Episode, join
from logger.analysis.findings import SensorFault
from logger.analysis.signs import (
    cutouts,
    idle_drops,
    injection,
    lean,
    let_go,
    motion,
    probe,
    rail,
    sparks,
    starved,
    starved_coil,
    strays,
    torque,
    wire,
)
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S

BOWL_NS = 2 * NS_PER_S
FAILED_NS, SOON_NS = NS_PER_S * 3 // 2, 30 * MS  # before an engine stops, in which a rail that fails is why
# Of the longest that a float bowl lasts (rail.py); a small one behind a thirsty engine lasts for a third of that. An
# engine that stops then, with the rail still empty, need not have been stalled.
MAY_BE_DRY = 0.4
FEWEST_DROPPED = 3  # pulses; a crank that is jerked to a halt and on again may miss one or two
UNPROVEN = "edges right beside some tach pulses and nothing else: sparks that stray, a coil that rings or a loose pin"
BELIEVED = 0.66  # chance from which missing pulses are held to be the ignition's, not the wire's
CERTAIN = 0.999  # nothing is believed or disbelieved more than so much


@dataclass(frozen=True, slots=True)
class Taught:
    """What an event teaches before it is searched: the rail's band, how the car pushes, how with a rail not short, how
    told without a throttle (None: not known), its rev limiter's rev/s, and its exhaust probe (or None)."""

    pressure: bands.PressureBand | None
    law: motion.Law | None
    fed_law: motion.Law | None
    blind_law: motion.Law | None
    ceiling: float
    exhaust: probe.Probe | None


def learn(views: Sequence[View], rides: Sequence[motion.Motion | None], pressure: bands.PressureBand | None) -> Taught:
    """Learn from views of an event, all of them or a fair choice. rides: of each; pressure: the rail's band."""
    known = [(ride, view) for ride, view in zip(rides, views, strict=True) if ride is not None]
    fed = motion.learn([motion.without(ride, starved.spans(rail.signs(view, pressure))) for ride, view in known])
    law = fed or motion.learn([ride for ride, _ in known])
    return Taught(pressure, law, fed, starved.learn(views), limiter.ceiling(views), probe.learn(views))


@dataclass(frozen=True, slots=True)
class Look:
    """What a first look at one view shows: signs apart from missing pulses, these, and why the engine stopped.

    proven, watched: for each gap, as wire.chance_real takes them. stray: bursts of edges that sparks may have left.
    """

    signs: list[Sign]
    stray: list[strays.Burst]
    gaps: list[wire.Gap]
    proven: list[bool]
    watched: list[bool]
    halts: list[Stop]


def look(view: View, ride: motion.Motion | None, lamed: list[Sign], taught: Taught) -> Look:
    """Look one view through. What its missing pulses are, only those of the whole event together can tell.

    ride: of the view; lamed: its signs of a lame cylinder."""
    dips, injections, gaps = supply_signs(view), injection.signs(view), wire.gaps(view, taught.exhaust)
    felt, low = _torque_signs(view, ride, taught, rail.signs(view, taught.pressure))
    signs = dips + sparks.signs(view) + low
    felt += starved.signs(view, low, taught.blind_law) + idle_drops.signs(view)
    signs += [sign for sign in felt if not probe.burned_on(view, taught.exhaust, sign.from_ns, sign.to_ns)]
    signs += lean.signs(view, taught.exhaust) + injections + lamed
    signs += starved_coil.signs(view) + starved_coil.collapsed(view)
    proven = [_proven(gap, dips + injections) for gap in gaps]
    watched = [view.near("ignition_feed_voltage", gap.from_ns, gap.to_ns).value.size > 1 for gap in gaps]
    stray = [
        burst
        for burst in strays.bursts(view)
        if not limiter.near(view, burst.sign.from_ns, burst.sign.to_ns, taught.ceiling)
    ]
    bowl = view.engine.fuel_system == "carburettor"
    return Look(signs, stray, gaps, proven, watched, [_starved(halt, low, bowl) for halt in stops(view)])


def _starved(halt: Stop, low: Sequence[Sign], carburettor: bool) -> Stop:
    """A crank that seemed dragged down by its driver as the rail failed: then it got no fuel, and the engine died."""
    if not halt.dragged_down:
        return halt
    enough = MAY_BE_DRY if carburettor else 1.0
    for sign in low:
        fell = halt.at_ns - FAILED_NS < sign.from_ns < halt.at_ns - SOON_NS or sign.strength >= enough
        if fell and sign.from_ns < halt.at_ns and sign.to_ns > halt.at_ns - FAILED_NS:
            return replace(halt, why="died", reason=f"{RAN_DOWN} as fuel pressure failed, with the key on")
    return halt


def chances(looks: Sequence[Look]) -> list[list[float]]:
    """For each look the probability that each of its gaps was the ignition's, up to CERTAIN: all of its gaps vote."""
    chance = wire.chance_real(
        [gap for one in looks for gap in one.gaps],
        [proven for one in looks for proven in one.proven],
        [watched for one in looks for watched in one.watched],
    )
    each = iter(np.clip(chance, 1.0 - CERTAIN, CERTAIN).tolist())
    return [[next(each) for _ in one.gaps] for one in looks]


def alike(some: Sequence[float], others: Sequence[float]) -> bool:
    """Whether a search finds the same with either chances: how little one is believed makes no difference to it."""
    return all(a == b or max(a, b) <= BELIEVED for a, b in zip(some, others, strict=True))


def sparks_strayed(looks: Sequence[Look], running_s: float) -> bool:
    """Whether the bursts of stray edges of an event mark firings lost: all of them vote."""
    return strays.of_sparks([one.stray for one in looks], [one.signs for one in looks], running_s)


@dataclass(slots=True)
class Search:
    """What the search over one view brings: episodes, what was rejected and why, faults of the tach wire."""

    episodes: list[Episode] = field(default_factory=list)
    rejected: list[dict[str, Any]] = field(default_factory=list)
    tach_faults: list[SensorFault] = field(default_factory=list)


def search(view: View, seen: Look, chance: Sequence[float], strays_count: bool, ceiling: float) -> Search:
    """Find the episodes of a view that was looked through.

    chance: of its gaps, from chances(). strays_count: whether bursts of stray edges mark firings lost in this event.
    ceiling: as taught.
    """
    result = Search()
    signs = [*seen.signs, *(burst.sign for burst in seen.stray if strays_count and burst.by_sparks)]
    dropped: list[wire.Gap] = []
    for gap, real in zip(seen.gaps, chance, strict=True):
        sign = _lost_pulses(view, gap, real)
        if real > BELIEVED:
            signs.append(sign)
        elif (limited := limiter.held(Episode(view, (sign,)), ceiling)) is not None:
            result.rejected.append(_rejected(view, gap.from_ns, gap.to_ns, limited))
        elif not limiter.near(view, gap.from_ns, gap.to_ns, ceiling):
            dropped.append(gap)
    if sum(gap.missing for gap in dropped) >= FEWEST_DROPPED:
        result.tach_faults += [tach_faults.dropped(view, gap) for gap in dropped]
    halts = seen.halts
    signs = [sign for sign in signs if not _at_key_off(sign, halts)]
    signs += [_died(view, halt) for halt in halts if halt.why == "died"]
    result.rejected += [_rejected(view, halt.at_ns, halt.at_ns, halt.reason) for halt in halts if halt.why != "died"]
    for members in join(signs, BOWL_NS if view.engine.fuel_system == "carburettor" else 0):
        halt = next((h for h in halts if h.why == "died" and any(s.from_ns == h.at_ns for s in members)), None)
        episode = Episode(view, tuple(members), halt)
        why_not = no_stumble.why(episode) or limiter.held(episode, ceiling)
        if why_not is None:
            result.episodes.append(episode)
        else:
            result.rejected.append(_rejected(view, episode.from_ns, episode.to_ns, why_not))
    likely = [burst.sign for burst in seen.stray if burst.by_sparks]
    if not strays_count:
        alone = (s for s in likely if not any(e.from_ns < s.to_ns and e.to_ns > s.from_ns for e in result.episodes))
        result.rejected += [_rejected(view, sign.from_ns, sign.to_ns, UNPROVEN) for sign in alone]
    ours = [*(sign for sign in signs if sign.kind == "lost_pulses"), *likely]
    result.tach_faults += tach_faults.extra_edges(view, ours, ceiling)
    if strays_count:
        result.tach_faults = tach_faults.apart(result.tach_faults, result.episodes)
    return result


def _torque_signs(
    view: View, ride: motion.Motion | None, taught: Taught, low: list[Sign]
) -> tuple[list[Sign], list[Sign]]:
    """What car and crank show of missing torque; and the rail's shortages, eased where they show that none is."""
    if taught.law is None or ride is None:
        return [], low
    if view.load_channel == "throttle_position" and taught.fed_law is not None:
        low = [starved.eased(sign, ride, taught.fed_law) for sign in low]
    found = (detector.signs(view, ride, taught.law) for detector in (torque, cutouts, let_go))
    return [sign for each in found for sign in each], low


def _at_key_off(sign: Sign, halts: Sequence[Stop]) -> bool:
    """Whether a supply or the rail fell because the key was turned off, or while the engine stood and was started.

    After the key was turned off a crank that runs down misses every firing, and so does one that the driver stalled.
    """
    if any(halt.off_ns is not None and halt.off_ns - 150 * MS < sign.from_ns <= halt.at_ns for halt in halts):
        return True
    stalls = (halt for halt in halts if halt.why == "driver_stall")
    if any(halt.at_ns - 60 * MS < sign.from_ns < halt.at_ns + NS_PER_S for halt in stalls):
        return True
    if sign.kind not in ("supply_dip", "low_pressure"):
        return False
    for halt in halts:
        restart = halt.restart_ns if halt.restart_ns is not None else sign.from_ns
        begin = halt.at_ns - 150 * MS if halt.why == "key_off" else halt.at_ns + 150 * MS
        if begin < sign.from_ns <= restart:
            return True
    return False


def supply_signs(view: View) -> list[Sign]:
    """Dips of battery and coil feed while the engine ran; of the sensors' supply where the battery is not recorded."""
    found = []
    stand_in = () if "battery_voltage" in view.traces else ("sensor_supply_voltage",)
    for channel in ("battery_voltage", "ignition_feed_voltage", *stand_in):
        trace = view.traces.get(channel)
        if trace is None:
            continue
        for dip in bands.voltage_dips(channel, trace):
            if view.ran_at(dip.from_ns):
                note = f"{dip.lowest:.2f}"
                found.append(
                    Sign("supply_dip", channel, dip.from_ns, dip.to_ns, 0.0, dip.depth, dip.last_good_ns, note=note)
                )
    return found


def _proven(gap: wire.Gap, dips: Sequence[Sign]) -> bool:
    """A gap with a dip of feed or battery across it, or without injections, is no mere fault of the tach wire."""
    return any(dip.from_ns - 60 * MS < gap.to_ns and dip.to_ns + 60 * MS > gap.from_ns for dip in dips)


def _lost_pulses(view: View, gap: wire.Gap, real: float) -> Sign:
    per_pulse = view.engine.firings_per_revolution / view.firings.pulses_per_revolution
    strength = float(np.log(real / (1.0 - real)))
    before = int(view.firings.time_ns[gap.first - 1])
    return Sign("lost_pulses", "tach_pulses", gap.from_ns, gap.to_ns, gap.missing * per_pulse, strength, before)


def _died(view: View, halt: Stop) -> Sign:
    until = halt.restart_ns if halt.restart_ns is not None else view.recording.duration_ns
    return Sign(
        "died",
        "tach_pulses",
        halt.at_ns,
        until,
        5.0,
        5.0,
        int(view.firings.time_ns[halt.last]),
        halt.slows_ns,
        note="ran_down" if halt.reason.startswith(RAN_DOWN) else "",
    )


def _rejected(view: View, from_ns: int, to_ns: int, why: str) -> dict[str, Any]:
    return {"recording": view.recording.name, "from_s": from_ns / NS_PER_S, "to_s": to_ns / NS_PER_S, "why": why}
