"""How often are heat and shock told rightly, by the number of stumbles? Run it by hand:

    python -m tests.bench.links [events of each kind and number of stumbles] [--days N]

Days are driven in the virtual car without a fault: its coolant over hot stops, its knocks, its speed and throttle, as
its sensors show them. On those days stumbles are drawn from stated hazards, so that thousands of events cost minutes.
Each trigger may bring more stumbles within the burst; rates are thinned so that there are events with few stumbles. As
in the virtual car's own truth, heat counts as what an event can tell only with at least CONTRAST_S of driving on each
side of where it matters.

`at best`: what one could tell who knew how the rate goes with temperature; see could_be_told.

Kinds with a link: `heat` (rate grows over some degrees), `logistic` (rate grows over a wide range), `shock`, `both`
(knocks, only when hot). Kinds without one: `random`, `load`, `speed`, `cornering`; and the hard ones, which do not come
from heat but go with it: `warming` (each run begins clean), `wear` (each run is worse than the one before).
"""

import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from logger.analysis.findings import Moved, Stumble
from logger.analysis.links import links
from logger.analysis.links.frames import CELL_S, Frame, frame, with_stumbles
from logger.event import NS_PER_S, FloatArray, Recording, Trace
from logger.virtualcar.garage import TUNED
from logger.virtualcar.generated import HEALTHY, build_case
from logger.virtualcar.wires import sampled
from tests.bench.quality import bounds

CHANNELS = ("coolant_temperature", "acceleration", "throttle_position", "battery_voltage")
CONTRAST_S = 40.0
MOST_STUMBLES = 40
BINS = ((5, 5), (6, 7), (8, 10), (11, 15), (16, MOST_STUMBLES))
MORE_CHANCE = 0.25
N_DRAWS = 1000
THINNED = (0.2, 0.4, 1.0)
MOST_TRIES = 400
Day = list[Frame]


@dataclass(frozen=True)
class Hazard:
    """Rate (n,), a second, in each cell of each run; chance of each knock; which links are true; `warmth`: the share
    that heat leaves of either, where it does, in each cell or for each knock hard enough (NaN for others)."""

    rates: list[FloatArray]
    knocks: list[FloatArray]
    heat: bool = False
    shock: bool = False
    matters_degc: float = 80.0
    warmth: list[FloatArray] | None = None


def days(n: int, seed: int = 1) -> list[Day]:
    """Healthy competition days of the virtual cars that may be tuned on."""
    cars = list(TUNED)
    found: list[Day] = []
    number = 0
    while len(found) < n:
        case = build_case("day", 7_000 * seed + number, HEALTHY, cars[number % len(cars)])
        number += 1
        if case.kind == "bench":
            continue
        random = np.random.default_rng(number)
        day = []
        for drive in case.drives:
            traces = {}
            for name in CHANNELS:
                time_s, value = sampled(drive, name, case.sensing, random)
                traces[name] = Trace(np.rint(time_s * NS_PER_S).astype(np.int64), value)
            tach = np.rint(drive.pulses["tach_pulses"] * NS_PER_S).astype(np.int64)
            recording = Recording(drive.name, round(drive.duration_s * NS_PER_S), traces, {"tach_pulses": tach})
            running = [(tach[0] / NS_PER_S + 2.0, tach[-1] / NS_PER_S)]
            day.append(frame(recording, case.engine, running))
        found.append(day)
    return found


def _warmth(day: Day, rng: np.random.Generator) -> tuple[list[FloatArray], float]:
    """Share of the full rate by temperature, in each cell; and from where on it matters."""
    low, span = rng.uniform(78.0, 86.0), rng.uniform(4.0, 8.0)
    return [np.clip((_coolant(run) - low) / span, 0.0, 1.0) ** 2 for run in day], low + 1.0


def _coolant(run: Frame) -> FloatArray:
    return np.nan_to_num(run.values["coolant_temperature"], nan=60.0)


def _knocked(day: Day, rng: np.random.Generator) -> list[FloatArray]:
    level, chance = rng.uniform(2.2, 3.6), rng.uniform(0.45, 0.9)
    return [np.where(run.hits.level_g >= level, chance * (1.0 + 0.5 * (run.hits.level_g - level)), 0.0) for run in day]


def _none(day: Day) -> list[FloatArray]:
    return [np.zeros(run.hits.time_ns.size) for run in day]


def heat(day: Day, rng: np.random.Generator) -> Hazard:
    warmth, matters = _warmth(day, rng)
    rate = rng.uniform(0.05, 0.2)
    return Hazard([rate * share for share in warmth], _none(day), heat=True, matters_degc=matters, warmth=warmth)


