"""How well the analysis finds stumbles and their causes on generated events, with counts and 95 % bounds.

    python -m tests.bench.quality --hours 2 --engines tuned
    python -m tests.bench.quality --hours 20 --engines held_out --json quality.json

Events are driven in the virtual car, written as capture folders, read back and analysed; the findings are paired with
the truth here. `held_out` cars are for measuring only: look at the figures, never at their cases.
Proportions carry Clopper and Pearson's (Biometrika 1934) exact bounds, rates Garwood's (Biometrika 1936).
"""

import argparse
import json
import sys
import time
import traceback
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from scipy import optimize, stats

from logger.analysis import analyse
from logger.store.capture import read_folder
from logger.virtualcar.cases import choose, names_of, write_case
from logger.virtualcar.faults import KINDS
from logger.virtualcar.generated import HEALTHY

TOLERANCE_S = 0.35
PAIRS = ("chafe_feed+pump_tired", "coil_lead+charging")
MAY_BE_FIRST = {
    "supply_voltage": {"battery_voltage", "ignition_feed_voltage", "sensor_supply_voltage"},
    "ignition_primary": {"tach_pulses", "ignition_feed_voltage"},
    "ignition_secondary": {"tach_pulses", "spark_pulses"},
    "fuel_delivery": {"fuel_pressure", "pump_feed_voltage"},
    "mixture": {"injector_pulses", "air_fuel_ratio", "tach_pulses"},
}
Row = dict[str, Any]


def proportion(good: int, n: int) -> str:
    """Share with its exact 95 % bounds, as text."""
    if not n:
        return "-"
    low, high = bounds(good, n)
    return f"{good / n:.4f} [{low:.4f}, {high:.4f}] ({good}/{n})"


def bounds(good: int, n: int) -> tuple[float, float]:
    """Clopper and Pearson's 95 % bounds of a proportion."""
    low = float(stats.beta.ppf(0.025, good, n - good + 1)) if good else 0.0
    high = float(stats.beta.ppf(0.975, good + 1, n - good)) if good < n else 1.0
    return low, high


def rate_bounds(count: int, exposure: float) -> tuple[float, float]:
    """Garwood's 95 % bounds of a Poisson rate."""
    low = float(stats.chi2.ppf(0.025, 2 * count)) / 2.0 if count else 0.0
    return low / exposure, float(stats.chi2.ppf(0.975, 2 * count + 2)) / 2.0 / exposure


def cost(true: Row, found: Row) -> float | None:
    """Seconds by which a finding misses a true stumble; None where they do not belong together.

    They do where the onset lies within the tolerance of [onset_s, engine_onset_s], or, at a price, where the two
    overlap and the finding is not longer than five times the true stumble plus 2 s.
    """
    if found["recording"] != true["recording"]:
        return None
    low, high = true["onset_s"], max(true["onset_s"], true["engine_onset_s"])
    end = max(true["end_s"], high)
    outside = max(0.0, low - found["onset_s"], found["onset_s"] - high)
    if outside <= TOLERANCE_S:
        return float(outside)
    found_end = max(found["end_s"], found["onset_s"])
    long = found_end - found["onset_s"] > 5.0 * (end - low) + 2.0
    if long or found_end < low or found["onset_s"] > end:
        return None
    return 10.0 + float(outside)


def pair(truth: Sequence[Row], findings: Sequence[Row]) -> list[tuple[int, int]]:
    """One-to-one pairs (true, found) of least total cost; stumbles that are scored go first."""
    if not truth or not findings:
        return []
    none = 1e6
    table = np.full((len(truth), len(findings)), none)
    for i, true in enumerate(truth):
        for j, found in enumerate(findings):
            price = cost(true, found)
            if price is not None:
                table[i, j] = price + (0.0 if true["scored"] else 100.0)
    rows, columns = optimize.linear_sum_assignment(table)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if table[i, j] < none]


def left_over(truth: Sequence[Row], found: Row) -> str:
    """What an unpaired finding is: "fragment" of a scored stumble, "neutral" on an unscored one, or "false"."""
    near = [
        true
        for true in truth
        if true["recording"] == found["recording"]
        and found["onset_s"] <= true["end_s"] + TOLERANCE_S
        and found["end_s"] >= true["onset_s"] - TOLERANCE_S
        and found["end_s"] - found["onset_s"] <= 5.0 * (true["end_s"] - true["onset_s"]) + 2.0
    ]
    if not near:
        return "false"
    return "fragment" if any(true["scored"] for true in near) else "neutral"


