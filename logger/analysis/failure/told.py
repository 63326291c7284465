"""An episode told as the stumble it is: its order of failure, cause, effect, and what was lost."""

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np

from logger.analysis.failure import causes, evidence
from logger.analysis.failure import order as orders
from logger.analysis.failure.episodes import Episode
from logger.analysis.findings import Effect, Stumble
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Cause

# A pulse that is missing has no spark to miss: the two add up. The others may tell of the same firings.
COUNTED = ("lost_pulses", "no_spark")
TELLING = (COUNTED, ("no_injection",), ("weak_torque",), ("lame_cylinder",), ("died",))
# Asked in turn where those tell nothing: the exhaust is too blurred to add to what is counted at the crank.
ELSE = ("lean", "stray_edges")


def stumble(episode: Episode) -> Stumble:
    """The stumble that an episode is, by itself: neither its number nor its cylinder is known yet."""
    rank = orders.order(episode)
    verdict = causes.judge(episode, rank)
    if verdict.cause == "supply_voltage":
        rank = orders.led_by_weak_supply(rank, episode)
    elif verdict.cause == "ignition_primary":
        rank = orders.led_by_coil(rank, episode)
    lost = lost_firings(episode)
    lowest = lowest_speed_ratio(episode)
    effect = _effect(episode, lost, lowest)
    texts = evidence.texts(episode, rank, verdict)
    return Stumble(
        recording=episode.view.recording.name,
        onset_s=_seconds(rank.onset_ns),
        engine_onset_s=_seconds(rank.engine_onset_ns),
        end_s=_seconds(max(episode.to_ns, rank.engine_onset_ns)),
        cause=verdict.cause,
        probability=verdict.probability,
        first_to_move=rank.first,
        order=rank.moved,
        effect=effect,
        lost_firings=lost,
        lowest_speed_ratio=lowest,
        sub_cause=verdict.sub_cause,
        sentence=texts.sentence,
        evidence_for=texts.speaks_for,
        evidence_against=texts.speaks_against,
        rivals=texts.rivals,
    )


def lost_firings(episode: Episode) -> int:
    """Firings lost, each once, counted where a sign tells, else estimated from how long the engine went without."""
    counted = _most_at_a_time([[sign for sign in episode.signs if sign.kind in kinds] for kinds in TELLING])
    if not episode.of("low_pressure"):  # without fuel there is no firing, however much air the exhaust still shows
        for kind in ELSE:
            counted = counted or sum(sign.lost for sign in episode.of(kind))
    if counted:
        return max(1, round(counted))
    first, last = np.searchsorted(episode.view.firings.time_ns, [episode.from_ns, episode.to_ns])
    per_pulse = episode.view.engine.firings_per_revolution / episode.view.firings.pulses_per_revolution
    return max(1, round(0.7 * float(last - first) * per_pulse))


def _most_at_a_time(ways: Sequence[Sequence[Sign]]) -> float:
    """Firings lost, at each time by the way of telling them that counts most, each sign's spread evenly over it."""
    bounds = np.unique([at_ns for signs in ways for sign in signs for at_ns in (sign.from_ns, sign.to_ns + 1)])
    lost = np.zeros((len(ways), max(0, bounds.size - 1)))
    for way, signs in zip(lost, ways, strict=True):
        kinds = sorted({sign.kind for sign in signs})
        told = np.zeros((len(kinds), way.size))  # signs of one kind may see the same, those of two never do
        for sign in signs:
            span = slice(*np.searchsorted(bounds, [sign.from_ns, sign.to_ns + 1]))
            mine = told[kinds.index(sign.kind), span]
            np.maximum(mine, sign.lost * np.diff(bounds)[span] / (sign.to_ns + 1 - sign.from_ns), out=mine)
        way += told.sum(axis=0)
    return float(lost.max(axis=0, initial=0.0).sum())


def lowest_speed_ratio(episode: Episode) -> float:
    """Lowest crank speed during and shortly after the stumble over the speed before it; 0 where the engine died."""
    if episode.stop is not None:
        return 0.0
    firings = episode.view.firings
    first, last = np.searchsorted(firings.time_ns, [episode.from_ns, episode.to_ns + 100_000_000])
    before = firings.speed_rps[max(0, first - 12) : max(1, first - 3)]
    during = firings.speed_rps[first : max(first + 1, last)]
    if not before.size or not during.size or not before.mean():
        return 1.0
    return round(float(during.min() / before.mean()), 3)


def _seconds(ns: int) -> float:
    """Nanoseconds as seconds, to the microsecond."""
    return round(ns / NS_PER_S, 6)


def _effect(episode: Episode, lost: int, lowest: float) -> Effect:
    if episode.stop is not None:
        return "stall"
    if all(sign.kind in ("lame_cylinder", "lean") for sign in episode.signs) and episode.of("lame_cylinder"):
        return "single_misses"
    span_s = (episode.to_ns - episode.from_ns) / NS_PER_S
    firings = episode.view.firings
    first, last = np.searchsorted(firings.time_ns, [episode.from_ns, episode.to_ns])
    share = lost / max(1.0, float(last - first))
    if share < 0.35 and lost < 30:
        return "single_misses"
    return "cutout" if span_s >= 0.28 and share > 0.6 else "hesitation"


def main_cause(found: Sequence[Stumble]) -> tuple[Cause | None, list[Cause]]:
    """The cause behind most lost firings, and the others that account for a tenth of them or two stumbles."""
    lost: dict[Cause, float] = defaultdict(float)
    times: Counter[Cause] = Counter()
    for stumble in found:
        for cause, share in stumble.probability.items():
            lost[cause] += stumble.lost_firings * share
        times[stumble.cause] += 1
    if not found:
        return None, []
    named = [cause for cause in sorted(lost, key=lambda c: -lost[c]) if times[cause]]
    total = sum(lost.values())
    others = [cause for cause in named[1:] if times[cause] >= 2 and lost[cause] >= 0.1 * total]
    return named[0], others
