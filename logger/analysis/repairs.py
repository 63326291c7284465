"""Is it fixed? Burst rates before and after each repair, over exposure to the conditions that brought the bursts out.

    judge(event, stumbles, running, sensor_faults=()) -> list[RepairVerdict], one for each of event.repairs, in order
    judge_runs(runs, work) -> list[RepairVerdict]               the same over a season, from what the logbook keeps

`running`: for each recording of the event, in order, the list of (from_s, to_s) in which the engine ran.
A `Run` is one stretch of recording between repairs with its Exposure (exposure.py); a `Work` is a repair with the
number of runs that lie before it. Steps:

1. Runs are cut at the repairs. Work with no running between is one repair, and gets one verdict.
2. Before: the runs since the repair before, and those before that as well while that one did not fix it and the rates
   agree (exact test, p > 0.2). After: the runs until the next repair; if they were clean, later ones too.
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
from typing import Literal

import numpy as np
from scipy.stats import binomtest, fisher_exact

from logger.analysis import exposure, links
from logger.analysis.exposure import Exposure, Frame, Interval
from logger.analysis.findings import RepairVerdict, SensorFault, Stumble, Verdict
from logger.analysis.sequential import (
    KEPT,
    LEVEL,
    confidence_fallen,
    evidence_against,
    exposure_needed,
    poisson_limits,
    tail,
)
from logger.event import NS_PER_S, Cause, Event, FloatArray, Repair

PRIOR_RUNS = 4.0
AGREE_P = 0.2
OWN_SHARE = 0.15
STRONGEST_PROOF = (
    "Strongest proof, where it is safe: put the old part back, with the car standing, and provoke the fault's return."
)

Kind = Literal["driving", "hot", "knocks", "hot_knocks"]


@dataclass(frozen=True, slots=True)
class Matched:
    """The exposure that counts: `from_degc` and `from_g` are the lower limits of what brought the bursts out."""

    kind: Kind
    from_degc: float = -np.inf
    from_g: float = 0.0

    @property
    def unit(self) -> str:
        """In words, for sentences."""
        return {
            "driving": "minutes of driving",
            "hot": f"minutes with the coolant above {self.from_degc:.0f} °C",
            "knocks": f"knocks above {self.from_g:.1f} g",
            "hot_knocks": f"knocks above {self.from_g:.1f} g with the coolant above {self.from_degc:.0f} °C",
        }[self.kind]

    def within(self, run: Exposure) -> float:
        """How much of it one run holds, in `unit`: minutes, or knocks."""
        if self.kind == "driving":
            return run.driving_at_risk_s / 60.0
        if self.kind == "hot":
            histogram = run.histograms.get("coolant_driving")
            if histogram is None:
                return 0.0
            return float(histogram.seconds[histogram.edges[:-1] >= self.from_degc].sum()) / 60.0
        rows = exposure.EDGES["coolant_temperature"] >= self.from_degc
        if self.kind == "knocks":
            rows = np.ones_like(rows)
        else:
            rows[-1] = False
        columns = exposure.LEVEL_EDGES[:-1] >= self.from_g
        return float(run.knocks[np.ix_(rows, columns)].sum()) if run.knocks.size else 0.0


@dataclass(frozen=True, slots=True)
class Run:
    """One stretch of recording between repairs; from the logbook it comes without the frame behind its exposure."""

    exposure: Exposure
    frame: Frame | None = None


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
    what: str
    suspects: frozenset[Cause]
    at: int
    until: int


@dataclass(frozen=True, slots=True)
class Compared:
    """The numbers under a verdict: bursts and exposure before and after, overdispersion, and what follows from them."""

    before: int
    after: int
    exposure_before: float
    exposure_after: float
    overdispersion: float
    confidence: float
    needed: float

    @property
    def ratio_exposure(self) -> float:
        """Exposure since the repair in units of that before; 0 where there was none before."""
        return self.exposure_after / self.exposure_before if self.exposure_before > 0 else 0.0

    @property
    def verdict(self) -> Verdict:
        """By the rules at the top of the module."""
        if self.confidence >= LEVEL:
            return "fixed"
        n, k = self.before / self.overdispersion, self.after / self.overdispersion
        odds_of_fall = 1.0 - tail(n, k, self.ratio_exposure)
        came_back = (self.after >= 2 and odds_of_fall < 0.5) or (self.after == 1 and odds_of_fall < 0.2)
        excluded = evidence_against(n, k, self.ratio_exposure) >= 1.0 / (1.0 - LEVEL)
        return "not_fixed" if self.before and self.after and (came_back or excluded) else "too_early"


def compare(
    counts_before: Sequence[float],
    exposure_before: Sequence[float],
    counts_after: Sequence[float],
    exposure_after: Sequence[float],
) -> Compared:
    """The core, over bursts and exposure of each recording: numbers only, so that a season can be fed from anywhere.

    The unit of exposure is free, if the same throughout. Zero bursts, zero exposure and empty lists are allowed.
    """
    before, after = int(np.sum(counts_before)), int(np.sum(counts_after))
    e0, e1 = float(np.sum(exposure_before)), float(np.sum(exposure_after))
    spread = overdispersion([(counts_before, exposure_before), (counts_after, exposure_after)])
    ratio = e1 / e0 if e0 > 0 else 0.0
    confidence = confidence_fallen(before / spread, after / spread, ratio)
    needed = max(0.0, exposure_needed(before / spread, after / spread) * e0 - e1) if e0 > 0 else np.inf
    return Compared(before, after, e0, e1, spread, confidence, needed)


def overdispersion(periods: Sequence[tuple[Sequence[float], Sequence[float]]]) -> float:
    """Variance over mean of the counts of runs, each period having its own rate; 1 for Poisson counts, never below."""
    chi_square = degrees = 0.0
    for counts, exposures in periods:
        k, e = np.asarray(counts, dtype=float), np.asarray(exposures, dtype=float)
        k, e = k[e > 0], e[e > 0]
        if k.size < 2 or k.sum() == 0:
            continue
        expected = e * k.sum() / e.sum()
        chi_square += float(((k - expected) ** 2 / expected).sum())
        degrees += k.size - 1
    return max(1.0, (chi_square + PRIOR_RUNS) / (degrees + PRIOR_RUNS))


def judge(
    event: Event,
    stumbles: Sequence[Stumble],
    running: Sequence[Sequence[Interval]],
    sensor_faults: Sequence[SensorFault] = (),
) -> list[RepairVerdict]:
    """A verdict for each of event.repairs, in order; see the module's top."""
    if not event.repairs:
        return []
    frames = links.frames_of(event, stumbles, running, sensor_faults)
    runs, work = cut(event, frames)
    return judge_runs(runs, work)