@dataclass
class Tally:
    """Counts over many events."""

    events: int = 0
    hours: float = 0.0
    stumbles: int = 0
    hit: int = 0
    false: int = 0
    fragments: int = 0
    crashed: int = 0
    outside_ms: list[float] = field(default_factory=list)
    engine_ms: list[float] = field(default_factory=list)
    cause: list[bool] = field(default_factory=list)
    first: list[bool] = field(default_factory=list)
    main: list[bool] = field(default_factory=list)
    quiet: list[bool] = field(default_factory=list)
    wires: list[bool] = field(default_factory=list)
    wire_false: int = 0
    wireless_events: int = 0
    links: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    repairs: list[bool] = field(default_factory=list)
    repairs_wrong: int = 0
    chance: list[tuple[float, bool]] = field(default_factory=list)
    confusion: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    effects: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))

    def add(self, truth: Row, result: Row) -> list[str]:
        """Count one event; returns a line for each thing that went wrong."""
        true, found = truth["stumbles"], result.get("stumbles") or []
        pairs = pair(true, found)
        wrong = self._stumbles(true, found, pairs)
        wrong += self._event(truth, result)
        wrong += self._wires(truth, result)
        self.events += 1
        self.hours += truth["running_s"] / 3600.0
        return wrong

    def _stumbles(self, true: list[Row], found: list[Row], pairs: list[tuple[int, int]]) -> list[str]:
        wrong: list[str] = []
        got = dict(pairs)
        for i, row in enumerate(true):
            if not row["scored"]:
                continue
            self.stumbles += 1
            self.hit += i in got
            self.effects[row["effect"]].append(i in got)
            if i in got:
                wrong += self._found(row, found[got[i]])
            else:
                wrong.append(f"missed {_brief(row)} effective {row['effective_lost']}")
        paired = {j for _, j in pairs}
        for j, row in enumerate(found):
            kind = left_over(true, row) if j not in paired else "paired"
            self.false += kind == "false"
            self.fragments += kind == "fragment"
            if kind == "false":
                wrong.append(f"false {_brief(row)}")
        return wrong

    def _found(self, true: Row, found: Row) -> list[str]:
        low, high = true["onset_s"], max(true["onset_s"], true["engine_onset_s"])
        outside = 1000.0 * max(0.0, low - found["onset_s"], found["onset_s"] - high)
        self.outside_ms.append(outside)
        self.engine_ms.append(1000.0 * abs(found["engine_onset_s"] - true["engine_onset_s"]))
        right = found["cause"] in true["accept"]
        self.cause.append(right)
        self.confusion[f"{true['fault']} -> {found['cause']}"] += 1
        lenient = true["accept"] != [true["cause"]]
        first = found["first_to_move"] in MAY_BE_FIRST.get(true["cause"], set()) or lenient
        self.first.append(first)
        if found.get("probability"):
            word, chance = max(found["probability"].items(), key=lambda item: item[1])
            self.chance.append((chance, word in true["accept"]))
        lines = [] if right else [f"cause {found['cause']} for {_brief(true)}"]
        lines += [] if first else [f"first {found['first_to_move']} for {_brief(true)}"]
        return lines + ([f"onset {outside:.0f} ms outside for {_brief(true)}"] if outside > 60.0 else [])

    def _event(self, truth: Row, result: Row) -> list[str]:
        event, said = truth["event"], result.get("main_cause")
        wrong: list[str] = []
        if event["main_cause"]:
            self.main.append(said in event["accept_main"])
            wrong += [] if self.main[-1] else [f"main cause {said}, true {event['main_cause']}"]
        else:
            self.quiet.append(said is None)
            wrong += [] if self.quiet[-1] else [f"quiet event given main cause {said}"]
        for kind in ("heat", "shock"):
            if event["links_scored"][kind]:
                linked = result.get(f"linked_{kind}") is True
                self.links[f"{kind} {'present' if event[f'linked_{kind}'] else 'absent'}"].append(
                    linked == event[f"linked_{kind}"]
                )
        for true, found in zip(truth["repairs"], result.get("repairs") or [], strict=False):
            verdict = found["verdict"]
            self.repairs.append(verdict in true["accept"])
            gone = true["true_outcome"] == "gone"
            self.repairs_wrong += (verdict == "fixed" and not gone) or (verdict == "not_fixed" and gone)
        return wrong

    def _wires(self, truth: Row, result: Row) -> list[str]:
        want = {row["channel"] for row in truth["sensor_faults"] if row["kind"] != "gap"}
        said = {row["channel"] for row in result.get("sensor_faults") or []}
        self.wires += [channel in said for channel in want]
        self.wire_false += len(said - want)
        self.wireless_events += not want
        lines = [f"sensor fault on {channel} not found" for channel in sorted(want - said)]
        return lines + [f"sensor fault alarm on sound {channel}" for channel in sorted(said - want)]

    def calibration_error(self) -> float | None:
        """Expected calibration error of the top probability over ten equal bins."""
        if not self.chance:
            return None
        bins: dict[int, list[tuple[float, bool]]] = defaultdict(list)
        for chance, right in self.chance:
            bins[min(int(chance * 10.0), 9)].append((chance, right))
        off = sum(abs(sum(c for c, _ in rows) - sum(r for _, r in rows)) for rows in bins.values())
        return off / len(self.chance)

    def figures(self) -> dict[str, Any]:
        """Everything counted, as numbers with bounds."""

        def share(values: Sequence[bool]) -> dict[str, Any] | None:
            n, good = len(values), sum(values)
            return {"share": good / n, "bounds": bounds(good, n), "n": n} if n else None

        return {
            "events": self.events, "running_hours": round(self.hours, 3), "crashed": self.crashed,
            "stumbles": self.stumbles,
            "recall": share([True] * self.hit + [False] * (self.stumbles - self.hit)),
            "false_finds": self.false, "false_per_hour": self.false / self.hours if self.hours else None,
            "false_per_hour_bounds": rate_bounds(self.false, self.hours) if self.hours else None,
            "fragments": self.fragments,
            "onset_outside_interval_ms": _quantiles(self.outside_ms), "engine_onset_ms": _quantiles(self.engine_ms),
            "cause": share(self.cause), "first_to_move": share(self.first), "main_cause": share(self.main),
            "quiet_kept_quiet": share(self.quiet), "sensor_faults_found": share(self.wires),
            "sensor_false_alarms": self.wire_false, "sensor_sound_events": self.wireless_events,
            "links": {key: share(values) for key, values in sorted(self.links.items())},
            "repair_verdicts": share(self.repairs), "repair_wrong": self.repairs_wrong,
            "calibration_error": self.calibration_error(),
            "recall_by_effect": {key: share(values) for key, values in sorted(self.effects.items())},
            "confusion": dict(sorted(self.confusion.items())),
        }  # fmt: skip


