"""Signals that repeat themselves exactly, as no lively signal does by chance: a sensor or converter that has frozen."""

import numpy as np

from logger.analysis.channels.plausible import Plausible
from logger.analysis.channels.scene import Scene, interval_ns, spans_of
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

# Chance, per recording, that a healthy noisy signal repeats itself long enough to be called stuck.
STUCK_BY_CHANCE = 1e-6
# A signal that repeats itself for a second as often as this in one recording is coarse, not stuck.
COARSE = 100


def stuck(value: FloatArray, time_ns: IntArray, excused: BoolArray, limits: Plausible, scene: Scene) -> BoolArray:
    """Samples that repeat the one before for longer than chance allows.

    Only a lively signal can be called stuck: one that before and after moves by more than its resolution. A coarse or
    quiet one may truthfully rest on one code for minutes, and so may any at the ends of its travel or scale.
    excused: samples, shape (n,), at which the supply is to blame.
    """
    frozen = np.zeros(value.size, bool)
    repeats = spans_of(value[1:] == value[:-1])
    step_ns = interval_ns(time_ns)
    shortest = max(8, NS_PER_S // step_ns)
    long = repeats[repeats[:, 1] - repeats[:, 0] >= shortest - 1] + np.array([0, 1])
    if not 0 < len(long) <= COARSE:
        return frozen
    ran = np.concatenate(
        [np.arange(first, last) for first, last in scene.running_samples(time_ns).tolist()] or [np.empty(0, np.int64)]
    )
    ran_value = value[ran]
    ends = (float(np.nanmin(value)), float(np.nanmax(value)))
    for start, stop in long.tolist():
        before, after = np.searchsorted(ran, [start, stop])
        held = float(value[start])
        if after - before < shortest or abs(held) <= limits.nothing:
            continue
        if np.count_nonzero(excused[start:stop]) > 0.5 * (stop - start):
            continue
        if stop - start == value.size:
            seconds = (after - before) * step_ns / NS_PER_S
            frozen[start:stop] = limits.must_move_s is not None and seconds >= limits.must_move_s
        elif not limits.rests:
            frozen[start:stop] = _by_chance(ran_value, before, after) < STUCK_BY_CHANCE
        elif held not in ends and time_ns[stop - 1] - time_ns[start] > 1.5 * NS_PER_S:
            frozen[start:stop] = _by_chance_at_rest(ran_value, before, after) < STUCK_BY_CHANCE
    return scene.while_running(frozen, time_ns)


def _by_chance(value: FloatArray, start: int, stop: int) -> float:
    """Chance that a healthy signal somewhere repeats itself as long as from start to stop, judged by either side of it.

    1 where the signal there is not lively: hardly any of its changes are of two least steps or more.
    """
    share = 0.0
    reach = int(np.clip(stop - start, 60, 400))
    for side in (value[max(0, start - reach) : start], value[stop : stop + reach]):
        change = np.abs(np.diff(side[~np.isnan(side)]))
        if change.size < 10:
            continue
        if not change.any() or np.mean(change >= 1.9 * change[change > 0].min()) < 0.1:
            return 1.0
        share = max(share, (np.count_nonzero(change == 0) + 1.0) / (change.size + 2.0))
    return 1.0 if share == 0.0 or share > 0.7 else float(value.size * share ** (stop - start - 1))


def _by_chance_at_rest(value: FloatArray, start: int, stop: int) -> float:
    """As _by_chance, for what a foot can hold: judged by how the signal behaves elsewhere when it rests near there.

    Where it never did, by how seldom it repeats itself at all. A sensor without noise of its own proves nothing.
    """
    elsewhere = np.concatenate((value[:start], value[stop:]))
    if elsewhere.size < 60:
        return 1.0
    same = elsewhere[1:] == elsewhere[:-1]
    noise = float(np.nanmedian(np.abs(np.diff(elsewhere))))
    near = np.abs(elsewhere - value[start]) <= max(4.0 * noise, 0.03 * float(np.nanmax(value) - np.nanmin(value)))
    resting = near[1:] & near[:-1]
    calm = same[resting] if np.count_nonzero(resting) >= 30 else same
    share = (np.count_nonzero(calm) + 1.0) / (calm.size + 2.0)
    return 1.0 if share > 0.35 else float(value.size * share ** (stop - start - 1))
