"""Runs as people corrected them: what counts, and where one run ends and the next begins.

    split(duration_s, running, corrections) -> Split        one recording
    of_event(event, running) -> list[Split]                 every recording
    without_practice(frames, splits) -> list[Frame]

By itself the analysis takes every stretch in which the engine ran, and all of a recording as one run. Corrections are
applied in the order in which they were entered, so that a later one outweighs an earlier one:

    practice    the stretch counts neither for what brings the stumbles out nor for the verdicts on repairs
    run         it counts, as one run of its own
    split       a new run begins there
    join        what lies in it is one run
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from logger.analysis.links.frames import Frame, Interval, within
from logger.event import NS_PER_S, Correction, Event


@dataclass(frozen=True, slots=True)
class Split:
    """One recording, in seconds. counted: what is not practice. cuts: where a new run begins, sorted. runs: the
    stretches in which the engine ran, without practice, cut and joined as people said. counts_whole: no practice."""

    counted: list[Interval]
    cuts: list[float]
    runs: list[Interval]
    counts_whole: bool


def of_event(event: Event, running: Sequence[Sequence[Interval]] | None = None) -> list[Split]:
    """One for each recording; `running` in the same order is what the analysis found, without it there are no runs."""
    return [
        split(
            recording.duration_ns / NS_PER_S,
            spans,
            [one for one in event.corrections if one.recording == recording.name],
        )
        for recording, spans in zip(event.recordings, running or [()] * len(event.recordings), strict=True)
    ]


def without_practice(frames: Sequence[Frame], splits: Sequence[Split]) -> list[Frame]:
    """The frames of an event's recordings with only what counts in them."""
    return [
        cells if one.counts_whole else within(cells, one.counted) for cells, one in zip(frames, splits, strict=True)
    ]


def split(duration_s: float, running: Sequence[Interval], corrections: Sequence[Correction]) -> Split:
    """Apply the corrections of one recording."""
    counted: list[Interval] = [(0.0, duration_s)]
    joined: list[Interval] = []
    cuts: set[float] = set()
    for one in corrections:
        from_s, to_s = one.from_ns / NS_PER_S, duration_s if one.to_ns is None else one.to_ns / NS_PER_S
        if one.action == "split":
            cuts.add(from_s)
            joined = _without(joined, from_s, from_s)
            continue
        cuts = {at for at in cuts if not from_s < at < to_s}
        joined = _without(joined, from_s, to_s)
        if one.action == "practice":
            counted = _without(counted, from_s, to_s)
        else:
            joined.append((from_s, to_s))
        if one.action == "run":
            counted = _united([*counted, (from_s, min(to_s, duration_s))])
        if one.action != "join":
            cuts |= {from_s, to_s}
    inner = sorted(at for at in cuts if 0.0 < at < duration_s)
    counts_whole = len(counted) == 1 and counted[0] == (0.0, duration_s)
    return Split(counted, inner, _runs(running, counted, inner, joined), counts_whole)


def sentences(event: Event) -> list[str]:
    """What does not count because people said so, and did not take it back by saying otherwise later."""
    return [
        f"{recording.name}, {from_s:.1f} s to "
        f"{'its end' if to_s >= recording.duration_ns / NS_PER_S else f'{to_s:.1f} s'}: entered as practice, "
        "so it counts neither for what brings the stumbles out nor for the verdicts on repairs."
        for recording, one in zip(event.recordings, of_event(event), strict=True)
        for from_s, to_s in _practice(recording.duration_ns / NS_PER_S, one.counted)
    ]


def _practice(duration_s: float, counted: Iterable[Interval]) -> list[Interval]:
    left: list[Interval] = [(0.0, duration_s)]
    for from_s, to_s in counted:
        left = _without(left, from_s, to_s)
    return left


def _without(spans: Iterable[Interval], from_s: float, to_s: float) -> list[Interval]:
    """The spans with this stretch taken out; an empty stretch cuts the one it lies in."""
    left = [part for a, b in spans for part in ((a, min(b, from_s)), (max(a, to_s), b))]
    return [(a, b) for a, b in left if b > a]


def _united(spans: Iterable[Interval]) -> list[Interval]:
    """The spans in their order, those that touch or overlap made one."""
    out: list[Interval] = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return out


def _runs(
    running: Sequence[Interval], counted: list[Interval], cuts: list[float], joined: list[Interval]
) -> list[Interval]:
    edges = sorted({0.0, *cuts, *(at for span in counted for at in span), *(at for span in running for at in span)})
    pieces: list[Interval] = []
    for a, b in pairwise(edges):
        middle = (a + b) / 2
        if not (_holds(counted, middle) and _holds(running, middle)):
            continue
        last = pieces[-1] if pieces else None
        goes_on = last is not None and last[1] == a and a not in cuts
        if last is not None and (goes_on or any(low <= last[0] and b <= high for low, high in joined)):
            pieces[-1] = (last[0], b)
        else:
            pieces.append((a, b))
    return pieces


def _holds(spans: Iterable[Interval], at_s: float) -> bool:
    return any(a <= at_s < b for a, b in spans)