def cut(event: Event, frames: Sequence[Frame]) -> tuple[list[Run], list[Work]]:
    """Runs between repairs, and how many of them lie before each repair; a recording may hold a repair within it."""
    places = [_place(event, repair) for repair in event.repairs]
    runs: list[Run] = []
    before: dict[tuple[int, float], int] = {}
    for number, cells in enumerate(frames):
        cuts = sorted({at_s for place in places if place is not None for i, at_s in [place] if i == number})
        edges = [0.0, *cuts, np.inf]
        for from_s, to_s in pairwise(edges):
            before[(number, from_s)] = len(runs)
            part = exposure.part(cells, from_s, to_s) if cuts else cells
            if part.running.any():
                runs.append(Run(exposure.summarise(part), part))
    before[(len(frames), 0.0)] = len(runs)
    return runs, [
        Work(repair.what, None if place is None else before[place], repair.suspect)
        for repair, place in zip(event.repairs, places, strict=True)
    ]


def _place(event: Event, repair: Repair) -> tuple[int, float] | None:
    """The recording that follows a repair, or holds it, and the second in it; None where no clock relates the two."""
    names = [recording.name for recording in event.recordings]
    if repair.after_recording in names:
        return names.index(repair.after_recording) + 1, 0.0
    if repair.offset_ns is None:
        return None
    known = [(i, r.offset_ns, r.duration_ns) for i, r in enumerate(event.recordings) if r.offset_ns is not None]
    for i, offset_ns, duration_ns in known:
        if repair.offset_ns <= offset_ns:
            clockless_before = i > 0 and event.recordings[i - 1].offset_ns is None
            return None if clockless_before else (i, 0.0)
        if repair.offset_ns < offset_ns + duration_ns:
            return i, (repair.offset_ns - offset_ns) / NS_PER_S
    last_is_known = bool(known) and known[-1][0] == len(event.recordings) - 1
    return (len(event.recordings), 0.0) if last_is_known else None


def judge_runs(
    runs: Sequence[Run], work: Sequence[Work], linked_heat: bool | None = None, linked_shock: bool | None = None
) -> list[RepairVerdict]:
    """A verdict for each of `work`, in order, over runs in time order: of one event, or of a season.

    linked_heat, linked_shock: what the analysis of those events said, for runs that come without frames.
    """
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
        matched = matched_conditions(before, linked_heat, linked_shock)
        later = [other.what for other in groups[g + 1 :]]
        verdict = _verdict(group, before, after, matched, _Aside(later, bool(g), others))
        if verdict.verdict == "fixed":
            since = group.at
        for number in group.numbers:
            verdicts[number] = replace(verdict, what=work[number].what)
    return [verdicts[number] for number in range(len(work))]


