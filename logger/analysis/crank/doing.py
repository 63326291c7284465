"""What engine and driver were doing at each firing: the coarse states (states.py) told apart further.

How each is told, and from what:

- OFF, CRANKING, STARTING, IDLE: crank speed against idle speed, and where a stretch of pulses begins (states.py). Tach.
- OVERRUN, PULLING: load under and over OPEN_AT (throttle, or a rail that shows load); where nothing shows load, a crank
  that slows or gains. A load channel that reads shut while the crank gains is wrong.
- STEADY: part load, and a crank that keeps its speed within EVEN_PER_S for half a second; any load where none is known.
- GEAR_CHANGE: the crank's speed goes at a stroke to another level and stays there, faster than a car on its wheels can
  change its own: down behind a throttle that is lifted and opened again, or up from a throttle that was shut. Lost
  combustion cannot do that (the car's mass holds the crank), and wheels that let go and grip come back to where they
  were. Tach, and load where it is known.
- CLUTCH_IN: above idle speed in a car that stands; where no acceleration is recorded, a crank that shoots up from idle
  faster than a car can follow, until it idles or the car has pulled away. Acceleration, or tach.
- STALLED: the crank's last pulses, two at least, before a stop that the driver brought about (stops.py).
- SWITCHED_OFF: what still comes in after the key was turned off, as from a tach wire at the crank that runs down. Key
  sense, or the coil's feed.

Nothing here knows the gear: a clutch pressed while the car rolls on, as in a hand-brake turn, reads as overrun.
How often that is right, against the virtual car's own controls: python -m tests.bench.states.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from logger.analysis.channels.scene import spans_of
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import IDLE_BAND, State, StateArray, View, sampled
from logger.analysis.crank.stops import Stop
from logger.analysis.findings import Stumble
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

MS = 1_000_000
STEP_NS = 20 * MS
WIDE_STEPS = 4  # over which the crank's speed is taken
EVEN_PER_S, EVEN_STEPS = 0.1, 12  # relative change of speed, and grid steps to either side it is taken over
HARD = 0.7  # of full load, from which an engine pulls, whatever its speed does
# A car on its wheels changes its speed by what its tyres hold: at 8 m/s and 0.8 g by one part in a second.
FAST_PER_S, STROKE_PER_S = 0.6, 1.2  # relative change of crank speed: of a gear change all along, and at its peak
STROKE_STEPS = 20  # grid steps that it may take
STEP_DOWN, STEP_UP = 0.12, 0.15  # natural logarithm of the ratio between two gears, at least
SURELY_DOWN = 0.2  # the same where nothing else tells
AFTER_STEPS = 10  # over which the new level is read: about one swing of the drive shafts
LIFTED, SHUT, OPENED = 0.45, 0.2, 0.25  # load within a change up; before a change down; soon after a change up
EASED = 0.85  # of the load before, in a change up with the foot down
SOON_STEPS = 25
LEADS_STEPS = 18  # between the foot and the clutch that takes hold again (no source; 0.15 to 0.4 s)
BEFORE_STEPS = 40  # over which wheels that spin have their beginning
SHOOTS_UP_PER_S = 2.0  # from idle: two thirds more in a quarter of a second
FREE_STEPS = 300  # longest that a free crank is followed without acceleration
ENGAGES, ENGAGES_STEPS = 0.1, 60  # natural logarithm by which a clutch that takes hold drags the crank down
AWAY = 0.12  # natural logarithm of speed gained within half a second: the car pulls away
# A standing car reads the same all the time, and no more restlessly than at idle (no source; 0.02 g of road at 5 m/s).
STILL_G, STILL_NS = 0.07, 100 * MS
CALM, CALM_G, CALM_STEPS = 2.0, 0.004, 40
STALL_BELOW = 0.97  # of the speed before


@dataclass(frozen=True, slots=True)
class _Grid:
    """One recording's crank on a regular grid. time_ns: int64 (n,). level: natural logarithm of its speed in rev/s,
    (n,). rate: its change, 1/s, (n,). load: (n,), NaN where unknown. state: int8 (n,) of State, to be refined."""

    time_ns: IntArray
    level: FloatArray
    rate: FloatArray
    load: FloatArray
    state: StateArray


def of(view: View, halts: Sequence[Stop]) -> StateArray:
    """The state at each firing, int8 (n,) of State. halts: the recording's stops, from stops.stops."""
    firings = view.firings
    state = view.state.copy()
    grid = _grid(view)
    if grid is not None:
        idle_level = float(np.log((view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0))
        gained = _gained(grid)
        running = grid.state >= State.OVERRUN
        even = running & (np.abs(gained) < EVEN_PER_S)
        # Behind a shut throttle no crank gains speed: there it is the load channel that is wrong, or lost.
        grid.state[running & np.isnan(grid.load) & (gained > -EVEN_PER_S)] = State.PULLING
        grid.state[(grid.state == State.OVERRUN) & (gained > EVEN_PER_S)] = State.PULLING
        steady = even & ((grid.state == State.PULLING) | np.isnan(grid.load)) & ~(grid.load > HARD)
        grid.state[steady] = State.STEADY
        if view.load_channel != "throttle_position":  # else an open throttle is no idle, however slow
            grid.state[even & (grid.level < idle_level + np.log(IDLE_BAND))] = State.IDLE
        _mark_free(view, grid, idle_level)
        _mark_gear_changes(grid)
        # The grid point half a step off or less; at the ends of it, that which is nearest.
        place = np.clip((firings.time_ns - grid.time_ns[0] + STEP_NS // 2 - 1) // STEP_NS, 0, grid.time_ns.size - 1)
        refined = (state >= State.IDLE) & (grid.state[place] >= State.IDLE)
        state[refined] = grid.state[place][refined]
    for halt in halts:
        _mark_halt(view, state, halt)
    return state


def told(stumbles: Sequence[Stumble], view: View, halts: Sequence[Stop]) -> list[Stumble]:
    """A view's stumbles with what the engine was doing as it first missed, in the words of State, lower case.

    halts: the view's stops, from stops.stops.
    """
    if not stumbles:
        return []
    state = of(view, halts)
    return [replace(one, doing=_at(view, state, one)) for one in stumbles]


def _at(view: View, state: StateArray, stumble: Stumble) -> str:
    place = int(np.searchsorted(view.firings.time_ns, round(stumble.engine_onset_s * NS_PER_S) - MS)) - 1
    return State(int(state[place])).name.lower() if place >= 0 else ""


def _grid(view: View) -> _Grid | None:
    """The crank on the grid; None where it hardly turned."""
    time_ns = view.firings.time_ns
    if time_ns.size < 50:
        return None
    at_ns = np.arange(time_ns[0] + 5 * STEP_NS, time_ns[-1] - 5 * STEP_NS, STEP_NS)
    n = at_ns.size
    if n < 2 * BEFORE_STEPS:
        return None
    around_ns = time_ns[0] + (5 - WIDE_STEPS + np.arange(n + 2 * WIDE_STEPS)) * STEP_NS
    turns = np.interp(around_ns, time_ns, np.arange(time_ns.size) / view.firings.pulses_per_revolution)
    # By the turns in WIDE_STEPS from each step on, the first of them that many before the grid.
    level = np.log(np.maximum((turns[WIDE_STEPS:] - turns[:-WIDE_STEPS]) * NS_PER_S / (WIDE_STEPS * STEP_NS), 0.1))
    rate = (level[WIDE_STEPS:] - level[:-WIDE_STEPS]) * NS_PER_S / (WIDE_STEPS * STEP_NS)
    place = np.clip(np.searchsorted(time_ns, at_ns), 0, time_ns.size - 1)
    state = view.state[place].copy()
    state[view.firings.stretch[place] != view.firings.stretch[np.maximum(place - 1, 0)]] = State.OFF
    load = view.load[place].astype(np.float64) if view.load_channel else np.full(at_ns.size, np.nan)
    return _Grid(at_ns, level[WIDE_STEPS // 2 : n + WIDE_STEPS // 2], rate, load, state)


def _gained(grid: _Grid) -> FloatArray:
    """Relative change of crank speed about each grid point, 1/s (n,)."""
    gained = np.zeros(grid.level.size)
    span_s = 2 * EVEN_STEPS * STEP_NS / NS_PER_S
    gained[EVEN_STEPS:-EVEN_STEPS] = (grid.level[2 * EVEN_STEPS :] - grid.level[: -2 * EVEN_STEPS]) / span_s
    return gained


def _mark_gear_changes(grid: _Grid) -> None:
    for sign in (-1.0, 1.0):
        strong = np.concatenate(([0], np.cumsum(sign * grid.rate > STROKE_PER_S)))
        for first, stop in spans_of(sign * grid.rate > FAST_PER_S).tolist():
            if stop - first > STROKE_STEPS or strong[stop] == strong[first] or stop + AFTER_STEPS > grid.level.size:
                continue
            lead = max(0, first - LEADS_STEPS)
            around = grid.state[lead : stop + AFTER_STEPS]
            no_gear = (around < State.IDLE).any() or (around[: stop - lead] == State.CLUTCH_IN).any()
            if no_gear or grid.state[first] < State.OVERRUN:
                continue
            known = bool(np.isfinite(grid.load[lead : stop + AFTER_STEPS]).all())
            if _changed_up(grid, first, stop, known) if sign < 0 else _changed_down(grid, first, stop, known):
                grid.state[_foot_moved(grid, first, known) : stop] = State.GEAR_CHANGE


def _changed_up(grid: _Grid, first: int, stop: int, known: bool) -> bool:
    """Whether a fall of crank speed is a change to a higher gear."""
    after = float(np.median(grid.level[stop : stop + AFTER_STEPS]))
    if not grid.level[max(0, first - 2)] - after > STEP_DOWN:
        return False
    # Wheels that spun and grip again come back to a level that they had; a higher gear is below all of it.
    if not after < float(grid.level[max(0, first - BEFORE_STEPS) : first].min(initial=np.inf)) - 0.5 * STEP_DOWN:
        return False
    if not known:
        return True
    before, during = (grid.load[max(0, first - back) : stop] for back in (2 * LEADS_STEPS, LEADS_STEPS))
    lifted, eased = float(during.min()) < LIFTED, float(during.min()) < EASED * float(before.max())
    opened = float(np.nanmax(grid.load[stop - 1 : stop + SOON_STEPS])) > OPENED
    fell = float(grid.level[first] - grid.level[stop - 1])
    # Where the foot stays where it is, a gear is told from drive shafts, which wind back as far as they gave.
    rebound = float(grid.level[stop : stop + AFTER_STEPS].max() - grid.level[stop - 1])
    return (lifted and opened) or (eased and fell > SURELY_DOWN and rebound < 0.3 * fell)


def _changed_down(grid: _Grid, first: int, stop: int, known: bool) -> bool:
    """Whether a rise of crank speed is a change to a lower gear."""
    after = float(np.median(grid.level[stop : stop + AFTER_STEPS]))
    if not after - grid.level[max(0, first - 2)] > STEP_UP:
        return False
    before = slice(max(0, first - LEADS_STEPS), first + 1)
    return float(grid.load[before].min()) < SHUT if known else bool(grid.rate[before].mean() < 0.0)


def _foot_moved(grid: _Grid, first: int, known: bool) -> int:
    """Where the change that takes hold at grid point `first` began: as the foot was lifted, or the crank ran free."""
    begin = max(0, first - LEADS_STEPS)
    held = np.flatnonzero(grid.load[begin:first] > 0.5 if known else grid.rate[begin:first] > 0.0)
    return begin + int(held[-1]) + 1 if held.size else max(begin, first - LEADS_STEPS // 2)


def _mark_free(view: View, grid: _Grid, idle_level: float) -> None:
    """CLUTCH_IN: by a car that stands still, else by a crank that shoots up from idle."""
    above = (grid.state >= State.OVERRUN) & (grid.level > idle_level + np.log(IDLE_BAND))
    stands = _standing(view, grid)
    if stands is not None:
        grid.state[above & stands] = State.CLUTCH_IN
        for _, stop in spans_of(above & stands).tolist():
            until = _engaged(grid, stop)
            part = grid.state[stop:until]
            part[part >= State.OVERRUN] = State.CLUTCH_IN
        return
    for first, _ in spans_of(grid.rate > SHOOTS_UP_PER_S).tolist():
        if grid.level[first] < idle_level + np.log(1.5 * IDLE_BAND) and grid.state[max(0, first - 5)] == State.IDLE:
            last = min(first + FREE_STEPS, grid.level.size - SOON_STEPS)
            gained = grid.level[first + SOON_STEPS : last + SOON_STEPS] - grid.level[first:last]
            ends = (grid.state[first:last] == State.IDLE) | ((gained > AWAY) & (grid.rate[first:last] < FAST_PER_S))
            ends[:SOON_STEPS] = False
            stop = first + (int(np.argmax(ends)) if ends.any() else last - first)
            part = grid.state[first:stop]
            part[part >= State.OVERRUN] = State.CLUTCH_IN


def _engaged(grid: _Grid, first: int) -> int:
    """Where the clutch had taken hold of a car that began to move at grid point `first`: the crank's lowest speed."""
    dip = grid.level[first : first + ENGAGES_STEPS]
    if not dip.size or grid.level[first - 1] - dip.min() < ENGAGES:
        return first
    return first + int(np.argmin(dip)) + 1


def _standing(view: View, grid: _Grid) -> BoolArray | None:
    """Whether the car stood at each grid point, (n,): it reads as it does at idle, and as quietly, for most of a second
    before or after; None without acceleration."""
    trace = view.traces.get("acceleration")
    if trace is None or trace.time_ns.size < 100 or not (grid.state == State.IDLE).any():
        return None
    step_ns = max(1.0, float(np.median(np.diff(trace.time_ns[:2000]))))
    half = max(1, round(0.5 * STILL_NS / step_ns))
    place = np.clip(np.searchsorted(trace.time_ns, grid.time_ns), half, max(half, trace.time_ns.size - 1 - half))
    total = np.concatenate((np.zeros((1, 3)), np.cumsum(trace.value, axis=0)))
    felt = (total[place + half + 1] - total[place - half]) / (2 * half + 1)
    mean = ndimage.uniform_filter1d(felt, CALM_STEPS, axis=0, mode="nearest")
    square = ndimage.uniform_filter1d(felt * felt, CALM_STEPS, axis=0, mode="nearest")
    unrest = np.sqrt(np.maximum(square - mean * mean, 0.0).sum(axis=1))
    idle = grid.state == State.IDLE
    calm = unrest < CALM * float(np.median(unrest[idle])) + CALM_G
    if not (idle & calm).any():
        return None
    rest = np.median(felt[idle & calm], axis=0)
    half = CALM_STEPS // 2
    calm = np.concatenate((calm[half:], np.full(half, calm[-1]))) | np.concatenate(
        (np.full(half, calm[0]), calm[:-half])
    )
    near = (np.abs(felt - rest).max(axis=1) < STILL_G) & sampled(trace.time_ns, grid.time_ns)
    return np.asarray(ndimage.binary_opening(near & calm, np.ones(SOON_STEPS, bool)))


def _mark_halt(view: View, state: StateArray, halt: Stop) -> None:
    time_ns = view.firings.time_ns
    if halt.why == "key_off" and halt.off_ns is not None:
        state[int(np.searchsorted(time_ns, halt.off_ns)) : halt.last + 1] = State.SWITCHED_OFF
    elif halt.why == "driver_stall":
        first = int(np.searchsorted(time_ns, time_ns[halt.last] - NS_PER_S))
        speed = view.firings.speed_rps[first : halt.last + 1]
        sound = np.flatnonzero(speed > STALL_BELOW * float(np.median(speed[: max(1, speed.size // 2)])))
        dragged = first + int(sound[-1]) + 1 if sound.size else first
        state[min(dragged, halt.last - 1) : halt.last + 1] = State.STALLED
