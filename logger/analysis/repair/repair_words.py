"""Repair verdicts in sentences: odds in runs, bursts over exposure, what may remain, what is still needed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import fisher_exact

from logger.analysis.repair.provoking import Matched, Run
from logger.analysis.repair.rates import Compared
from logger.analysis.repair.sequential import KEPT, poisson_limits
from logger.event import Cause

STRONGEST_PROOF = (
    "Strongest proof, where it is safe: put the old part back, with the car standing, and provoke the fault's return."
)
UNDATED = "Nobody knows between which runs this was done, because no clock relates it to the recordings."
DATE_IT = "Enter after which recording it was done."


@dataclass(frozen=True, slots=True)
class Aside:
    """What else a sentence has to say: later work, whether there was earlier work, causes that were not counted."""

    later: list[str]
    has_earlier: bool
    other_causes: list[Cause]


def sentence(
    done_together: Sequence[str],
    before: Sequence[Run],
    after: Sequence[Run],
    matched: Matched,
    compared: Compared,
    aside: Aside,
) -> str:
    if not before:
        return "Nothing was recorded before this work, so there is no rate to compare with."
    if not compared.before:
        stopped = "the stumbling had stopped" if aside.has_earlier else "no stumble was recorded"
        return f"Nothing to compare with: {stopped} before this work."
    said = [
        plain_odds(before, after),
        f"Bursts: {compared.before} in {_amount(compared.exposure_before)} {matched.unit} before"
        + (f", {compared.after} in {_amount(compared.exposure_after)} since." if after else "."),
    ]
    if after:
        said.append(
            f"Confidence, however often one looks, that the rate fell by {per_cent(1 - KEPT)}: "
            f"{_sure(compared.confidence)}."
        )
    if compared.exposure_after > 0 and compared.exposure_before > 0:
        left = poisson_limits(compared.after / compared.overdispersion, two_sided=False)[1] * compared.overdispersion
        share = left / compared.exposure_after / (compared.before / compared.exposure_before)
        said.append(f"What may remain (95 %): {_remaining(share)}.")
    if compared.overdispersion > 1.2:
        said.append(f"Runs differ more than by chance, so counts were divided by {compared.overdispersion:.1f}.")
    if len(done_together) > 1:
        said.append(
            f"Done together ({' and '.join(done_together)}), so one repair: which of them did it cannot be told, "
            "unless the old parts are put back one at a time, where that is safe."
        )
    if aside.later and compared.verdict == "fixed":
        said.append(f"Done later, and part of the clean record: {', '.join(aside.later)}.")
    if aside.other_causes:
        said.append(f"Stumbles of another cause since are not counted here: {', '.join(aside.other_causes)}.")
    return " ".join(said)


def plain_odds(before: Sequence[Run], after: Sequence[Run]) -> str:
    """In runs: how many failed before and since, with the chance of such a split."""
    failed = [sum(run.exposure.bursts > 0 for run in side) for side in (before, after)]
    words = f"Before, {failed[0]} of {len(before)} runs failed"
    if not after:
        return f"{words}; none has been driven since."
    since = f"{failed[1]} of {len(after)}" if failed[1] else f"none of {len(after)}"
    p = chance_of_split(before, after)
    return f"{words}; since, {since}{f' (by chance alone: {_chance(p)})' if p < 0.5 else ''}."


def chance_of_split(before: Sequence[Run], after: Sequence[Run]) -> float:
    """Exact chance that, of as many failed runs, as many or more fell before (R. A. Fisher, 1935, one-sided)."""
    failed = [sum(run.exposure.bursts > 0 for run in side) for side in (before, after)]
    table = [[failed[0], len(before) - failed[0]], [failed[1], len(after) - failed[1]]]
    return float(fisher_exact(table, alternative="greater")[1])


def needed(before: Sequence[Run], after: Sequence[Run], matched: Matched, compared: Compared) -> str:
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
    like_these = "1 clean run like these" if runs == 1 else f"{runs} clean runs like these"
    text = f"{_amount(compared.needed)} more {matched.unit} without a stumble, about {like_these}."
    return f"{text} {STRONGEST_PROOF}"


def _amount(value: float) -> str:
    return f"{value:.0f}" if value >= 20 or value == round(value) else f"{value:.1f}"


def _chance(p: float) -> str:
    """In per cent, with what it takes to tell 0.4 from 4."""
    return f"{100 * p:.1f} %" if 0.001 <= p < 0.095 else "under 0.1 %" if p < 0.001 else per_cent(p)


def per_cent(share: float) -> str:
    """A share in whole per cent."""
    return f"{100 * share:.0f} %"


def _remaining(share: float) -> str:
    """What may still be there of the rate before; more than all of it teaches nothing."""
    return f"up to {per_cent(share)} of the rate before" if share < 1.0 else "as much as before, or more"


def _sure(confidence: float) -> str:
    """In per cent, never rounded up to certainty."""
    if confidence <= 0.0:
        return "none"
    return f"{100 * min(confidence, 0.999):.1f} %" if confidence > 0.9 else per_cent(confidence)