def _of_its_cause(
    before: Sequence[Run], after: Sequence[Run], suspects: frozenset[Cause]
) -> tuple[list[Run], list[Run], list[Cause]]:
    """Runs with only the stumbles of the causes seen before the work (of the suspected ones, if they were seen), and
    the causes left out. Undetermined ones always count. Runs without frames are left as they are."""
    frames = [run.frame for run in (*before, *after)]
    if any(cells is None for cells in frames):
        return list(before), list(after), []
    seen = Counter(s.cause for run in before if run.frame for s in run.frame.stumbles if s.cause != "undetermined")
    causes = {cause for cause, n in seen.items() if n >= OWN_SHARE * seen.total()}
    causes = (causes & suspects) or causes
    left_out = {s.cause for run in after if run.frame for s in run.frame.stumbles} - causes - {"undetermined"}
    if not causes or (not left_out and causes == set(seen)):
        return list(before), list(after), []
    counted = causes | {"undetermined"}

    def only(run: Run) -> Run:
        if run.frame is None:
            return run
        cells = exposure.with_stumbles(run.frame, [s for s in run.frame.stumbles if s.cause in counted])
        return Run(exposure.summarise(cells), cells)

    return [only(run) for run in before], [only(run) for run in after], sorted(left_out)


def _grouped(work: Sequence[Work], n_runs: int) -> list[_Group]:
    places = sorted({one.runs_before for one in work if one.runs_before is not None})
    groups = []
    for at, until in zip(places, [*places[1:], n_runs], strict=True):
        numbers = tuple(number for number, one in enumerate(work) if one.runs_before == at)
        what = " and ".join(work[number].what for number in numbers)
        suspects = frozenset(cause for number in numbers if (cause := work[number].suspect) is not None)
        groups.append(_Group(numbers, what, suspects, at, until))
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
    return bool(binomtest(k1, k0 + k1, t1 / (t0 + t1)).pvalue > AGREE_P)


def matched_conditions(
    before: Sequence[Run], linked_heat: bool | None = None, linked_shock: bool | None = None
) -> list[Matched]:
    """The exposures that count, from what brought the bursts out before the repair, and only from that.

    The limits lie a little below the least that was seen to do it (4/5 of the level, 2.5 °C), at the edges of the
    logbook's histograms, because the least of a few is more than the least there is.
    """
    frames = [run.frame for run in before if run.frame is not None]
    if frames:
        found = links.linked(frames)
        linked_heat, linked_shock = found["linked_heat"], found["linked_shock"]
    from_g = _least([run.exposure.burst_g for run in before], exposure.LEVEL_EDGES, 0.8, 0.0)
    from_degc = _least([run.exposure.burst_degc for run in before], exposure.EDGES["coolant_temperature"], 1.0, 2.5)
    if linked_heat and linked_shock:
        return [Matched("hot_knocks", from_degc, from_g)]
    asked = [] if linked_shock or linked_heat else [Matched("driving")]
    if from_g > 0 and linked_shock is not False:
        asked.append(Matched("knocks", from_g=from_g))
    if np.isfinite(from_degc):
        asked.append(Matched("hot", from_degc))
    return asked or [Matched("driving")]


def _least(values: Sequence[FloatArray], edges: FloatArray, scale: float, less: float) -> float:
    """The lower decile of what was seen, lowered a little and down to an edge; the lowest edge where nothing was."""
    seen = np.concatenate(values) if values else np.empty(0)
    seen = seen[np.isfinite(seen)]
    if not seen.size:
        return -np.inf if less else 0.0
    wanted = float(np.quantile(seen, 0.1 if seen.size >= 10 else 0.0)) * scale - less
    return float(edges[max(0, int(np.searchsorted(edges, wanted, side="right")) - 1)])


@dataclass(frozen=True, slots=True)
class _Aside:
    """What else a sentence has to say: later work, whether there was earlier work, causes that were not counted."""

    later: list[str]
    has_earlier: bool
    other_causes: list[Cause]


