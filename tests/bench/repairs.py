"""How often is a repair called fixed wrongly, and how many runs does the right word take? Run it by hand:

    python -m tests.bench.repairs [histories]

A history: runs before the repair, each with its own exposure, then runs after it, with a look after every run. The
true rate of bursts before is drawn for each history; afterwards it is that times the true ratio. Each burst holds 1 to
5 stumbles, which is what a count of stumbles instead of bursts would be misled by. `spread` makes runs differ by more
than chance: each run's rate is multiplied by a gamma variable of that coefficient of variation.

The rules compared: the project's (rates.compare), and those that were tried and set aside.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, logsumexp

from logger.analysis.repair.rates import compare
from logger.analysis.repair.sequential import KEPT, LEVEL, confidence_fallen, poisson_limits, tail

MOST_LOOKS = 40
Counts = np.ndarray
Rule = Callable[[Counts, Counts, Counts, Counts], bool]


@dataclass(frozen=True)
class Histories:
    """What is drawn: true ratio, bursts a run before, runs before, how much runs differ.

    With `bad_run` the repair is done right after the first run with that many bursts, instead of after a drawn number.
    """

    ratio: float
    rate: tuple[float, float] = (1.0, 3.0)
    runs_before: tuple[int, int] = (2, 6)
    spread: float = 0.0
    looks: int = MOST_LOOKS
    bad_run: int = 0


def draw(of: Histories, rng: np.random.Generator) -> tuple[Counts, Counts, Counts, Counts, Counts, Counts]:
    """Bursts and exposure before, bursts and exposure after, and the stumbles of both (bursts of 1 to 5)."""
    rate = rng.uniform(*of.rate)
    n_before = int(rng.integers(of.runs_before[0], of.runs_before[1] + 1))

    def runs(n: int, mean: float) -> tuple[Counts, Counts, Counts]:
        exposure = rng.uniform(0.6, 1.4, n)
        shape = 1.0 / of.spread**2 if of.spread else 0.0
        frailty = rng.gamma(shape, 1.0 / shape, n) if of.spread else np.ones(n)
        bursts = rng.poisson(mean * frailty * exposure)
        stumbles = np.array([rng.integers(1, 6, k).sum() for k in bursts])
        return bursts, exposure, stumbles

    bursts_0, exposure_0, stumbles_0 = runs(MOST_LOOKS if of.bad_run else n_before, rate)
    if of.bad_run:
        n_before = int(np.argmax(bursts_0 >= of.bad_run)) + 1 if (bursts_0 >= of.bad_run).any() else MOST_LOOKS
        bursts_0, exposure_0, stumbles_0 = bursts_0[:n_before], exposure_0[:n_before], stumbles_0[:n_before]
    bursts_1, exposure_1, stumbles_1 = runs(of.looks, rate * of.ratio)
    return bursts_0, exposure_0, bursts_1, exposure_1, stumbles_0, stumbles_1


def project(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """The rule in use."""
    return compare(k0.tolist(), e0.tolist(), k1.tolist(), e1.tolist()).confidence >= LEVEL


def without_overdispersion(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """The same with counts taken as Poisson."""
    return confidence_fallen(k0.sum(), k1.sum(), e1.sum() / e0.sum()) >= LEVEL


def one_look_each_time(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """The exact test of a single look, applied after every run: not valid, shown for the price of looking."""
    return tail(k0.sum(), k1.sum(), e1.sum() / e0.sum()) <= 1 - LEVEL


def bonferroni(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """The exact test with the allowance divided evenly over MOST_LOOKS looks."""
    return tail(k0.sum(), k1.sum(), e1.sum() / e0.sum()) <= (1 - LEVEL) / MOST_LOOKS


def spent_by_look(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """The exact test with 6/(π²k²) of the allowance for look k: looks without end."""
    return tail(k0.sum(), k1.sum(), e1.sum() / e0.sum()) <= (1 - LEVEL) * 6 / (np.pi * len(k1)) ** 2


def mixture(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """Mixture martingale: likelihood ratio of the negative binomial counts averaged over ratios from 0 to KEPT."""
    before, after, x = float(k0.sum()), float(k1.sum()), float(e1.sum() / e0.sum())
    if not before:
        return False
    shares = (np.arange(40) + 0.5) / 40 * KEPT
    each = after * np.log(shares / KEPT) - (before + after) * (np.log1p(shares * x) - np.log1p(KEPT * x))
    return bool(logsumexp(each) - np.log(40) >= np.log(1 / (1 - LEVEL)))


def mixture_with_zero(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """The mixture martingale with half of its stake on a ratio of exactly 0."""
    before, after, x = float(k0.sum()), float(k1.sum()), float(e1.sum() / e0.sum())
    if not before:
        return False
    shares = (np.arange(40) + 0.5) / 40 * KEPT
    each = after * np.log(shares / KEPT) - (before + after) * (np.log1p(shares * x) - np.log1p(KEPT * x))
    clean = before * np.log1p(KEPT * x) if after == 0 else -np.inf
    return bool(np.logaddexp(logsumexp(each) - np.log(40), clean) - np.log(2) >= np.log(1 / (1 - LEVEL)))


def universal(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """Universal inference (L. Wasserman, A. Ramdas & S. Balakrishnan, PNAS 117 (2020) 16880): gamma mixtures of both
    rates over the greatest likelihood that any rates with a ratio of KEPT or more allow. No condition on when the
    repair was done at all."""
    a, b, before, after = 0.5, 0.5, float(k0.sum()), float(k1.sum())
    x0, x1 = float(e0.sum()), float(e1.sum())

    def mixed(n: float, x: float) -> float:
        return float(gammaln(a + n) - gammaln(a) + a * np.log(b) - (a + n) * np.log(b + x))

    def best() -> float:
        if after / x1 >= KEPT * before / x0:
            rates = (before / x0, after / x1)
        else:
            common = (before + after) / (x0 + KEPT * x1)
            rates = (common, KEPT * common)
        return sum(
            (n * np.log(r) if n else 0.0) - r * x for n, r, x in zip((before, after), rates, (x0, x1), strict=True)
        )

    if not before:
        return False
    return bool(mixed(before, x0) + mixed(after, x1) - best() >= np.log(1 / (1 - LEVEL)))


def two_intervals(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """Garwood limits of each rate apart, the allowance halved, and the after side's spent by look."""
    miss = (1 - LEVEL) / 2
    low = poisson_limits(float(k0.sum()), 1 - miss, two_sided=False)[0] / e0.sum()
    high = poisson_limits(float(k1.sum()), 1 - miss * 6 / (np.pi * len(k1)) ** 2, two_sided=False)[1] / e1.sum()
    return bool(high < KEPT * low)


