"""The same cylinder every time, or any: what tells one plug, its lead or its injector from parts that all share.

Firings come in a fixed order, so each has its place in the engine's cycle. A firing that was not lit leaves the next
segment longer (roughness.py). Segments are compared with the mean of the cycle around them, so that changes of speed
drop out, and averaged by place: once over the stumbles, once over the sound running between them, since a worn
distributor or an uneven crank gives every engine a pattern of its own. Where one place is longer in the stumbles by
far more than chance allows, the loss is that cylinder's. Lost firings at random, or in runs, lengthen all alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from logger.analysis.crank.pulses import Firings
from logger.analysis.crank.states import View
from logger.analysis.findings import Stumble
from logger.event import NS_PER_S, BoolArray, FloatArray

FEWEST_CYCLES = 10
OUTLIER = 0.4  # of a segment: a lost pulse, not a lost firing
STANDS_OUT = 4.5  # standard errors
LEAST = 0.001  # of a segment
AROUND_NS = 1_000_000_000  # sound running begins this far from a stumble


@dataclass(frozen=True, slots=True)
class Pattern:
    """Mean relative length of the segments at each place of a cycle, minus 1, and its standard error; float64 (n,)."""

    mean: FloatArray
    error: FloatArray

    def stands_out(self, usual: "Pattern") -> int | None:
        """The place that became longer than usual, by far and alone; None where none or more than one did."""
        longer = self.mean - usual.mean
        beyond = longer > np.maximum(STANDS_OUT * np.hypot(self.error, usual.error), LEAST)
        place = int(np.argmax(longer))
        others = np.delete(longer, place)
        return place if beyond[place] and longer[place] > 1.5 * float(others.max()) else None


def pattern(firings: Firings, chosen: BoolArray, places: int) -> Pattern | None:
    """The pattern over chosen segments, bool (number of pulses - 1,); None for fewer than 10 of them at a place.

    Segment k lies between pulses k and k + 1 and has place k modulo `places`.
    """
    if places < 2 or firings.time_ns.size < 2 * places:
        return None
    segment = np.diff(firings.time_ns).astype(np.float64)
    relative = segment / ndimage.uniform_filter1d(segment, places, mode="nearest") - 1.0
    keep = np.flatnonzero(chosen & firings.seen[:-1] & firings.seen[1:] & (np.abs(relative) < OUTLIER))
    place, value = keep % places, relative[keep]
    count = np.bincount(place, minlength=places)
    if count.min() < FEWEST_CYCLES:
        return None
    mean = np.bincount(place, value, minlength=places) / count
    square = np.bincount(place, value**2, minlength=places) / count
    return Pattern(mean, np.sqrt(np.maximum(square - mean**2, 0.0) / count))


def named(found: Sequence[Stumble], views: Sequence[View]) -> list[Stumble]:
    """The stumbles, those of one cylinder called so. Only sparks lost after the coil can be one cylinder's alone."""
    named = list(found)
    for view in views:
        own = [
            k
            for k, stumble in enumerate(named)
            if stumble.recording == view.recording.name
            and stumble.cause == "ignition_secondary"
            and stumble.sub_cause is None
        ]
        spans = [(round(named[k].onset_s * NS_PER_S), round(named[k].end_s * NS_PER_S)) for k in own]
        if is_one_cylinder(view, spans):
            for k in own:
                reasons = [*named[k].evidence_for, "the firings lost in this recording were the same cylinder's"]
                named[k] = replace(named[k], sub_cause="one_cylinder", evidence_for=reasons)
    return named


def is_one_cylinder(view: View, spans_ns: Sequence[tuple[int, int]]) -> bool:
    """Whether the stumbles of one recording (from, to) are one cylinder's: so they are in a stretch of running.

    A stretch that the engine ran through without stopping keeps its count of pulses, and so the places.
    """
    firings, engine = view.firings, view.engine
    places = round(firings.pulses_per_revolution * engine.strokes / 2)
    if firings.time_ns.size < 2 * places or not spans_ns:
        return False
    begins = firings.time_ns[:-1]
    inside, near = np.zeros(begins.size, bool), np.zeros(begins.size, bool)
    for from_ns, to_ns in spans_ns:
        inside |= (begins >= from_ns) & (begins < to_ns)
        near |= (begins >= from_ns - AROUND_NS) & (begins < to_ns + AROUND_NS)
    for number in range(int(firings.stretch[-1]) + 1):
        own = (firings.stretch[:-1] == number) & (firings.stretch[1:] == number)
        lame = pattern(firings, inside & own, places)
        usual = pattern(firings, ~near & own & view.running[:-1], places)
        if lame is not None and usual is not None and lame.stands_out(usual) is not None:
            return True
    return False
