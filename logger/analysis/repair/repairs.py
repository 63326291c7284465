"""Is it fixed? Burst rates before and after each repair, over exposure to the conditions that brought the bursts out.

    judge(event, stumbles, running, sensor_faults=()) -> list[RepairVerdict], one for each of event.repairs, in order
    judge_frames(event, frames) -> list[RepairVerdict]          the same over links.frames_of, to make them only once
    proof_ahead(runs) -> str | None                             before any work: how long proof will take
    judge_runs(runs, work) -> list[RepairVerdict]               the same over a season, from what the logbook keeps

`running`: for each recording of the event, in order, the list of (from_s, to_s) in which the engine ran.
A `Run` is one stretch of recording between repairs with its Exposure (exposure.py); a `Work` is a repair with the
number of runs that lie before it. Steps:

1. Runs are cut at the repairs, and where people corrected the split (runs.py). Work with no running between is one
   repair, and gets one verdict.
2. Before: the runs since the repair before, and those before that as well while that one did not fix it and the rates
   agree (exact test, p > 0.2; or > 0.3 that as few came by chance, as an earlier rate that was higher would make
   the later fall look deeper). After: the runs until the next repair; if they were clean, later ones too.
3. What brought the bursts out before tells which exposure counts: knocks, hot minutes, hot knocks, or else driving.
   Where a link cannot be told yet, the repair must pass under every condition that is still possible; and always over
   running at least as warm as that in which the bursts came. Bursts of a cause of their own do not count.
4. Counts are bursts; runs are clusters: counts are divided by their overdispersion between runs (Pearson's χ² over its
   degrees of freedom, P. McCullagh & J. A. Nelder, Generalized Linear Models, 2nd ed. 1989, 4.5.2; drawn to 1 as if
   PRIOR_RUNS more runs had behaved as Poisson counts do, and never below 1).
5. sequential.confidence_fallen says how sure a fall by 80 % is, however often one looks: fixed from 95 %.
   not_fixed: it came back, and that large a fall is excluded, or less likely than not. Otherwise too_early.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.stats import binom, binomtest

from logger.analysis.findings import RepairVerdict, SensorFault, Stumble
from logger.analysis.links import exposure, links
from logger.analysis.links import frames as grids
from logger.analysis.links.frames import Frame, Interval
from logger.analysis.repair import repair_words
from logger.analysis.repair import runs as corrected
from logger.analysis.repair.provoking import Matched, Run, matched_conditions
from logger.analysis.repair.rates import compare
from logger.analysis.repair.repair_words import Aside
from logger.event import Cause, Event, repair_places

AGREE_P = 0.2
LOWER_P = 0.3
OWN_SHARE = 0.15


@dataclass(frozen=True, slots=True)
class Work:
    """A repair and how many of the runs, in time order, were driven before it (None: nobody knows)."""

    what: str
    runs_before: int | None
    suspect: Cause | None = None


@dataclass(frozen=True, slots=True)
class _Group:
    """Work done together: `numbers` in the caller's list, runs [first, last) until the next work."""

    numbers: tuple[int, ...]
    names: tuple[str, ...]
    suspects: frozenset[Cause]
    at: int
    until: int


def judge(
    event: Event,
    stumbles: Sequence[Stumble],
    running: Sequence[Sequence[Interval]],
    sensor_faults: Sequence[SensorFault] = (),
) -> list[RepairVerdict]:
    """A verdict for each of event.repairs, in order; see the module's top."""
    if not event.repairs:
        return []
    return judge_frames(event, links.frames_of(event, stumbles, running, sensor_faults))


def judge_frames(event: Event, frames: Sequence[Frame]) -> list[RepairVerdict]:
    """The same for whoever has the frames already, one for each recording."""
    runs, work = cut(event, frames)
    return judge_runs(runs, work)


def cut(event: Event, frames: Sequence[Frame]) -> tuple[list[Run], list[Work]]:
    """Runs between repairs, and how many of them lie before each repair; a recording may hold a repair within it."""
    places = repair_places(event)
    since = exposure.hot_stops(event, frames)
    splits = corrected.of_event(event)
    counted = corrected.without_practice(frames, splits)
    runs: list[Run] = []
    before: dict[tuple[int, float], int] = {}
    for number, cells in enumerate(counted):
        repaired = {at_s for place in places if place is not None for i, at_s in [place] if i == number}
        cuts = sorted({*repaired, *splits[number].cuts})
        edges = [0.0, *cuts, np.inf]
        for from_s, to_s in pairwise(edges):
            before[(number, from_s)] = len(runs)
            part = grids.part(cells, from_s, to_s) if cuts else cells
            if part.running.any():
                told = exposure.summarise(part, since[number], event.circumstances, from_s)
                runs.append(Run(told, part))
    before[(len(frames), 0.0)] = len(runs)
    return runs, [
        Work(repair.what, None if place is None else before[place], repair.suspect)
        for repair, place in zip(event.repairs, places, strict=True)
    ]


