"""Parts of recordings: what the analysis holds in memory at a time, whatever the day's length.

A recording up to LONGEST_NS is one part. A longer one is cut about every PART_NS where the crank turns evenly, so that
no stumble, start or stop lies across a cut; what looks at a stop or a start finds its whole story in one part.
An engine that ran nowhere evenly is not cut.

What an event teaches (scale of the load, pressure band, push, exhaust, rev limiter) is learned from all of it, or, from
LEARNED_FROM_NS on, from that much of it in parts chosen evenly over the day.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from logger.analysis.findings import SensorFault
from logger.event import NS_PER_S, BoolArray, Event, FloatArray, IntArray, Recording

PART_NS = 1200 * NS_PER_S
SEARCHED_NS = 300 * NS_PER_S  # before that, for the calmest place
LONGEST_NS = 1800 * NS_PER_S
LEARNED_FROM_NS = 2400 * NS_PER_S
CALM_NS = 3 * NS_PER_S  # on either side of a cut
CALM = 1.6  # the longest interval between pulses there over the shortest: two for a pulse that is missing
FEWEST_PULSES = 4  # in a second
TOUCHING_S = 1.0


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of one of the event's recordings: its number, and from when to when (None: to its end), ns."""

    number: int
    recording: Recording
    from_ns: int
    to_ns: int | None

    @property
    def lasts_ns(self) -> int:
        return (self.recording.duration_ns if self.to_ns is None else self.to_ns) - self.from_ns

    def read(self) -> Recording:
        """Its samples."""
        return self.recording.part(self.from_ns, self.to_ns)


def parts_of(event: Event) -> list[Part]:
    """The parts of all recordings of an event, in order."""
    found = []
    for number, recording in enumerate(event.recordings):
        edges = [0, *_cuts(recording)]
        found += [Part(number, recording, a, b) for a, b in zip(edges, [*edges[1:], None], strict=True)]
    return found


def chosen(parts: Sequence[Part]) -> list[Part]:
    """The parts to learn from: all, or so many, evenly chosen, that they last about LEARNED_FROM_NS."""
    total = sum(part.lasts_ns for part in parts)
    if total <= LEARNED_FROM_NS:
        return list(parts)
    n = max(1, len(parts) * LEARNED_FROM_NS // total)
    return [parts[(2 * k + 1) * len(parts) // (2 * n)] for k in range(n)]


def _cuts(recording: Recording) -> list[int]:
    cuts: list[int] = []
    begin = 0
    searched = PART_NS
    while recording.duration_ns - begin > LONGEST_NS and begin + searched < recording.duration_ns:
        from_ns = begin + searched - SEARCHED_NS
        place = _calmest(recording.pulses_between("tach_pulses", from_ns, from_ns + SEARCHED_NS), from_ns)
        if place is None:
            searched += SEARCHED_NS
            continue
        cuts.append(place)
        begin, searched = place, PART_NS
    return cuts


def _calmest(tach_ns: IntArray, from_ns: int) -> int | None:
    """The whole second around which the crank turns most evenly, ns; None where it does so nowhere."""
    n = SEARCHED_NS // NS_PER_S
    at = np.searchsorted(tach_ns, from_ns + np.arange(n + 1) * NS_PER_S)
    turns = np.diff(at) >= FEWEST_PULSES  # in each second
    longest, shortest = np.full(n, np.inf), np.zeros(n)
    if tach_ns.size > 1 and turns.any():
        # Of each second its own intervals, and the one that leads into it.
        interval = np.diff(tach_ns, prepend=2 * tach_ns[0] - tach_ns[1]).astype(np.float64)
        longest[turns] = np.maximum.reduceat(interval, at[:-1][turns])
        shortest[turns] = np.minimum.reduceat(interval, at[:-1][turns])
    around = int(2 * CALM_NS // NS_PER_S)
    most, least = (
        reach(sliding_window_view(value, around), axis=1) for reach, value in ((np.max, longest), (np.min, shortest))
    )
    unevenness = most / np.maximum(least, 1.0)
    best = int(np.argmin(unevenness))
    return from_ns + best * NS_PER_S + CALM_NS if unevenness[best] < CALM else None


def inside_part(time_s: FloatArray, part: Part) -> BoolArray:
    """Which times of its recording lie in a part, (n,)."""
    at_ns = time_s * NS_PER_S
    inside: BoolArray = at_ns >= part.from_ns if part.from_ns else np.ones(time_s.size, bool)
    return inside if part.to_ns is None else inside & (at_ns < part.to_ns)


def spans_joined(spans: Sequence[Sequence[tuple[float, float]]]) -> list[tuple[float, float]]:
    """The spans of a recording's parts, seconds, those that a cut parted made one."""
    joined: list[tuple[float, float]] = []
    for part in spans:
        goes_on = bool(joined and part) and part[0][0] - joined[-1][1] < TOUCHING_S
        if goes_on:
            joined[-1] = (joined[-1][0], part[0][1])
        joined += part[1:] if goes_on else part
    return joined


def gaps_joined(gaps: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The gaps of a recording's parts, in order of time, those that a cut parted made one."""
    joined: list[dict[str, Any]] = []
    for gap in gaps:
        same = [one for one in joined if one["channel"] == gap["channel"] and one.get("why") == gap.get("why")]
        if same and same[-1]["to_s"] >= gap["from_s"]:
            same[-1]["to_s"] = max(same[-1]["to_s"], gap["to_s"])
        else:
            joined.append(dict(gap))
    return sorted(joined, key=lambda gap: (gap["from_s"], gap["channel"]))


def faults_joined(faults: Sequence[SensorFault]) -> list[SensorFault]:
    """The sensors' faults of an event's parts, in their order, those that a cut parted made one."""
    joined: list[SensorFault] = []
    for fault in faults:
        before = [
            k
            for k, one in enumerate(joined)
            if (one.recording, one.channel, one.kind) == (fault.recording, fault.channel, fault.kind)
        ]
        if before and abs(fault.from_s - joined[before[-1]].to_s) < TOUCHING_S:
            joined[before[-1]] = replace(joined[before[-1]], to_s=fault.to_s)
        else:
            joined.append(fault)
    return joined