def _verdict(
    group: _Group, before: Sequence[Run], after: Sequence[Run], asked: Sequence[Matched], aside: _Aside
) -> RepairVerdict:
    """The comparison under the condition that leaves most doubt."""
    counts = [[run.exposure.bursts for run in side] for side in (before, after)]
    compared = [
        compare(counts[0], [m.within(run.exposure) for run in before], counts[1], [m.within(r.exposure) for r in after])
        for m in asked
    ]
    doubtful = min(range(len(asked)), key=lambda i: (compared[i].confidence, -compared[i].needed))
    matched, numbers = asked[doubtful], compared[doubtful]
    return RepairVerdict(
        what=group.what,
        verdict=numbers.verdict,
        rate_before_per_h=_rate(before),
        rate_after_per_h=_rate(after),
        confidence_fixed=round(numbers.confidence, 4) if numbers.before else None,
        sentence=_sentence(group, before, after, matched, numbers, aside),
        needed=_needed(before, after, matched, numbers),
    )


def _rate(runs: Sequence[Run]) -> float | None:
    hours = sum(run.exposure.running_s for run in runs) / 3600.0
    return round(sum(run.exposure.bursts for run in runs) / hours, 2) if hours > 0 else None


def _sentence(
    group: _Group, before: Sequence[Run], after: Sequence[Run], matched: Matched, compared: Compared, aside: _Aside
) -> str:
    if not before:
        return "Nothing was recorded before this work, so there is no rate to compare with."
    if not compared.before:
        stopped = "the stumbling had stopped" if aside.has_earlier else "no stumble was recorded"
        return f"Nothing to compare with: {stopped} before this work."
    said = [
        _plain_odds(before, after),
        f"Bursts: {compared.before} in {_amount(compared.exposure_before)} {matched.unit} before, "
        f"{compared.after} in {_amount(compared.exposure_after)} since.",
        f"Confidence that the rate fell by {1 - KEPT:.0%} or more, however often one looks: {compared.confidence:.0%}.",
    ]
    if compared.exposure_after > 0:
        left = poisson_limits(compared.after / compared.overdispersion, two_sided=False)[1] * compared.overdispersion
        share = left / compared.exposure_after / (compared.before / compared.exposure_before)
        said.append(f"What may remain (95 %): up to {min(share, 9.99):.0%} of the rate before.")
    if compared.overdispersion > 1.2:
        said.append(f"Runs differ more than by chance, so counts were divided by {compared.overdispersion:.1f}.")
    if len(group.numbers) > 1:
        said.append(f"Done together ({group.what}): which of them did it cannot be told.")
    if aside.later and compared.verdict == "fixed":
        said.append(f"Done later, and part of the clean record: {', '.join(aside.later)}.")
    if aside.other_causes:
        said.append(f"Stumbles of another cause since are not counted here: {', '.join(aside.other_causes)}.")
    return " ".join(said)


def _plain_odds(before: Sequence[Run], after: Sequence[Run]) -> str:
    """In runs: how many failed before and since, with the exact chance of such a split (R. A. Fisher, 1935)."""
    failed = [sum(run.exposure.bursts > 0 for run in side) for side in (before, after)]
    words = f"Before, {failed[0]} of {len(before)} runs failed"
    if not after:
        return f"{words}; none has been driven since."
    table = [[failed[0], len(before) - failed[0]], [failed[1], len(after) - failed[1]]]
    p = float(fisher_exact(table, alternative="greater")[1])
    since = f"{failed[1]} of {len(after)}" if failed[1] else f"none of {len(after)}"
    return f"{words}; since, {since} (by chance alone {p:.2f})."


def _needed(before: Sequence[Run], after: Sequence[Run], matched: Matched, compared: Compared) -> str:
    """How much more clean exposure until it can be called fixed."""
    if compared.verdict == "fixed":
        return "Nothing more; keep recording."
    if not before or not compared.before:
        return "A rate before the work is missing; it cannot be made up for. " + STRONGEST_PROOF
    if compared.verdict == "not_fixed":
        return "It came back: look for the cause again."
    if not np.isfinite(compared.needed):
        return f"More bursts were needed before the work than {compared.before}. {STRONGEST_PROOF}"
    like = [e for run in (after or before) if (e := matched.within(run.exposure)) > 0] or [
        e for run in before if (e := matched.within(run.exposure)) > 0
    ]
    runs = int(np.ceil(compared.needed / np.mean(like))) if like else 0
    text = f"{_amount(compared.needed)} more {matched.unit} without a stumble, about {runs} clean runs like these."
    return f"{text} {STRONGEST_PROOF}" if runs > 6 else text


def _undated(work: Work) -> RepairVerdict:
    return RepairVerdict(
        what=work.what,
        verdict="too_early",
        rate_before_per_h=None,
        rate_after_per_h=None,
        confidence_fixed=None,
        sentence="Nobody knows between which runs this was done, because no clock relates it to the recordings.",
        needed="Enter after which recording it was done.",
    )


def _amount(value: float) -> str:
    return f"{value:.0f}" if value >= 20 or value == round(value) else f"{value:.1f}"