def logistic(day: Day, rng: np.random.Generator) -> Hazard:
    middle, width, rate = rng.uniform(78.0, 88.0), rng.uniform(2.0, 4.0), rng.uniform(0.05, 0.2)
    warmth = [1.0 / (1.0 + np.exp(-(_coolant(run) - middle) / width)) for run in day]
    return Hazard([rate * share for share in warmth], _none(day), heat=True, matters_degc=middle, warmth=warmth)


def shock(day: Day, rng: np.random.Generator) -> Hazard:
    return Hazard([np.zeros(run.time_s.size) for run in day], _knocked(day, rng), shock=True)


def both(day: Day, rng: np.random.Generator) -> Hazard:
    warmth, matters = _warmth(day, rng)
    chances = _knocked(day, rng)
    shares = [
        share[np.clip((run.hits.time_s / CELL_S).astype(int), 0, share.size - 1)]
        for run, share in zip(day, warmth, strict=True)
    ]
    return Hazard(
        [np.zeros(run.time_s.size) for run in day],
        [chance * share for chance, share in zip(chances, shares, strict=True)],
        heat=True, shock=True, matters_degc=matters,
        warmth=[np.where(chance > 0, share, np.nan) for chance, share in zip(chances, shares, strict=True)],
    )  # fmt: skip


def even(day: Day, rng: np.random.Generator) -> Hazard:
    rate = rng.uniform(0.03, 0.12)
    return Hazard([np.full(run.time_s.size, rate) for run in day], _none(day))


def load(day: Day, rng: np.random.Generator) -> Hazard:
    rate = rng.uniform(0.07, 0.28)
    return Hazard([rate * (np.nan_to_num(run.values["load"]) > 75.0) for run in day], _none(day))


def speed(day: Day, rng: np.random.Generator) -> Hazard:
    rate = rng.uniform(0.07, 0.28)
    top = max(float(np.percentile(run.values["engine_speed"], 98)) for run in day)
    middle = rng.uniform(0.55, 0.8) * top
    rates = [rate / (1.0 + np.exp(-(run.values["engine_speed"] - middle) / (0.06 * top))) for run in day]
    return Hazard(rates, _none(day))


def cornering(day: Day, rng: np.random.Generator) -> Hazard:
    rate = rng.uniform(0.1, 0.3)
    limit = rng.uniform(0.3, 0.5)
    return Hazard([rate * (np.nan_to_num(run.values["lateral_g"]) > limit) for run in day], _none(day))


def warming(day: Day, rng: np.random.Generator) -> Hazard:
    rate, middle = rng.uniform(0.05, 0.2), rng.uniform(15.0, 35.0)
    rates = [rate / (1.0 + np.exp(-(run.values["time_since_start"] - middle) / 5.0)) for run in day]
    return Hazard(rates, _none(day))


def wear(day: Day, rng: np.random.Generator) -> Hazard:
    rate, factor = rng.uniform(0.02, 0.06), rng.uniform(1.3, 2.0)
    return Hazard([np.full(run.time_s.size, rate * factor**number) for number, run in enumerate(day)], _none(day))


KINDS: dict[str, Callable[[Day, np.random.Generator], Hazard]] = {
    "heat": heat, "logistic": logistic, "shock": shock, "both": both, "random": even, "load": load, "speed": speed,
    "cornering": cornering, "warming": warming, "wear": wear,
}  # fmt: skip
HARD = ("warming", "wear")


def contrast(day: Day, degc: float) -> bool:
    """Whether the day drove long enough on each side of that temperature to tell."""
    driven = [_coolant(run)[run.driving] > degc for run in day]
    hot = sum(float(side.sum()) for side in driven) * CELL_S
    return min(hot, sum(side.size for side in driven) * CELL_S - hot) >= CONTRAST_S


def drawn(run: Frame, rate: FloatArray, chance: FloatArray, rng: np.random.Generator) -> list[Stumble]:
    """Stumbles of one run: those that come by themselves, those that knocks bring, and what each brings after it."""
    by_itself = run.time_s[run.running & (rng.random(rate.size) < rate * CELL_S)]
    struck = run.hits.time_s[(rng.random(chance.size) < chance) & run.cells_at(run.running, run.hits.time_s)]
    triggers = [by_itself + rng.uniform(-0.05, 0.05, by_itself.size), struck + rng.uniform(0.003, 0.045, struck.size)]
    found: list[Stumble] = []
    free_s = 0.0
    for at_s in np.sort(np.concatenate(triggers)):
        while at_s > free_s:
            end_s = at_s + float(0.2 * np.exp(0.8 * rng.standard_normal()))
            found.append(
                Stumble(run.recording, at_s, at_s, end_s, "ignition_primary", {"ignition_primary": 1.0}, "tach_pulses",
                        [Moved("tach_pulses", at_s, 0.004)], "cutout", 8, 0.8)
            )  # fmt: skip
            free_s = end_s + 0.5
            if rng.random() < MORE_CHANCE:
                at_s = free_s + rng.uniform(0.1, 2.0)
    last_s = float(run.time_s[run.running][-1]) if run.running.any() else 0.0
    return [one for one in found if one.onset_s < last_s]