def _brief(row: Row) -> str:
    what = row.get("fault") or row["cause"]
    return f"{row['recording']} {row['onset_s']:.2f}-{row['end_s']:.2f} {row.get('effect')} {what}"


def _quantiles(values: Sequence[float]) -> dict[str, float] | None:
    if not values:
        return None
    return {"median": float(np.median(values)), "p95": float(np.quantile(values, 0.95)), "n": len(values)}


def report(whole: Tally, kinds: dict[str, Tally]) -> str:
    """The table per fault kind and the figures over all, as text."""
    heads = ("on.med", "on.p95", "eng.med", "first", "cause", "main", "quiet")
    lines = [f"{'':26}{'n':>5}{'recall':>9}{'false/h':>9}" + "".join(f"{head:>8}" for head in heads)]
    for name, tally in [*sorted(kinds.items()), ("all", whole)]:
        f = tally.figures()
        cells = [f["recall"], f["false_per_hour"], (f["onset_outside_interval_ms"] or {}).get("median"),
                 (f["onset_outside_interval_ms"] or {}).get("p95"), (f["engine_onset_ms"] or {}).get("median"),
                 f["first_to_move"], f["cause"], f["main_cause"], f["quiet_kept_quiet"]]  # fmt: skip
        widths = (9, 9, 8, 8, 8, 8, 8, 8, 8)
        lines.append(
            f"{name:26}{tally.stumbles:5d}" + "".join(f"{_cell(c):>{w}}" for c, w in zip(cells, widths, strict=True))
        )
    hours = max(whole.hours, 1e-9)
    low, high = rate_bounds(whole.false, hours)
    lines += [
        "",
        f"{whole.events} events, {hours:.2f} running hours, {whole.crashed} crashed, {whole.fragments} fragments",
        f"recall            {proportion(whole.hit, whole.stumbles)}",
        f"false per hour    {whole.false / hours:.3f} [{low:.3f}, {high:.3f}] ({whole.false} in {hours:.2f} h)",
        f"cause             {proportion(sum(whole.cause), len(whole.cause))}",
        f"first to move     {proportion(sum(whole.first), len(whole.first))}",
        f"main cause        {proportion(sum(whole.main), len(whole.main))}",
        f"kept quiet        {proportion(sum(whole.quiet), len(whole.quiet))}",
        f"sensor faults     {proportion(sum(whole.wires), len(whole.wires))}, {whole.wire_false} false alarms",
        f"repair verdicts   {proportion(sum(whole.repairs), len(whole.repairs))}, {whole.repairs_wrong} wrong",
        *(f"link {key:13}{proportion(sum(v), len(v))}" for key, v in sorted(whole.links.items())),
        *(f"recall {key:11}{proportion(sum(v), len(v))}" for key, v in sorted(whole.effects.items())),
        f"calibration error {whole.calibration_error()}",
        "causes: " + ", ".join(f"{key} {n}" for key, n in sorted(whole.confusion.items())),
    ]  # fmt: skip
    return "\n".join(lines)


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, dict):
        value = value["share"]
    return f"{value:.3f}" if value < 10 else f"{value:.0f}"


