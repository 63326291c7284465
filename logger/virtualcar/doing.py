"""What engine and driver really did in a drive, from the driver's own controls: the truth of the engine's states.

Words are those of logger/analysis/crank/doing.py. Where both could be said the driver's act goes first: a gear change
is one from the lift to the clutch's return, and an engine near its idle speed behind a closed throttle idles, whatever
the gear.
"""

from itertools import pairwise
from typing import Any

import numpy as np

from logger.event import FloatArray
from logger.virtualcar.car import Car
from logger.virtualcar.engine import RPM

STARTS_FOR_S = 1.5  # from the first turns by itself, as the analysis has it
SHUT, HARD = 0.03, 0.7  # throttle, 0 to 1
NEAR_IDLE = 1.35  # of idle speed
EVEN_PER_S, OVER_S = 0.1, 0.25  # relative change of crank speed, and the time on either side that it is taken over
STANDS_RADS, DRAGGED_RADS = 2.0, 4.0  # the driver presses the clutch again at 30 rev/min


def doing(car: Car) -> list[dict[str, Any]]:
    """Spans {"from_s", "to_s", "state"} of one drive, end to end; "off" where the crank stands."""
    log = car.log
    time, crank = log.column("t"), log.column("crank")
    word = np.where(_even(time, crank) & (log.column("throttle") < HARD), "steady", "pulling").astype("<U16")
    shut = log.column("throttle") < SHUT
    word[shut] = "overrun"
    word[(log.column("gear") < 0.5) | (log.column("clutch") < 1.0)] = "clutch_in"
    word[shut & (crank * RPM < NEAR_IDLE * car.engine.idle_rpm)] = "idle"
    for at, note in car.driver.notes:
        first = int(np.searchsorted(time, at))
        if note == "gear_change":
            word[first : _first(log.column("clutch") >= 1.0, _first(log.column("clutch") < 1.0, first))] = note
        elif note == "driver_stall":
            dragged = _first(log.column("clutch") >= 1.0, first)
            stands, pressed = _first(crank < DRAGGED_RADS, dragged), _first(log.column("clutch") < 1.0, dragged)
            word[first : min(stands, pressed)] = "stalled" if stands <= pressed else "clutch_in"
        elif note == "cranking":
            word[first : _starter_ends(car, first)] = note
    for first in np.flatnonzero((word[:-1] == "cranking") & (word[1:] != "cranking")).tolist():
        word[first + 1 : np.searchsorted(time, time[first + 1] + STARTS_FOR_S)] = "starting"
    word[~_key_on(car, time)] = "switched_off"
    word[(crank < STANDS_RADS) & (word != "cranking")] = "off"
    edges = [0, *(np.flatnonzero(word[1:] != word[:-1]) + 1).tolist(), word.size]
    ends = [*time.tolist(), log.end_s]
    return [{"from_s": round(ends[a], 4), "to_s": round(ends[b], 4), "state": str(word[a])} for a, b in pairwise(edges)]


def _first(mask: np.ndarray[Any, np.dtype[np.bool_]], after: int) -> int:
    """Index of the first true value from `after` on; the end where there is none."""
    found = np.flatnonzero(mask[after:])
    return after + int(found[0]) if found.size else mask.size


def _even(time: FloatArray, crank: FloatArray) -> np.ndarray[Any, np.dtype[np.bool_]]:
    before, after = (np.maximum(np.interp(time + step, time, crank), 1.0) for step in (-OVER_S, OVER_S))
    return np.asarray(np.abs(np.log(after / before)) < 2.0 * OVER_S * EVEN_PER_S)


def _starter_ends(car: Car, first: int) -> int:
    """Index at which this use of the starter ended: its current stays away, or the engine turns by itself."""
    drawn = np.flatnonzero(car.log.column("starter_a")[first:] > 0.0)
    time = car.log.column("t")[first + drawn]
    gap = np.flatnonzero(np.diff(time) > 0.5)
    return first + int(drawn[gap[0] if gap.size else -1]) + 1 if drawn.size else first


def _key_on(car: Car, time: FloatArray) -> np.ndarray[Any, np.dtype[np.bool_]]:
    times, values = np.array([(-1.0, 0.0), *car.log.key]).T
    return np.asarray(values[np.searchsorted(times, time, side="right") - 1] > 0.5)
