"""Bursts of stumbles: what is counted.

A burst is all stumbles that start within 3 s of the end of the one before, because one bad contact gives thirty
cut-outs in a row. While it lasts, and 3 s beyond, no new one can begin: that time is no exposure ("dead time" of a
counter). What remains is the time *at risk*; with it the begins of bursts form a counting process whose intensity is
the rate sought (P. K. Andersen and others, Statistical Models Based on Counting Processes, 1993, ch. II), so a rate
over time at risk is neither thinned nor inflated by the way stumbles come in crowds.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logger.analysis.findings import Stumble
from logger.event import FloatArray

BURST_GAP_S = 3.0


def bursts(stumbles: Sequence[Stumble], recording: str) -> FloatArray:
    """Begin and end (k, 2), seconds, of the bursts in one recording: gaps under BURST_GAP_S join stumbles."""
    spans = sorted((s.onset_s, max(s.onset_s, s.end_s)) for s in stumbles if s.recording == recording)
    joined: list[list[float]] = []
    for begin, end in spans:
        if joined and begin - joined[-1][1] <= BURST_GAP_S:
            joined[-1][1] = max(joined[-1][1], end)
        else:
            joined.append([begin, end])
    return np.array(joined, dtype=float).reshape(-1, 2)


def numbered(stumbles: Sequence[Stumble]) -> list[Stumble]:
    """The same stumbles, in time order, each with the number of its burst in the event."""
    found: list[Stumble] = []
    end_s = 0.0
    for stumble in stumbles:
        last = found[-1] if found else None
        goes_on = last is not None and last.recording == stumble.recording and stumble.onset_s - end_s <= BURST_GAP_S
        burst = 1 if last is None else last.burst + (not goes_on)
        end_s = max(end_s if goes_on else 0.0, stumble.onset_s, stumble.end_s)
        found.append(replace(stumble, burst=burst))
    return found
