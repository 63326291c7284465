"""Sparks that stray: edges on the tach wire close by the pulses of a few firings, where the wire is quiet otherwise.

A spark that leaves its way, along a cracked cap or out of a lead, radiates more than one in its gap, and the tach wire
picks it up: a second edge within the time that a spark takes, behind some of the firings that were lost. A wire that is
itself at fault gives edges at any time of the cycle, or behind most of its pulses.

A coil that rings, or a loose pin, can give such edges too, in an engine that runs soundly. So they count as lost
firings only in an event in which they came more often than by chance where other signals saw firings lost, or where
the crank slowed, or behind the same cylinder's pulses, which neither coil nor wire knows apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np

from logger.analysis.crank import cycle
from logger.analysis.crank.states import View
from logger.analysis.signs.sign import Sign
from logger.analysis.signs.sparks import REACH_NS
from logger.event import NS_PER_S, FloatArray, IntArray

APART_NS = NS_PER_S
BLOCK, FEWEST_BLOCKS = 256, 4  # pulses
LEAST_HABIT = 0.007  # edges for each pulse: two in a block, where chance on a wire with some noise leaves one
FEWEST = 3
BY_PULSES = 0.93  # share of a stray spark's edges within reach of a pulse; pulses are placed by what was seen
# Share of the pulses that stray sparks leave an edge by, about, and that a wire does that bounces (judgement).
STRAYED, BOUNCED = 0.25, 0.6
SEEN = 0.9  # of the pulses; the others have no place to be held against
SAME_PLACE = 0.9  # share of one cylinder's edges that lie by its own pulses
SURE = 7.0  # natural log-likelihood ratio, of all bursts of an event together
WITNESSES = ("no_spark", "weak_torque", "lean", "lame_cylinder")  # of firings lost with every pulse there
MEETS_NS = NS_PER_S // 4  # those are dated to a quarter of a second
COINCIDENCE = 0.01  # chance from which bursts that met lost firings did so for a reason
ELSEWHERE, ASIDE_NS = 200, 150_000_000  # stretches that a burst's is held against; of what comes before and after each
SLACK_NS, LOAD_STAYS = 20_000_000, 0.15  # speed is a mean over about a cycle; of full load
SLOWED = -3.0  # standard deviations of a mean rank, from where bursts lie where the crank slowed: one event in 700


@dataclass(frozen=True, slots=True)
class Burst:
    """A burst of edges that belong to no firing, as a stray_edges sign, and whether one cylinder has them.

    The sign's strength is the natural log-likelihood ratio of edges near some pulses against edges at any time, or near
    most pulses, whichever explains more; one_place that of edges by one cylinder's pulses against edges by any. rank:
    the share of like stretches of the same part in which the crank lost more speed; NaN where it cannot tell.
    """

    sign: Sign
    one_place: float
    rank: float

    @property
    def by_sparks(self) -> bool:
        """Whether sparks that stray explain its edges better than a wire at fault."""
        return self.sign.strength > 0.0


def habit(view: View) -> float:
    """Edges that a wire leaves beside each pulse as its habit: the median over blocks of pulses, so that no burst of
    sparks that stray makes it; 0 where the blocks are too few for that."""
    firings = view.firings
    extra, pulses = firings.extra_ns, firings.time_ns[firings.seen]
    n_blocks = pulses.size // BLOCK
    if not extra.size or n_blocks < FEWEST_BLOCKS:
        return 0.0
    nearest = _nearest(pulses, extra)
    beside = nearest[np.abs(pulses[nearest] - extra) <= REACH_NS]
    return float(np.median(np.bincount(beside // BLOCK, minlength=n_blocks)[:n_blocks])) / BLOCK


def _nearest(pulses: IntArray, edges: IntArray) -> IntArray:
    """The pulse (n,) of two or more that each edge (m,) lies next to, as an index (m,)."""
    after = np.clip(np.searchsorted(pulses, edges), 1, pulses.size - 1)
    return np.where(pulses[after] - edges < edges - pulses[after - 1], after, after - 1)


def bursts(view: View) -> list[Burst]:
    """Bursts of edges that belong to no firing, while the engine ran with its pulses there; of a wire that leaves edges
    beside its pulses all along none, since it drowns what sparks may leave."""
    extra = view.firings.extra_ns
    if extra.size < FEWEST or view.firings.time_ns.size < 2 or habit(view) > LEAST_HABIT:
        return []
    extra = extra[view.ran_at_each(extra)]
    parts = np.split(extra, np.flatnonzero(np.diff(extra) > APART_NS) + 1)
    crank = _Crank.of(view)
    found = (_burst(view, crank, part) for part in parts if part.size >= FEWEST)
    return [burst for burst in found if burst is not None]


def _burst(view: View, crank: "_Crank", extra_ns: IntArray) -> Burst | None:
    """What edges (n,) close in time are; None where pulses are missing."""
    time_ns = view.firings.time_ns
    first, last = np.searchsorted(time_ns, [extra_ns[0], extra_ns[-1]])
    first, last = max(int(first) - 1, 0), min(int(last), time_ns.size - 1)
    if last - first < 1 or float(view.firings.seen[first : last + 1].mean()) < SEEN:
        return None
    nearest = _nearest(time_ns, extra_ns)
    near = np.abs(time_ns[nearest] - extra_ns) <= REACH_NS
    by_chance = min(2.0 * REACH_NS * (last - first) / float(time_ns[last] - time_ns[first]), BY_PULSES)
    n_pulses = last - first + 1
    by_pulses = min(
        _ratio(int(near.sum()), near.size, BY_PULSES, by_chance),
        _ratio(min(near.size, n_pulses), n_pulses, STRAYED, BOUNCED),
    )
    count = cycle.places(view.engine, view.firings)
    one_place = 0.0
    if count > 2:
        most = int(np.bincount(nearest[near] % count, minlength=count).max())
        one_place = _ratio(most, int(near.sum()), SAME_PLACE, 1.0 / count) - float(np.log(count))
    lost = extra_ns.size * view.engine.firings_per_revolution / view.firings.pulses_per_revolution
    sign = Sign("stray_edges", "tach_pulses", int(extra_ns[0]), int(extra_ns[-1]), lost, by_pulses, int(time_ns[first]))
    return Burst(sign, one_place, crank.rank(sign.from_ns, sign.to_ns))


@dataclass(frozen=True, slots=True)
class _Crank:
    """What ranks of a view's stretches are made from: the logarithm of crank speed at each firing, (n,), and how many
    firings before each one did not run, (n + 1,)."""

    view: View
    log_speed: FloatArray
    stood: IntArray

    @classmethod
    def of(cls, view: View) -> "_Crank":
        stood = np.concatenate(([0], np.cumsum(~view.running)))
        return cls(view, np.log(np.maximum(view.firings.speed_rps, 0.1)), stood)

    def rank(self, from_ns: int, to_ns: int) -> float:
        """In which share of stretches as long, evenly spread, the crank lost more speed against what it did beside.

        NaN where the load is not known, or did not stay: a foot that lifts slows it as well.
        """
        time_ns, lasts_ns = self.view.firings.time_ns, to_ns - from_ns
        if self.view.load_channel is None:
            return np.nan
        elsewhere = np.linspace(time_ns[0], time_ns[-1] - lasts_ns, ELSEWHERE).astype(np.int64)
        gained = self._gained(np.append(elsewhere, from_ns), lasts_ns)
        known = gained[:-1][np.isfinite(gained[:-1])]
        return float(np.mean(known < gained[-1])) if known.size and np.isfinite(gained[-1]) else np.nan

    def _gained(self, from_ns: IntArray, lasts_ns: int) -> FloatArray:
        """How much more speed the crank gained from each time on than beside, 1/s of its logarithm, (n,); NaN where it
        stood, or its load changed."""
        firings, load = self.view.firings, self.view.load
        after_ns = lasts_ns + SLACK_NS
        edges = from_ns[:, None] + np.array([-SLACK_NS - ASIDE_NS, -SLACK_NS, after_ns, after_ns + ASIDE_NS])
        speed = np.interp(edges, firings.time_ns, self.log_speed)
        before, during, after = (np.diff(speed, axis=1) / np.diff(edges, axis=1) * NS_PER_S).T
        first, last = np.searchsorted(firings.time_ns, edges[:, [0, 3]]).T
        inside = (first > 0) & (last < load.size)
        first, last = np.clip(first - 1, 0, load.size - 1), np.clip(last, 0, load.size - 1)
        alike = (self.stood[last + 1] == self.stood[first]) & (firings.stretch[first] == firings.stretch[last])
        swing = np.array([np.ptp(load[a : b + 1]) for a, b in zip(first.tolist(), last.tolist(), strict=True)])
        return np.asarray(np.where(inside & alike & (swing < LOAD_STAYS), during - 0.5 * (before + after), np.nan))


def _ratio(some: int, n: int, share: float, by_chance: float) -> float:
    """Log-likelihood ratio of `some` of n where that share is due, against what is due by chance."""
    return float(some * np.log(share / by_chance) + (n - some) * np.log((1.0 - share) / (1.0 - by_chance)))


def of_sparks(strays: Sequence[Sequence[Burst]], others: Sequence[Sequence[Sign]], running_s: float) -> bool:
    """Whether the bursts of an event were sparks' that went astray, and so firings lost; all of them vote.

    strays, others: of each recording or part, bursts and signs of lost firings. running_s: of the event.
    """
    if sum(burst.sign.strength for own in strays for burst in own) < SURE:
        return False
    if sum(burst.one_place for own in strays for burst in own) > SURE:
        return True
    ranks = np.array([burst.rank for own in strays for burst in own if burst.by_sparks and np.isfinite(burst.rank)])
    # Ranks of bursts that have nothing to do with the crank are spread evenly from 0 to 1.
    if ranks.size and (float(ranks.mean()) - 0.5) * np.sqrt(12.0 * ranks.size) <= SLOWED:
        return True
    return _meet_losses(strays, others, running_s)


def _meet_losses(strays: Sequence[Sequence[Burst]], others: Sequence[Sequence[Sign]], running_s: float) -> bool:
    """Whether bursts met losses that other signals saw more often than by chance.

    The number that did is held against the binomial law with the share of the running time that losses take.
    """
    met = total = covered_ns = 0
    for own, signs in zip(strays, others, strict=True):
        losses = [sign for sign in signs if sign.kind in WITNESSES]
        likely = [burst.sign for burst in own if burst.by_sparks]
        lasts_ns = 2 * MEETS_NS + sum(b.to_ns - b.from_ns for b in likely) // max(len(likely), 1)
        covered_ns += sum(loss.to_ns - loss.from_ns + lasts_ns for loss in losses)
        total += len(likely)
        met += sum(
            any(loss.from_ns < b.to_ns + MEETS_NS and loss.to_ns > b.from_ns - MEETS_NS for loss in losses)
            for b in likely
        )
    share = min(1.0, covered_ns / NS_PER_S / max(running_s, 1.0))
    chance = sum(comb(total, k) * share**k * (1.0 - share) ** (total - k) for k in range(met, total + 1))
    return met > 0 and chance < COINCIDENCE