def measure(
    hours: float, cars: Sequence[str], faults: Sequence[str], seed: int, *, verbose: bool
) -> tuple[Tally, dict[str, Tally]]:
    """Drive, write, read, analyse and count events until that many hours of running engine are done."""
    whole, kinds = Tally(), defaultdict[str, Tally](Tally)
    number = 0
    with TemporaryDirectory() as place:
        while whole.hours < hours:
            kind, car = choose(number, seed, faults, cars)
            folder = Path(place) / f"case_{number:05d}"
            began = time.perf_counter()
            truth = write_case(folder, Path(place) / f"{folder.name}.json", seed * 10_007 + number, kind, car)
            driven = time.perf_counter()
            result = _analysed(folder, whole)
            wrong = whole.add(truth, result)
            kinds[kind].add(truth, result)
            if verbose:
                times = f"driven in {driven - began:.1f} s, analysed in {time.perf_counter() - driven:.1f} s"
                print(
                    f"{folder.name} {car} {kind} {truth['event']['how']}: {times}",
                    *wrong,
                    sep="\n    ",
                    file=sys.stderr,
                )
            elif number % 10 == 9:
                print(f"{whole.hours:.2f} h", file=sys.stderr)
            for path in sorted(folder.rglob("*"), reverse=True):
                path.rmdir() if path.is_dir() else path.unlink()
            folder.rmdir()
            number += 1
    return whole, kinds


def _analysed(folder: Path, whole: Tally) -> Row:
    """The findings as the contract's object; an analysis that fails is counted and finds nothing."""
    try:
        return json.loads(json.dumps(analyse(read_folder(folder)).as_json()))  # type: ignore[no-any-return]
    except Exception:  # noqa: BLE001  a crash is a result of the measurement, whatever raised it
        traceback.print_exc()
        whole.crashed += 1
        return {}


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Measure the analysis on generated events.")
    parser.add_argument("--hours", type=float, default=1.0, help="hours of running engine")
    parser.add_argument("--engines", default="tuned", help="tuned, drawn, held_out, all, or names joined by commas")
    parser.add_argument("--faults", default=",".join([*KINDS, HEALTHY, HEALTHY, *PAIRS]))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, help="also write the figures there")
    parser.add_argument("--verbose", action="store_true", help="say what went wrong in each event (not for held_out)")
    options = parser.parse_args(arguments)
    if options.verbose and options.engines == "held_out":
        parser.error("the held-out cars are for measuring only; use --engines tuned with --verbose")
    whole, kinds = measure(
        options.hours, names_of(options.engines), options.faults.split(","), options.seed, verbose=options.verbose
    )
    print(report(whole, kinds))
    if options.json:
        figures = {"all": whole.figures(), "kinds": {name: tally.figures() for name, tally in sorted(kinds.items())}}
        options.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
