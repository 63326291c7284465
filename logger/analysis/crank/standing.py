"""What a sound engine shows in each of its cycles, and what a cylinder that is lame would add to it.

Lobes of a distributor and teeth of a crank are off by an angle, which is the same share of an interval at any speed
and load. A lost firing takes work from the crank: that shows with the load, falls with the square of speed, and is
gone on overrun. So an engine that has been lame all day can be told from one whose lobes differ, by the law that joins
the pattern to load and speed; what does not follow it is the lobes'.

One firing's work at mean effective pressure p in an engine of displacement V, inertia J and C cylinders is p V / C. It
takes d = p V / (C J w^2) of crank speed w, a sawtooth of one cycle whose first harmonic is d / pi; summed up, the M
edges of a cycle come early and late by

    d M / (2 pi^2) cos(2 pi (k - k0) / M)        (in intervals; earliest, the wave's trough, in the middle of the loss)
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from logger.analysis.crank.cycle import ENOUGH, FEWEST_CYCLES, Folded, PlaceArray, spread_out
from logger.analysis.crank.states import State, StateArray, View
from logger.analysis.medians import median
from logger.event import BoolArray, FloatArray, IntArray

WORK = 9400.0  # p V / J, 1/s2: 800 kPa at full load over 0.085 kg m2 a litre (judgement; a heavy flywheel halves it)
IDLE_SHARE = 0.25  # of full load, with which an idling engine fires
FULL_LOAD = 0.6  # of the load's scale, from which an engine gives about its full torque
LEAST_SHARE = 0.2
KINDS = (State.PULLING, State.IDLE, State.OVERRUN)
LAME_ALL_DAY = 0.3  # of a lame cylinder's wave; cylinders that differ by some per cent show a tenth
PARTS = 8  # of the day, of which most must show it: one lame at low speed alone bends the law, too
SURE = 6.0  # standard errors of it
CLIP = 4.0  # standard deviations


def due(view: View, count: int) -> FloatArray:
    """Amplitude of the wave of a lame cylinder at each pulse, in intervals, (n,), for `count` pulses a cycle."""
    state = view.state
    share = np.ones(state.size)
    if view.load_channel is not None:
        share = np.minimum(np.fmax(view.load.astype(np.float64) / FULL_LOAD, LEAST_SHARE), 1.0)  # the least for NaN
        share[state == State.OVERRUN] = 0.0
    share[state == State.IDLE] = IDLE_SHARE
    turning = 2.0 * np.pi * np.maximum(view.firings.speed_rps, 1.0)
    return np.asarray(WORK * share / (view.engine.cylinders * turning**2) * count / (2.0 * np.pi**2))


def patterns(
    views: Sequence[View],
    folded: Sequence[Folded],
    waves: Sequence[FloatArray],
    count: int,
    sound: Sequence[BoolArray],
    known: Mapping[int, FloatArray],
) -> dict[int, FloatArray]:
    """How late each place's pulse comes in a sound engine, in intervals: by group, (KINDS, count); NaN where not known.

    The pattern is the median by place of what runs alike (pulling, idling, on overrun), in each group of pulses whose
    places are known to each other; or, where that shows a lame cylinder, only what does not follow load and speed.
    waves: of each recording, as `due` tells them. sound: bool (n,) of each recording, from which pulses the pattern is
    taken, where they are enough. known: patterns that are not asked for anew.
    """
    found = dict(known)
    is_kind = np.isin(np.arange(len(State)), KINDS)
    usable = [one.valid & is_kind[view.state] for view, one in zip(views, folded, strict=True)]
    for number in sorted({number for one in folded for number in one.groups()} - set(known)):
        chosen = [use & (one.group == number) for use, one in zip(usable, folded, strict=True)]
        own = _together(views, folded, waves, chosen, sound)
        lobes = _lobes(own, count, views[0].load_channel is not None)
        found[number] = np.full((len(KINDS), count), np.nan)
        for row, kind in enumerate(KINDS):
            alike = own.state == kind
            pattern = lobes if alike.any() else None
            for some in (alike & own.sound, alike):
                pattern = _median(own.place[some], own.uneven[some], count) if pattern is None else pattern
            if pattern is not None:
                found[number][row] = pattern
    return found


def beyond(
    view: View, folded: Folded, table: Mapping[int, FloatArray], count: int, span: slice
) -> tuple[FloatArray, BoolArray]:
    """How late pulses of a span come beyond the standing pattern, in intervals, (m,); and where that is known."""
    state, group = view.state[span], folded.group[span]
    usual = np.full(state.size, np.nan)
    kinds = np.full(len(State), len(KINDS))
    kinds[list(KINDS)] = range(len(KINDS))
    kind = kinds[state]
    for number in folded.groups(span):
        rows = np.vstack((table[number], np.full((1, count), np.nan)))
        usual = np.where(group == number, rows[kind, folded.place[span]], usual)
    known = folded.valid[span] & np.isfinite(usual)
    return np.where(known, folded.uneven[span] - usual, 0.0), known


@dataclass(frozen=True, slots=True)
class _Pulses:
    """Some pulses of an event, (m,) each, in order of their place in the cycle: that, unevenness, due wave, state,
    whether sound, and the how-manieth each is in time."""

    place: PlaceArray
    uneven: FloatArray
    wave: FloatArray
    state: StateArray
    sound: BoolArray
    number: IntArray


def _together(
    views: Sequence[View],
    folded: Sequence[Folded],
    waves: Sequence[FloatArray],
    chosen: Sequence[BoolArray],
    sound: Sequence[BoolArray],
) -> _Pulses:
    """The chosen pulses of all recordings; of very many an even choice."""
    every = sum(int(np.count_nonzero(use)) for use in chosen) // ENOUGH
    parts = []
    for view, one, wave, use, good in zip(views, folded, waves, chosen, sound, strict=True):
        at = spread_out(use, every)
        parts.append((one.place[at], one.uneven[at].astype(np.float64), wave[at], view.state[at], good[at]))
    place, uneven, due_wave, state, good = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(place, kind="stable")
    return _Pulses(place[order], uneven[order], due_wave[order], state[order], good[order], order)


def _median(place: PlaceArray, uneven: FloatArray, count: int) -> FloatArray | None:
    """The median unevenness of each place, (count,), of pulses in their order; None where one has too few pulses."""
    begin = np.searchsorted(place, np.arange(count + 1))
    if np.diff(begin).min() < FEWEST_CYCLES:
        return None
    return np.array([median(uneven[a:b]) for a, b in pairwise(begin.tolist())])


def _lobes(pulses: _Pulses, count: int, load_known: bool) -> FloatArray | None:
    """The part of the pattern that follows neither load nor speed, (count,), where the rest shows a lame cylinder.

    By each place a straight line is fitted of `uneven` over the wave due; None where their slopes make no wave.
    """
    # A shut throttle that nothing tells says nothing.
    use = slice(None) if load_known else pulses.state != State.OVERRUN
    place, uneven, wave = pulses.place[use], pulses.uneven[use], pulses.wave[use]
    usual = _median(place, uneven, count)
    if usual is None:
        return None
    begin = np.searchsorted(place, np.arange(count))
    number = np.diff(begin, append=place.size)

    def summed(value: FloatArray) -> FloatArray:
        return np.add.reduceat(value, begin)

    def at_pulses(value: FloatArray) -> FloatArray:
        return np.repeat(value, number)

    off = uneven - at_pulses(usual)
    limit = CLIP * 1.4826 * median(np.abs(off))
    off = np.clip(off, -limit, limit)
    spread = wave - at_pulses(summed(wave) / number)
    squares = summed(spread**2)
    if not squares.all():
        return None
    slope = summed(spread * off) / squares
    turns = np.exp(-2j * np.pi * np.arange(count) / count) * (1.0 if count == 2 else 2.0) / count
    size = complex(slope @ turns)
    if abs(size) < LAME_ALL_DAY:
        return None
    mean = summed(off) / number
    error = np.sqrt(summed((off - at_pulses(mean) - spread * at_pulses(slope)) ** 2) / number / squares)
    if abs(size) < SURE * float(np.sqrt(error**2 @ np.abs(turns) ** 2)):
        return None
    level = usual + mean - slope * summed(wave) / number
    part = pulses.number[use] * PARTS // pulses.number.size
    template = wave * at_pulses(np.cos(2.0 * np.pi * np.arange(count) / count + np.angle(size)))
    shown = np.bincount(part, template * np.clip(uneven - at_pulses(level), -limit, limit))
    due_there = np.bincount(part, template**2)
    parts = shown[due_there > 0.0] / due_there[due_there > 0.0]
    return level if median(parts) > LAME_ALL_DAY else None
