"""How well the analysis tells what the engine was doing, against the virtual car's own controls, with counts.

    python -m tests.bench.states --events 60
    python -m tests.bench.states --events 20 --engines drawn --without throttle_position,acceleration

For each source of load a table of firings, truth down and said across; a firing within TOLERANCE_S of the next state
may be either. Then gear changes and driver's stalls by number, and what was said of stumbles that were found.
The held-out cars are not driven here.
"""

import argparse
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from logger.analysis import analyse
from logger.analysis.channels.scene import spans_of
from logger.analysis.crank import doing, pulses, starts, states, stops
from logger.analysis.crank.states import State, View
from logger.event import NS_PER_S, Event, FloatArray, IntArray, Recording, Trace
from logger.virtualcar.cases import choose, names_of, recorded
from logger.virtualcar.faults import KINDS
from logger.virtualcar.generated import HEALTHY, Case, build_case
from tests.bench.quality import proportion

TOLERANCE_S = 0.1
WORDS = [word.name.lower() for word in State]
Spans = Sequence[dict[str, Any]]


@dataclass
class Tally:
    """Counts over many recordings. firings: by source of load, (true, said). at_stumbles: true and said word."""

    firings: dict[str, IntArray] = field(
        default_factory=lambda: defaultdict(lambda: np.zeros((len(WORDS), len(WORDS)), np.int64))
    )
    changes: Counter[tuple[str, str]] = field(default_factory=Counter)
    at_stumbles: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, view: View, spans: Spans) -> None:
        """Count one recording's firings, gear changes and stalls."""
        time_s = view.firings.time_ns / NS_PER_S
        if not time_s.size:
            return
        said = doing.of(view, stops.stops(view))
        here, before, after = (truth_at(spans, time_s + shift) for shift in (0.0, -TOLERANCE_S, TOLERANCE_S))
        either = (said == here) | (said == before) | (said == after)
        source = view.load_channel or "no load channel"
        np.add.at(self.firings[source], (here, np.where(either, here, said)), 1)
        for word in (State.GEAR_CHANGE, State.STALLED):
            name = word.name.lower()
            true = [
                (span["from_s"] - TOLERANCE_S, span["to_s"] + TOLERANCE_S) for span in spans if span["state"] == name
            ]
            for begin, end in true:
                found = said[(time_s > begin) & (time_s < end)] == word
                self.changes[name, "found" if found.any() else "missed"] += 1
            for first, stop in spans_of(said == word).tolist():
                real = any(begin < time_s[stop - 1] and end > time_s[first] for begin, end in true)
                self.changes[name, "true" if real else f"false, {WORDS[here[(first + stop) // 2]]}"] += 1

    def report(self) -> str:
        """The tables as text."""
        lines = []
        for source, table in sorted(self.firings.items()):
            lines += [f"{source}: firings, truth down, said across"]
            lines += [f"{'':14}" + "".join(f"{word[:9]:>10}" for word in WORDS) + "    found"]
            for row, word in zip(table, WORDS, strict=True):
                if row.sum():
                    share = row[WORDS.index(word)] / row.sum()
                    lines += [f"{word:14}" + "".join(f"{n:10d}" for n in row.tolist()) + f"{share:9.3f}"]
            right = np.diag(table) / np.maximum(table.sum(axis=0), 1)
            lines += [f"{'right':14}" + "".join(f"{share:10.3f}" for share in right.tolist()), ""]
        for word in ("gear_change", "stalled"):
            counts = {how: n for (which, how), n in self.changes.items() if which == word}
            found, true = counts.pop("found", 0), counts.pop("true", 0)
            lines += [
                f"{word}: found {proportion(found, found + counts.pop('missed', 0))}, "
                f"of those said true {proportion(true, true + sum(counts.values()))}, the others {counts}"
            ]
        same = sum(n for (true_word, said), n in self.at_stumbles.items() if true_word == said)
        lines += [f"at stumbles: {proportion(same, self.at_stumbles.total())}"]
        wrong = {key: n for key, n in self.at_stumbles.most_common() if key[0] != key[1]}
        return "\n".join([*lines, *(f"  {true_word} said to be {said}: {n}" for (true_word, said), n in wrong.items())])


def truth_at(spans: Spans, time_s: FloatArray) -> IntArray:
    """The true state at each time, int64 (n,) of State."""
    begin = np.array([span["from_s"] for span in spans])
    word = np.array([WORDS.index(span["state"]) for span in spans])
    return np.asarray(word[np.clip(np.searchsorted(begin, time_s, side="right") - 1, 0, None)], np.int64)


def event_of(case: Case, seed: int, without: Sequence[str] = ()) -> Event:
    """A generated case as the logger would have recorded it, less some channels."""
    random = np.random.default_rng(seed)
    recordings = []
    for drive in case.drives:
        traces: dict[str, Trace] = {}
        times: dict[str, IntArray] = {}
        for channel, columns in recorded(case, drive, random).items():
            time_ns = np.rint(columns.pop("time_s") * NS_PER_S).astype(np.int64)
            if channel in without:
                continue
            if columns:
                value = np.column_stack(list(columns.values()))
                traces[channel] = Trace(time_ns, value if value.shape[1] > 1 else value[:, 0])
            else:
                times[channel] = time_ns
        recordings.append(Recording(drive.name, round(drive.duration_s * NS_PER_S), traces, times))
    return Event(case.name, case.engine, tuple(recordings))


def views_of(event: Event) -> list[View]:
    """The recordings as the analysis sees them; sound sensors are assumed."""
    nothing = np.empty((0, 2), np.int64)
    parts = [(r, pulses.clean(r.pulses["tach_pulses"], event.engine)) for r in event.recordings]
    scale = states.load_scale([(recording.traces, firings) for recording, firings in parts], event.engine)
    return [
        starts.without_standstills(states.view(r, event.engine, firings, r.traces, scale, nothing), scale)
        for r, firings in parts
    ]


def measure(n_events: int, cars: Sequence[str], seed: int, without: Sequence[str] = ()) -> Tally:
    """Drive that many events and count."""
    tally = Tally()
    for number in range(n_events):
        kind, car = choose(number, seed, [HEALTHY, HEALTHY, *KINDS], cars)
        case = build_case(f"case_{number}", seed * 10_007 + number, kind, car)
        case = replace(case, wires={})
        event = event_of(case, seed + number, without)
        spans = {drive.name: drive.truth["doing"] for drive in case.drives}
        for view in views_of(event):
            tally.add(view, spans[view.recording.name])
        for one in analyse(event).stumbles:
            true = truth_at(spans[one.recording], np.array([one.engine_onset_s - 0.03]))[0]
            tally.at_stumbles[WORDS[true], one.doing] += 1
    return tally


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure what the analysis says of the engine's states.")
    parser.add_argument("--events", type=int, default=60)
    parser.add_argument("--engines", default="tuned,drawn", help="tuned, drawn, both, or names joined by commas")
    parser.add_argument("--without", default="", help="channels to leave out, joined by commas")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if "held_out" in options.engines:
        parser.error("the held-out cars are not driven here: use tuned or drawn ones")
    cars = [name for group in options.engines.split(",") for name in names_of(group)]
    print(measure(options.events, cars, options.seed, options.without.split(",")).report())


if __name__ == "__main__":
    main()
