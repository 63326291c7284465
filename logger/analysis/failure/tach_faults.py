"""Faults of the tach wire: pulses that only the wire lost, and edges that belong to no firing."""

from collections.abc import Sequence

import numpy as np

from logger.analysis.crank.states import View
from logger.analysis.failure import limiter
from logger.analysis.failure.episodes import JOIN_NS, MS, Episode
from logger.analysis.findings import SensorFault
from logger.analysis.signs import wire
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S

CHATTER_NS = 50 * MS


def dropped(view: View, gap: wire.Gap) -> SensorFault:
    """Missing pulses as the wire's fault."""
    note = f"{gap.missing} pulses missing while the crank turned on undisturbed"
    return SensorFault(
        view.recording.name, "tach_pulses", gap.from_ns / NS_PER_S, gap.to_ns / NS_PER_S, "dropped_pulses", note
    )


def extra_edges(view: View, ours: Sequence[Sign], ceiling_rps: float) -> list[SensorFault]:
    """Bursts of extra edges on the tach wire while the engine ran: at least 4 within half a second of each other.

    What comes out of phase while pulses are lost is the contact that chatters, not the wire; what comes so on the rev
    limiter is the limiter that cuts sparks.
    """
    extra = view.firings.extra_ns
    for sign in ours:
        extra = extra[(extra < sign.from_ns - CHATTER_NS) | (extra > sign.to_ns + CHATTER_NS)]
    extra = extra[view.ran_at_each(extra)]
    if not extra.size:
        return []
    parts = np.split(extra, np.flatnonzero(np.diff(extra) > JOIN_NS) + 1)
    return [
        SensorFault(
            view.recording.name,
            "tach_pulses",
            int(part[0]) / NS_PER_S,
            int(part[-1]) / NS_PER_S,
            "extra_pulses",
            f"{part.size} edges that belong to no firing",
        )
        for part in parts
        if part.size >= 4 and not limiter.near(view, int(part[0]), int(part[-1]), ceiling_rps)
    ]


def apart(faults: Sequence[SensorFault], episodes: Sequence[Episode]) -> list[SensorFault]:
    """Those that touch no stumble: where sparks stray onto the wire they add edges there, and cover pulses."""
    reach_s = 2 * CHATTER_NS / NS_PER_S
    return [
        fault
        for fault in faults
        if not any(
            fault.from_s < episode.to_ns / NS_PER_S + reach_s and fault.to_s > episode.from_ns / NS_PER_S - reach_s
            for episode in episodes
        )
    ]
