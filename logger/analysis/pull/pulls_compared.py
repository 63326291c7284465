"""Pulls laid over each other: torque relative to the best of the same gear, and cold, warm and hot compared.

compare(pulls) -> Comparison
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import t as student

from logger.analysis.pull.pull import Pull, Warmth
from logger.event import FloatArray

LEVEL = 0.95
WEAKEST_BIN = 0.2
WIDEST = 0.5
LESS_THAN_ANY = 1000.0
PAIRS: tuple[tuple[Warmth, Warmth], ...] = (("hot", "warm"), ("hot", "cold"), ("warm", "cold"))


@dataclass(frozen=True, slots=True)
class Difference:
    """Output of one warmth against another over the speeds both reached: a share (-0.06: 6 per cent weaker), its 95 %
    limits (None with a single pull on each side: how much pulls differ is not known then), in words. gear: counted from
    0; the sentence counts from 1, as the page does."""

    of: Warmth
    against: Warmth
    gear: int
    share: float
    low: float | None
    high: float | None
    n_of: int
    n_against: int
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """`best`: number of the strongest pull of each gear. `relative[i]` (n,): torque of pull i over the best of its gear
    at the same speeds, NaN where that one did not go. `torque[i]` and `power[i]`: over the best pull's highest."""

    best: dict[int, int] = field(default_factory=dict)
    relative: list[FloatArray] = field(default_factory=list)
    torque: list[FloatArray] = field(default_factory=list)
    power: list[FloatArray] = field(default_factory=list)
    differences: list[Difference] = field(default_factory=list)
    sentences: list[str] = field(default_factory=list)


def compare(pulls: Sequence[Pull]) -> Comparison:
    """Lay pulls of the same gear over each other: relative to the best, and by warmth with the uncertainty."""
    best = {}
    for gear in sorted({pull.gear for pull in pulls}):
        own = [i for i, pull in enumerate(pulls) if pull.gear == gear]
        best[gear] = own[int(np.argmax(_strengths([pulls[i] for i in own])))]
    relative, torque, power = [], [], []
    for pull in pulls:
        reference = pulls[best[pull.gear]]
        at = np.interp(pull.speed_rpm, reference.speed_rpm, reference.gain, left=np.nan, right=np.nan)
        relative.append(pull.gain / at)
        torque.append(pull.gain / float(reference.gain.max()))
        power.append(pull.gain * pull.speed_rpm / float((reference.gain * reference.speed_rpm).max()))
    differences = [
        found
        for gear in best
        for of, against in PAIRS
        if (found := _difference([p for p in pulls if p.gear == gear], of, against, gear)) is not None
    ]
    sentences = [found.sentence for found in differences] + _break_ups(pulls)
    return Comparison(best, relative, torque, power, differences, sentences)


def _break_ups(pulls: Sequence[Pull]) -> list[str]:
    """For each recording how many of its pulls broke up, and where."""
    told = []
    for name in dict.fromkeys(pull.recording for pull in pulls if pull.break_ups_s):
        own = [pull for pull in pulls if pull.recording == name]
        broken = [pull for pull in own if pull.break_ups_s]
        at = ", ".join(f"{at_s:.2f} s" for pull in broken for at_s in pull.break_ups_s)
        which = f"{len(broken)} of {len(own)} pulls" if len(own) > 1 else "its one pull"
        told.append(f"{name}: {which} broke up, at {at}.")
    return told


def _difference(pulls: Sequence[Pull], of: Warmth, against: Warmth, gear: int) -> Difference | None:
    """Middle logarithm of torque over shared speeds; Student's interval over pulls."""
    ours, theirs = [p for p in pulls if p.warmth == of], [p for p in pulls if p.warmth == against]
    if not ours or not theirs:
        return None
    shared = sorted(set.intersection(*(set(p.speed_rpm.tolist()) for p in (*ours, *theirs))))
    if len(shared) < 3:
        return None

    def level(pull: Pull) -> tuple[float, float]:
        use = np.isin(pull.speed_rpm, shared) & (pull.gain > WEAKEST_BIN * float(np.median(pull.gain)))
        relative_error = np.nan_to_num(pull.gain_error[use] / pull.gain[use], nan=0.1)
        return float(np.median(np.log(pull.gain[use]))), float(np.sqrt((relative_error**2).sum()) / use.sum())

    a, b = np.array([level(p) for p in ours]), np.array([level(p) for p in theirs])
    shift = float(a[:, 0].mean() - b[:, 0].mean())
    degrees = len(a) + len(b) - 2
    within = float((a[:, 1] ** 2).mean() / len(a) + (b[:, 1] ** 2).mean() / len(b))
    between = 0.0
    if degrees:
        scatter = ((a[:, 0] - a[:, 0].mean()) ** 2).sum() + ((b[:, 0] - b[:, 0].mean()) ** 2).sum()
        between = float(scatter / degrees * (1 / len(a) + 1 / len(b)))
    share = float(np.expm1(shift))
    named = f"Gear {gear + 1} (by likeness): "  # what holds in one gear need not in another
    words = f"{100 * abs(share):.0f} % {'weaker' if share < 0 else 'stronger'} than"
    if abs(share) < 0.005:
        words = "as strong as"
    if not degrees:
        text = f"{named}one {of} pull was {words} one {against} one; make at least two of each to know what that means."
        return Difference(of, against, gear, share, None, None, 1, 1, text)
    half = float(student.ppf((1 + LEVEL) / 2, degrees) * np.sqrt(max(between, within)))
    low, high = float(np.expm1(shift - half)), float(np.expm1(shift + half))
    sure = "" if low > 0 or high < 0 else "; that is within what pulls differ by anyway"
    text = (
        f"{named}{of} pulls were {words} {against} ones "
        f"({100 * low:+.0f} to {100 * high:+.0f} %, {len(a)} against {len(b)}){sure}."
    )
    if half > WIDEST:
        text = f"{named}{of} and {against} pulls differ too much among themselves to compare."
    return Difference(of, against, gear, share, low, high, len(a), len(b), text)


def _strengths(gear: Sequence[Pull]) -> FloatArray:
    """Of pulls of one gear, (n,): mean over all of them of the middle torque ratio at shared speeds. One that broke up,
    or covers less than half of the speeds of the longest, comes after all others."""
    longest = max(pull.speed_rpm.size for pull in gear)
    speeds = np.unique(np.concatenate([pull.speed_rpm for pull in gear]))
    # Every curve at every speed at once: one pair of pulls at a time takes minutes over a long day.
    gain = np.array([np.interp(speeds, pull.speed_rpm, pull.gain, left=np.nan, right=np.nan) for pull in gear])
    gain[~(gain > 0)] = np.nan
    found = np.empty(len(gear))
    for number, own in enumerate(gear):
        ratio = own.gain / gain[:, np.searchsorted(speeds, own.speed_rpm)]
        shared = ratio[np.isfinite(ratio).any(axis=1)]
        strength = float(np.mean(_medians(shared))) if shared.size else 0.0
        covers = own.speed_rpm.size >= 0.5 * longest
        found[number] = strength if covers and not own.break_ups_s else strength - LESS_THAN_ANY
    return found


def _medians(rows: FloatArray) -> FloatArray:
    """The median of what is not NaN in each row, (n,); each row has something."""
    rows = np.sort(rows, axis=1)  # which puts NaN last
    n, row = np.count_nonzero(~np.isnan(rows), axis=1), np.arange(len(rows))
    return np.asarray(0.5 * (rows[row, (n - 1) // 2] + rows[row, n // 2]))