def judge_runs(runs: Sequence[Run], work: Sequence[Work]) -> list[RepairVerdict]:
    """A verdict for each of `work`, in order, over runs in time order: of one event, or of a season."""
    verdicts: dict[int, RepairVerdict] = {
        number: _undated(one) for number, one in enumerate(work) if one.runs_before is None
    }
    groups = _grouped(work, len(runs))
    since = 0
    for g, group in enumerate(groups):
        last = groups[g - 1].at if g else 0
        own, earlier = runs[last : group.at], runs[since:last]
        if not _agree(earlier, own):
            since, earlier = last, []
        before, after = [*earlier, *own], _after(runs, groups, g)
        before, after, others = _of_its_cause(before, after, group.suspects)
        matched = matched_conditions(before)
        later = [name for other in groups[g + 1 :] for name in other.names]
        verdict = _verdict(group, before, after, matched, Aside(later, bool(g), others))
        if verdict.verdict == "fixed":
            since = group.at
        for number in group.numbers:
            verdicts[number] = replace(verdict, what=work[number].what)
    return [verdicts[number] for number in range(len(work))]


def proof_ahead(runs: Sequence[Run]) -> str | None:
    """Before any work: how much clean running it will take to call it fixed; None while nothing has stumbled."""
    if not any(run.exposure.bursts for run in runs):
        return None
    work = Work("work still to be done", len(runs))
    return judge_runs(runs, [work])[0].needed


def _of_its_cause(
    before: Sequence[Run], after: Sequence[Run], suspects: frozenset[Cause]
) -> tuple[list[Run], list[Run], list[Cause]]:
    """Runs with only the bursts of the causes seen before the work (of the suspected ones, if they were seen), and
    the causes left out. Undetermined ones always count."""
    seen = Counter(cause for run in before for cause in run.causes() if cause != "undetermined")
    causes = {cause for cause, n in seen.items() if n >= OWN_SHARE * seen.total()}
    causes = (causes & suspects) or causes
    left_out = {cause for run in after for cause in run.causes()} - causes - {"undetermined"}
    if not causes or (not left_out and causes == set(seen)):
        return list(before), list(after), []
    counted: set[Cause] = {*causes, "undetermined"}
    return [run.only(counted) for run in before], [run.only(counted) for run in after], sorted(left_out)


def _grouped(work: Sequence[Work], n_runs: int) -> list[_Group]:
    places = sorted({one.runs_before for one in work if one.runs_before is not None})
    groups = []
    for at, until in pairwise([*places, n_runs]):
        numbers = tuple(number for number, one in enumerate(work) if one.runs_before == at)
        names = tuple(work[number].what for number in numbers)
        suspects = frozenset(cause for number in numbers if (cause := work[number].suspect) is not None)
        groups.append(_Group(numbers, names, suspects, at, until))
    return groups


def _after(runs: Sequence[Run], groups: Sequence[_Group], g: int) -> list[Run]:
    """Runs until the next work; as long as all were clean, later ones too."""
    after = list(runs[groups[g].at : groups[g].until])
    for later in groups[g + 1 :]:
        if sum(run.exposure.bursts for run in after):
            break
        after.extend(runs[later.at : later.until])
    return after


def _agree(earlier: Sequence[Run], own: Sequence[Run]) -> bool:
    """Whether the runs on both sides of an earlier repair can be one rate: the exact test of two Poisson rates."""
    k0, k1 = (sum(run.exposure.bursts for run in side) for side in (earlier, own))
    t0, t1 = (sum(run.exposure.at_risk_s for run in side) for side in (earlier, own))
    if t1 <= 0 or t0 <= 0 or k0 + k1 == 0:
        return True
    share = t1 / (t0 + t1)
    return bool(binomtest(k1, k0 + k1, share).pvalue > AGREE_P and binom.cdf(k1, k0 + k1, share) > LOWER_P)


def _verdict(
    group: _Group, before: Sequence[Run], after: Sequence[Run], asked: Sequence[Matched], aside: Aside
) -> RepairVerdict:
    """The comparison under the condition that leaves most doubt; where it came back, under what brings it out first."""
    counts = [[run.exposure.bursts for run in side] for side in (before, after)]
    compared = [
        compare(counts[0], [m.within(run.exposure) for run in before], counts[1], [m.within(r.exposure) for r in after])
        for m in asked
    ]
    doubtful = min(range(len(asked)), key=lambda i: (compared[i].confidence, -round(compared[i].needed_ratio, 6)))
    shown = 0 if compared[0].verdict == compared[doubtful].verdict == "not_fixed" else doubtful
    matched, numbers = asked[shown], compared[shown]
    return RepairVerdict(
        what=group.names[0],
        verdict=numbers.verdict,
        rate_before_per_h=_rate(before),
        rate_after_per_h=_rate(after),
        confidence_fixed=round(numbers.confidence, 4) if numbers.before else None,
        sentence=repair_words.sentence(group.names, before, after, matched, numbers, aside),
        needed=repair_words.needed(before, after, matched, numbers),
    )


def _rate(runs: Sequence[Run]) -> float | None:
    hours = sum(run.exposure.running_s for run in runs) / 3600.0
    return round(sum(run.exposure.bursts for run in runs) / hours, 2) if hours > 0 else None


def _undated(work: Work) -> RepairVerdict:
    return RepairVerdict(
        what=work.what,
        verdict="too_early",
        rate_before_per_h=None,
        rate_after_per_h=None,
        confidence_fixed=None,
        sentence=repair_words.UNDATED,
        needed=repair_words.DATE_IT,
    )
