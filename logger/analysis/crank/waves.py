"""An event's pulses as the search for a lame cylinder sees them: each cycle's wave, beyond the standing pattern."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from logger.analysis.crank import cycle, standing
from logger.analysis.crank.cycle import GroupArray
from logger.analysis.crank.states import State, View
from logger.analysis.medians import row_medians
from logger.event import NS_PER_S, BoolArray, FloatArray

ComplexArray = npt.NDArray[np.complex128]

CLIP = 4.0  # standard deviations, beyond which a pulse is an accident
SCATTER_PULSES = 201  # over which the jitter is measured
RACING_PER_S = 0.45  # relative gain of crank speed
GRID_NS = 25_000_000
HALF_STEPS, NEAR_STEPS = 4, 8  # of the grid: to either side of it speed is compared; a racing crank is taken for one


@dataclass(frozen=True, slots=True)
class Train:
    """A piece of one recording's pulses as the search sees them, (n,), from pulse `begin` of recording `number` on.

    wave: `uneven` beyond the standing pattern, in its own scatter, turned back by its place in the cycle, so that a
    lame cylinder's adds up in one direction; each component has variance 1 from jitter alone; 0 where not judged.
    level: what a lame cylinder of size 1 adds to it. calm: whether the crank is no racing one, see `_racing`.
    """

    number: int
    begin: int
    wave: ComplexArray
    level: FloatArray
    judged: BoolArray
    calm: BoolArray
    group: GroupArray


@dataclass(frozen=True, slots=True)
class Taught:
    """What a choice of an event's views taught: the span of pulses that others are laid on (None: none), and the
    standing pattern of the pulses whose places are known by it, as standing.patterns gives it."""

    span: cycle.Span | None
    patterns: Mapping[int, FloatArray]


NOTHING = Taught(None, {})


class Day:
    """An event's pulses on the engine's cycle, to be searched piece by piece."""

    def __init__(self, views: Sequence[View], count: int, taught: Taught) -> None:
        self.views, self.count, self.taught = views, count, taught
        pulls = [view.state == State.PULLING for view in views]
        self.folded, self.span = cycle.fold([view.firings for view in views], pulls, count, taught.span)
        self.due = [standing.due(view, count) for view in views]
        self.sound = [np.ones(view.state.size, bool) for view in views]
        self.races = [_racing(view) for view in views]

    def patterns(self) -> dict[int, FloatArray]:
        """The standing pattern of each group of pulses, of what is held for sound now."""
        return standing.patterns(self.views, self.folded, self.due, self.count, self.sound, self.taught.patterns)

    def trains(self) -> list[Train]:
        """The pieces, in order, against the pattern of what is held for sound now."""
        table = self.patterns()
        of_jitter, of_wave = cycle.kept(self.count)
        gain = 1.0 if self.count == 2 else np.sqrt(2.0)
        turns = gain * of_jitter / of_wave * np.exp(-2j * np.pi * np.arange(self.count) / self.count)
        pieces = []
        for number, (view, one) in enumerate(zip(self.views, self.folded, strict=True)):
            for begin in range(0, view.state.size, cycle.PIECE):
                span = slice(begin, min(begin + cycle.PIECE, view.state.size))
                rest, known = standing.beyond(view, one, table, self.count, span)
                # A shut throttle loses nothing by a firing; where no channel shows the load, overrun is only a guess.
                judged = known & ((view.state[span] != State.OVERRUN) | (view.load_channel is None))
                scatter = np.ones(judged.size)
                scatter[judged] = _scatter(rest[judged])
                value = np.where(judged, np.clip(rest / scatter, -CLIP, CLIP), 0.0)
                wave = value * turns[one.place[span]]
                level = self.due[number][span] / scatter * (of_jitter / gain)
                time_ns = view.firings.time_ns
                calm = ~self.races[number][(time_ns[span] - time_ns[0]) // GRID_NS]
                pieces.append(Train(number, begin, wave, level, judged, calm, one.group[span]))
        return pieces


def _racing(view: View) -> BoolArray:
    """Where the crank gains speed as only slipping tyres or clutches and first gears let it, by GRID_NS, (k,)."""
    time_ns, speed = view.firings.time_ns, view.firings.speed_rps
    if not time_ns.size:
        return np.empty(0, bool)
    half_ns = HALF_STEPS * GRID_NS
    grid = np.arange(time_ns[0] - half_ns, time_ns[-1] + GRID_NS + half_ns, GRID_NS)
    place = np.minimum(np.searchsorted(time_ns, grid), time_ns.size - 1)
    before, after = place[: -2 * HALF_STEPS], place[2 * HALF_STEPS :]
    span = np.maximum(time_ns[after] - time_ns[before], half_ns) / NS_PER_S
    races = np.log(np.maximum(speed[after], 0.1) / np.maximum(speed[before], 0.1)) / span > RACING_PER_S
    return np.asarray(ndimage.maximum_filter1d(races, 2 * NEAR_STEPS + 1, mode="nearest"))


def _scatter(value: FloatArray) -> FloatArray:
    """Robust standard deviation of values around each, (n,)."""
    size, step = np.abs(value), 8
    if size.size < 2 * step:
        return np.full(size.size, 1.0)
    coarse = row_medians(size[: size.size // step * step].reshape(-1, step))
    typical = 1.4826 * ndimage.median_filter(coarse, SCATTER_PULSES // step, mode="nearest")
    spread = np.repeat(typical, step)
    spread = np.concatenate((spread, np.full(size.size - spread.size, spread[-1])))
    return np.asarray(np.maximum(spread, 1e-5))
