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

import numpy as np

from logger.analysis.crank.cycle import ENOUGH, FEWEST_CYCLES, Folded, spread_out
from logger.analysis.crank.states import State, View
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


def due(view: View, count: int, at: slice | IntArray) -> FloatArray:
    """Amplitude of the wave of a lame cylinder at some pulses, in intervals, (m,), for `count` pulses a cycle."""
    state = view.state[at]
    share = np.ones(state.size)
    if view.load_channel is not None:
        share = np.clip(np.nan_to_num(view.load[at].astype(np.float64)) / FULL_LOAD, LEAST_SHARE, 1.0)
        share[state == State.OVERRUN] = 0.0
    share[state == State.IDLE] = IDLE_SHARE
    turning = 2.0 * np.pi * np.maximum(view.firings.speed_rps[at], 1.0)
    return np.asarray(WORK * share / (view.engine.cylinders * turning**2) * count / (2.0 * np.pi**2))


def patterns(
    views: Sequence[View], folded: Sequence[Folded], count: int, sound: Sequence[BoolArray]
) -> dict[int, FloatArray]:
    """How late each place's pulse comes in a sound engine, in intervals: by group, (KINDS, count); NaN where not known.

    The pattern is the median by place of what runs alike (pulling, idling, on overrun), in each group of pulses whose
    places are known to each other; or, where that shows a lame cylinder, only what does not follow load and speed.
    sound: bool (n,) of each recording, from which pulses the pattern is taken, where they are enough.
    """
    found = {}
    for number in sorted({number for one in folded for number in np.unique(one.group).tolist()} - {-1}):
        own = [one.valid & (one.group == number) for one in folded]
        table = np.full((len(KINDS), count), np.nan)
        lobes = _lobes(*_together(views, folded, own, count), count, views[0].load_channel is not None)
        for row, kind in enumerate(KINDS):
            alike = [some & (view.state == kind) for some, view in zip(own, views, strict=True)]
            pattern = lobes if any(some.any() for some in alike) else None
            for chosen in ([a & b for a, b in zip(alike, sound, strict=True)], alike):
                pattern = _median(*_together(views, folded, chosen, count)[:2], count) if pattern is None else pattern
            if pattern is not None:
                table[row] = pattern
        found[number] = table
    return found


def beyond(
    view: View, folded: Folded, table: Mapping[int, FloatArray], count: int, span: slice
) -> tuple[FloatArray, BoolArray]:
    """How late pulses of a span come beyond the standing pattern, in intervals, (m,); and where that is known."""
    state, group = view.state[span], folded.group[span]
    usual = np.full(state.size, np.nan)
    for number in np.unique(group).tolist():
        if number in table:
            rows = np.vstack((table[number], np.full((1, count), np.nan)))
            kind = np.select([state == kind for kind in KINDS], range(len(KINDS)), len(KINDS))
            usual = np.where(group == number, rows[kind, folded.place[span]], usual)
    known = folded.valid[span] & np.isfinite(usual)
    return np.where(known, folded.uneven[span] - usual, 0.0), known


def _together(
    views: Sequence[View], folded: Sequence[Folded], chosen: Sequence[BoolArray], count: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Place, unevenness, due wave and state of the chosen pulses of all recordings, (m,) each."""
    every = sum(int(np.count_nonzero(use)) for use in chosen) // ENOUGH
    parts = []
    for view, one, use in zip(views, folded, chosen, strict=True):
        at = spread_out(use, every)
        parts.append((one.place[at], one.uneven[at].astype(np.float64), due(view, count, at), view.state[at]))
    place, uneven, wave, state = (np.concatenate(column) for column in zip(*parts, strict=True))
    return place, uneven, wave, state


def _median(place: FloatArray, uneven: FloatArray, count: int) -> FloatArray | None:
    parts = [uneven[place == p] for p in range(count)]
    if min(part.size for part in parts) < FEWEST_CYCLES:
        return None
    return np.array([float(np.median(part)) for part in parts])


def _lobes(
    place: FloatArray, uneven: FloatArray, wave: FloatArray, state: FloatArray, count: int, load_known: bool
) -> FloatArray | None:
    """The part of the pattern that follows neither load nor speed, (count,), where the rest shows a lame cylinder.

    By each place a straight line is fitted of `uneven` over the wave due; None where their slopes make no wave.
    """
    use = np.isin(state, KINDS if load_known else KINDS[:2])  # a shut throttle that nothing tells says nothing
    place, uneven, wave = place[use], uneven[use], wave[use]
    usual = _median(place, uneven, count)
    if usual is None:
        return None
    off = uneven - usual[place]
    limit = CLIP * 1.4826 * float(np.median(np.abs(off)))
    level, slope, error = np.empty(count), np.empty(count), np.empty(count)
    for p in range(count):
        value, x = usual[p] + np.clip(off[place == p], -limit, limit), wave[place == p]
        spread = x - x.mean()
        if not spread.any():
            return None
        slope[p] = float(spread @ value) / float(spread @ spread)
        level[p] = float(value.mean() - slope[p] * x.mean())
        error[p] = float(np.std(value - level[p] - slope[p] * x)) / float(np.sqrt(spread @ spread))
    turns = np.exp(-2j * np.pi * np.arange(count) / count) * (1.0 if count == 2 else 2.0) / count
    size, size_error = complex(slope @ turns), float(np.sqrt(error**2 @ np.abs(turns) ** 2))
    if abs(size) < max(LAME_ALL_DAY, SURE * size_error):
        return None
    template = wave * np.cos(2.0 * np.pi * place / count + np.angle(size))
    shown = template * np.clip(uneven - level[place], -limit, limit)
    parts = [
        float(some.sum()) / float(due @ due)
        for some, due in zip(np.array_split(shown, PARTS), np.array_split(template, PARTS), strict=True)
        if due.any()
    ]
    return level if float(np.median(parts)) > LAME_ALL_DAY else None
