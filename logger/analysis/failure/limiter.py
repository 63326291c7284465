"""The rev limiter: where an engine is held by it, lost firings are meant."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logger.analysis.crank.pulses import Firings
from logger.analysis.crank.states import View
from logger.analysis.failure.episodes import BLURRED, Episode
from logger.event import NS_PER_S

MS = 1_000_000
# Of its running time; an engine is on its limiter for moments. No limiter of a petrol car sits below the speed
# (both common practice, no source); used only where the owner gave no redline.
STEADY_SHARE = 0.2
LOWEST_LIMITER_RPS = 4000.0 / 60.0
# Of the limiter's speed: from where pulses that end were cut by it (one interval is late at most), and where it has let
# them come back at the latest; a spark that was lost is not heard of again until some tenths of a second later.
CUTS, LETS_GO, STAYS = 0.96, 0.93, 0.9
OVER = 1.05  # of the redline: beyond it no limiter holds an engine
INTERVALS = (1, 2, 3, 6)  # over which speed is read
LEAN_FOR_A_MOMENT_NS = 400 * MS  # a touch of the limiter as the exhaust shows it, two tenths of a second early or late
FEWEST_CUTS, MOST_CUTS = 4, 0.8  # gaps at one speed that tell of a limiter; of all gaps


def ceiling(views: Sequence[View]) -> float:
    """The crank speed at which a rev limiter holds the engine, rev/s; infinite where none shows.

    A limiter shows as a highest speed close to the redline. Where that is not given, the highest speed of the event may
    be one, for all that anybody can tell; but an engine that spends much of its time there is being held at a steady
    speed by its driver, and one that is slow there has no limiter: a cut-out is a cut-out, unless pulses ended there
    and nearly nowhere else, time and again: a coil that fails knows no speed.
    """
    speeds = [view.firings.speed_rps[view.running] for view in views if view.running.any()]
    if not speeds:
        return np.inf
    speed = np.concatenate(speeds)
    highest = float(np.percentile(speed, 99.97))
    redline = views[0].engine.redline_rpm
    if redline is not None:
        if highest > OVER * redline / 60.0:  # in a gear too low the car drives its engine beyond any limiter
            highest = float(np.percentile(speed, 99.5))
        return highest if 0.97 * redline / 60.0 < highest < OVER * redline / 60.0 else np.inf
    usual = float(np.percentile(speed, 99.5))
    if highest > OVER * usual:
        highest = usual
    held_steady = np.count_nonzero(speed > 0.98 * highest) > STEADY_SHARE * speed.size
    return _cut_again_and_again(views) if held_steady or highest < LOWEST_LIMITER_RPS else highest


def _cut_again_and_again(views: Sequence[View]) -> float:
    """The speed at which pulses ended time and again, rev/s, where that is as fast as the engine ever ran; else inf."""
    ends = np.array([rps for view in views for rps in _ends(view)])
    if ends.size < FEWEST_CUTS:
        return np.inf
    limit = float(np.median(ends[ends > CUTS * ends.max()]))
    there = np.abs(ends / limit - 1.0) < 1.0 - CUTS
    speed = np.concatenate([view.firings.speed_rps[view.running] for view in views])
    fastest = float(np.percentile(speed, 99.5)) < limit / CUTS
    often = np.count_nonzero(there) >= max(FEWEST_CUTS, MOST_CUTS * ends.size)
    return limit if often and fastest and limit > LOWEST_LIMITER_RPS else np.inf


def _ends(view: View) -> list[float]:
    """Speeds at which pulses ended, while the engine ran, that were back within one stretch, rev/s."""
    firings = view.firings
    return [
        _speed_rps(firings, first - 1 - INTERVALS[-1], first - 1)
        for first, _ in firings.missing_runs().tolist()
        if first > INTERVALS[-1] and view.running[first - 1] and firings.seen[first - 1 - INTERVALS[-1] : first].all()
    ]


def held(episode: Episode, ceiling_rps: float) -> str | None:
    """Whether a rev limiter cut in: lost firings just under the highest speed the engine ever reached, supply sound."""
    starved = any(sign.strength >= 1.0 for sign in episode.of("low_pressure"))
    if episode.stop is not None or starved or episode.of("supply_dip"):
        return None
    redline_rps = (episode.view.engine.redline_rpm or np.inf) / 60.0
    if episode.of("lost_pulses"):
        # Driven by the car or in the air a crank turns faster than its limiter lets it.
        limit_rps = min(ceiling_rps, redline_rps) if ceiling_rps < np.inf else ceiling_rps
        return _words(limit_rps) if _cut_there(episode, limit_rps) else None
    firings = episode.view.firings
    # A rail that was a little low explains nothing that the limiter does.
    felt = replace(episode, signs=tuple(sign for sign in episode.signs if sign.kind != "low_pressure"))
    if not felt.signs:
        return None
    # What only the exhaust or the car's motion shows is dated less well.
    blurred, lean_only = (all(s.kind in kinds for s in felt.signs) for kinds in (BLURRED, ("lean",)))
    if blurred:
        # A car can drive its engine over the limiter, after a gear too low; the exhaust shows the cut all the same.
        ceiling_rps = min(ceiling_rps, 1.01 * redline_rps)
    slack = 200 * MS if lean_only else 60 * MS
    first, last = np.searchsorted(firings.time_ns, [felt.from_ns - slack, felt.to_ns + slack - 60 * MS])
    speed = firings.speed_rps[first : max(last, first + 1)]
    if not speed.size or float(speed.max()) < 0.975 * ceiling_rps:
        return None
    # What the exhaust shows of a moment at the limiter may lie beside it; what lasts was there for most of the time.
    short = lean_only and felt.to_ns - felt.from_ns < LEAN_FOR_A_MOMENT_NS
    stayed = float(np.percentile(speed, 50 if lean_only else 20)) > STAYS * ceiling_rps
    return _words(speed.max()) if short or stayed else None


def _cut_there(episode: Episode, ceiling_rps: float) -> bool:
    """Whether the pulses went at the limiter's speed and came back as soon as the crank had fallen a little below it.

    However far the car drives the crank beyond it meanwhile, as it does after a gear too low.
    """
    firings = episode.view.firings
    lost = episode.of("lost_pulses")
    first, last = np.searchsorted(firings.time_ns, [lost[0].from_ns, max(sign.to_ns for sign in lost)]).tolist()
    between = firings.speed_rps[first:last][firings.seen[first:last]]
    if between.size and float(between.min()) < STAYS * ceiling_rps:
        return False
    begin = max(_speed_rps(firings, first - 1 - n, first - 1) for n in INTERVALS)
    end = max(_speed_rps(firings, last, last + n) for n in INTERVALS)
    return begin > CUTS * ceiling_rps and end > LETS_GO * ceiling_rps


def _speed_rps(firings: Firings, first: int, last: int) -> float:
    """The crank's speed between two pulses, not smoothed, so that what comes after a gap says nothing of before."""
    if first < 0 or last >= firings.time_ns.size:
        return 0.0
    seconds = float(firings.time_ns[last] - firings.time_ns[first]) / NS_PER_S
    return (last - first) / firings.pulses_per_revolution / seconds


def _words(speed_rps: float) -> str:
    return f"the rev limiter held the engine at {speed_rps * 60.0:.0f} rpm"


def near(view: View, from_ns: int, to_ns: int, ceiling_rps: float) -> bool:
    """Whether the engine was near its rev limiter around a stretch."""
    first, last = np.searchsorted(view.firings.time_ns, [from_ns - 150 * MS, to_ns + 150 * MS])
    return bool(last > first) and float(view.firings.speed_rps[first:last].max()) > 0.95 * ceiling_rps
