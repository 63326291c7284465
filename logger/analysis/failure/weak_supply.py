"""A battery too low for a running engine: how low, and whether more firings were lost than a coil misses with that."""

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.failure.episodes import MS, Episode
from logger.analysis.signs import coil
from logger.event import NS_PER_S

# Control units and modules fail with less, whatever the coil would still do (common practice, no source).
ELECTRONICS_FAIL_V = 7.0
# What a coil is expected to miss (coil.py) is known only so well: one weaker than most misses three times as much, and
# however long a stretch is, it tells no more than so many firings.
WEAKER, TELLING = 3.0, 50.0
ALL_TORQUE = 10.0  # strength of a lasting loss of all torque (torque.py); of a sudden one, stronger, it is no share
MOST_UNLIKE = 12.0  # natural log-odds


def level_v(episode: Episode, at_ns: int) -> float | None:
    """Battery voltage in the second before a time, where an engine that runs should have more; None where it has."""
    battery = before_v(episode, "battery_voltage", at_ns)
    if battery is None and "battery_voltage" not in episode.view.traces and bands.supply(episode.view) is not None:
        feed = before_v(episode, "ignition_feed_voltage", at_ns)
        battery = None if feed is None else feed + bands.FEED_DROP_V
    return battery if battery is not None and battery < bands.WEAK_BATTERY_V else None


def felt_v(episode: Episode, level: float, at_ns: int) -> float:
    """What a battery's voltage is to the coil at that speed, V as at the redline; itself where electronics fail."""
    if level < ELECTRONICS_FAIL_V:
        return level
    place = min(int(np.searchsorted(episode.view.firings.time_ns, at_ns)), episode.view.firings.time_ns.size - 1)
    return level * float(coil.more_charge(episode.view, episode.view.firings.speed_rps[place : place + 1])[0])


def before_v(episode: Episode, channel: str, at_ns: int) -> float | None:
    """A voltage in the second before a time; None where hardly sampled."""
    before = episode.view.near(channel, at_ns - NS_PER_S, at_ns - 20 * MS).value
    return float(np.median(before)) if before.size >= 5 else None


def beyond(episode: Episode, level: float) -> float:
    """How much less likely so many firings are lost where a coil only misses what its supply costs it, log-odds.

    level: of the battery, V. It changes within seconds, and costs at random a share of all firings under that load. The
    likelihood of n firings is that of the share lost over that of the share expected (binomial; n times the
    divergence of the two, Kullback and Leibler, Ann. Math. Stat. 1951).
    """
    if level < ELECTRONICS_FAIL_V:
        return 0.0
    view, most = episode.view, 0.0
    per_pulse = view.engine.firings_per_revolution / view.firings.pulses_per_revolution
    for from_ns, to_ns, lost in _losses(episode):
        first = max(0, int(np.searchsorted(view.firings.time_ns, from_ns)) - 1)
        stop = max(first + 1, int(np.searchsorted(view.firings.time_ns, to_ns, side="right")))
        expected = coil.missed_at_load(view, first, stop)
        if expected is None or not expected.size:
            return 0.0
        n = max(lost, (stop - first) * per_pulse)
        unlike = _divergence(lost / n, min(WEAKER * float(expected.mean()), 1.0))
        most = max(most, min(n, TELLING) * unlike)
    return min(most, MOST_UNLIKE)


def _losses(episode: Episode) -> list[tuple[int, int, float]]:
    """Stretches in which firings were lost, ns, and how many.

    Sparks missed here and there make many signs, and count together. After an engine died nothing was due any more.
    What the exhaust shows of a rail that is short need not be lost firings.
    """
    short = bool(episode.of("low_pressure"))
    found = [] if short else [(sign.from_ns, sign.to_ns, sign.lost) for sign in episode.of("lean")]
    found += [(sign.from_ns, sign.from_ns, sign.lost) for sign in episode.of("died")]
    found += [
        (sign.from_ns, sign.to_ns, sign.lost * sign.strength / ALL_TORQUE)
        for sign in episode.of("weak_torque")
        if sign.strength <= ALL_TORQUE
    ]
    if unlit := episode.of("no_spark"):
        found.append((unlit[0].from_ns, unlit[-1].to_ns, sum(sign.lost for sign in unlit)))
    return found


def _divergence(share: float, expected: float) -> float:
    """Of a share of losses from a smaller one expected, natural log; 0 where it is not smaller."""
    if share <= expected:
        return 0.0
    rest = (1.0 - share) * np.log((1.0 - share) / (1.0 - expected)) if share < 1.0 else 0.0
    return float(share * np.log(share / expected) + rest)