def wald_lines(rate_0: float, rate_1: float, a: float, b: float) -> tuple[float, float, float]:
    """Slope and the two intercepts of the lines between which a Poisson count stays undecided (A. Wald, 1947)."""
    gain = float(np.log(rate_1 / rate_0))
    return (rate_1 - rate_0) / gain, float(np.log((1 - b) / a)) / gain, float(np.log(b / (1 - a))) / gain


def wald(k0: Counts, e0: Counts, k1: Counts, e1: Counts) -> bool:
    """Wald's sequential ratio test of a twentieth against KEPT, the rate before taken as known: not valid for that."""
    if not k0.sum():
        return False
    rate = k0.sum() / e0.sum()
    slope, upper, _ = wald_lines(KEPT * rate, 0.05 * rate, 1 - LEVEL, 0.1)
    return bool(k1.sum() <= slope * e1.sum() + upper)


RULES: dict[str, Rule] = {
    "in use: exact, spent by count, overdispersion": project,
    "  the same, counts taken as Poisson": without_overdispersion,
    "exact, spent by look": spent_by_look,
    "exact, divided by 40 looks": bonferroni,
    "mixture martingale, half on zero": mixture_with_zero,
    "mixture martingale": mixture,
    "universal inference": universal,
    "two intervals apart": two_intervals,
    "Wald, rate before taken as known (not valid)": wald,
    "exact single look, repeated (not valid)": one_look_each_time,
}


def runs_until_fixed(rule: Rule, history: tuple[Counts, ...], step: int = 1) -> float:
    """The look at which the rule first says fixed; infinite if at none."""
    k0, e0, k1, e1 = history[:4]
    for look in range(1, len(k1) + 1, step):
        if rule(k0, e0, k1[:look], e1[:look]):
            return float(look)
    return float("inf")


def share_fixed(
    rule: Rule, of: Histories, n: int, seed: int = 1, *, count_stumbles: bool = False
) -> tuple[float, float]:
    """Share of histories ever called fixed, and the median of runs that took (infinite if under half were)."""
    rng = np.random.default_rng(seed)
    looks = []
    for _ in range(n):
        k0, e0, k1, e1, s0, s1 = draw(of, rng)
        looks.append(runs_until_fixed(rule, (s0, e0, s1, e1) if count_stumbles else (k0, e0, k1, e1)))
    found = np.array(looks)
    return float(np.mean(np.isfinite(found))), float(np.median(found))


def main() -> None:
    """Print the tables."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for spread in (0.0, 0.5, 1.0):
        print(f"\n{n} histories each; runs differ by {spread:.0%}; a look after every run, up to {MOST_LOOKS}")
        print(f"{'':48s}{'ever called fixed at true ratio':^40s}{'median runs':>14s}")
        print(f"{'rule':48s}" + "".join(f"{ratio:>8g}" for ratio in (1.0, 0.5, 0.3, 0.2, 0.05)) + "   at 0   at 0.05")
        for name, rule in RULES.items():
            wrong = [share_fixed(rule, Histories(r, spread=spread), n)[0] for r in (1.0, 0.5, 0.3, 0.2)]
            found, median = share_fixed(rule, Histories(0.05, spread=spread), n)
            clean = share_fixed(rule, Histories(0.0, spread=spread), n)[1]
            print(f"{name:48s}" + "".join(f"{w:8.3f}" for w in [*wrong, found]) + f"{clean:7g}{median:10g}")
    wrong = [share_fixed(project, Histories(r, bad_run=4), n)[0] for r in (1.0, 0.5, 0.3, 0.2)]
    print(f"\n{'in use, repair after the first run of 4 bursts:':48s}" + "".join(f"{w:8.3f}" for w in wrong))
    wrong = [share_fixed(project, Histories(r), n, count_stumbles=True)[0] for r in (1.0, 0.5, 0.3, 0.2)]
    print(f"{'in use, but fed stumbles instead of bursts:':48s}" + "".join(f"{w:8.3f}" for w in wrong))


if __name__ == "__main__":
    main()