def events(kind: str, of: list[Day], n: int, seed: int = 1) -> list[tuple[Day, Hazard, int]]:
    """`n` events of a kind for each of BINS, with the bin's number, that can tell about heat where it is linked."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind)])
    found: list[tuple[Day, Hazard, int]] = []
    left = [n] * len(BINS)
    for _ in range(MOST_TRIES * n):
        day = of[int(rng.integers(len(of)))]
        hazard, thinned = KINDS[kind](day, rng), float(rng.choice(THINNED))
        if not any(left) or not contrast(day, hazard.matters_degc):
            continue
        pairs = zip(day, hazard.rates, hazard.knocks, strict=True)
        told = [drawn(run, thinned * rate, thinned * chance, rng) for run, rate, chance in pairs]
        count = sum(map(len, told))
        number = next((i for i, (low, high) in enumerate(BINS) if low <= count <= high), None)
        if number is not None and left[number]:
            left[number] -= 1
            found.append(([with_stumbles(run, one) for run, one in zip(day, told, strict=True)], hazard, number))
    return found


def could_be_told(day: Day, hazard: Hazard, rng: np.random.Generator) -> bool:
    """Whether one who knew how the rate goes with temperature would tell heat from the bursts, wrong in one of 20.

    The most powerful test there is (J. Neyman & E. S. Pearson, Phil. Trans. A 231 (1933) 289-337), given the number of
    bursts, with ties broken at random: no honest inference does better in the mean of many events.
    """
    if hazard.warmth is None:
        return False
    seen, every = [], []
    for run, share in zip(day, hazard.warmth, strict=True):
        if hazard.shock:
            lag = run.onset_low_s[None, :] - run.hits.time_s[:, None]
            trial = np.isfinite(share) & run.cells_at(run.running, run.hits.time_s)
            seen.append(share[trial & ((lag > -0.01) & (lag < 0.06)).any(axis=1)])
            every.append(share[trial])
        else:
            seen.append(share[np.clip((run.bursts_s[:, 0] / CELL_S).astype(int), 0, share.size - 1)])
            every.append(share[run.at_risk])
    case, pool = np.log(np.concatenate(seen) + 1e-4), np.log(np.concatenate(every) + 1e-4)
    if hazard.shock:
        chosen = np.argsort(rng.random((N_DRAWS, pool.size)), axis=1)[:, : case.size]
    else:
        chosen = rng.integers(0, pool.size, (N_DRAWS, case.size))
    beyond = pool[chosen].sum(axis=1) - case.sum()
    more, same = np.count_nonzero(beyond > 1e-9), np.count_nonzero(np.abs(beyond) <= 1e-9)
    return bool(more + rng.random() * (same + 1) <= 0.05 * (N_DRAWS + 1))


def share(said: list[bool]) -> str:
    """A share in per cent with its exact 95 % bounds."""
    if not said:
        return f"{'':24s}"
    low, high = bounds(sum(said), len(said))
    return f"{100 * np.mean(said):5.1f} [{100 * low:4.1f} {100 * high:5.1f}] {len(said):5d} "


def main() -> None:
    """Print, for each kind and number of stumbles, how often heat and shock were called linked."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 and sys.argv[1].isdigit() else 100
    n_days = int(sys.argv[sys.argv.index("--days") + 1]) if "--days" in sys.argv else 60
    of, rng = days(n_days), np.random.default_rng(3)
    said: dict[tuple[str, str], list[list[bool]]] = defaultdict(lambda: [[] for _ in BINS])
    wrong: list[bool] = []
    for kind in KINDS:
        for day, hazard, number in events(kind, of, n):
            found = links.linked(day)
            told = {name: found[f"linked_{name}"] is True for name in ("heat", "shock")}
            for name in told:
                said[(kind, name)][number].append(told[name])
            if hazard.warmth is not None:
                said[(kind, "at best")][number].append(could_be_told(day, hazard, rng))
            if kind not in HARD:
                wrong.append(any(told[name] and not getattr(hazard, name) for name in told))
    print("called linked, in per cent [95 % bounds] and number of events, by number of stumbles")
    print(f"{'':18s}" + "".join(f"{f'{low} to {high}':^25s}" for low, high in BINS) + f"{'all':^25s}")
    for (kind, name), cells in said.items():
        everything = [one for cell in cells for one in cell]
        print(f"{kind:10s} {name:7s} {' '.join(share(cell) for cell in [*cells, everything])}")
    print(f"events with a false link, but for {' and '.join(HARD)}: {share(wrong)}")


if __name__ == "__main__":
    main()
