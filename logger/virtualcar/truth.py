"""What really happened in a drive, in the words and rules of the capture-folder contract.

Lost firings of one fault that lie less than 0.5 s of normal running apart are one stumble. `onset_s` is the instant
the first signal left normal, `engine_onset_s` the first firing that was not normal.

A supply that collapses while the engine fires on is neither a stumble nor sound: it is listed, not scored, so that a
find there counts neither for nor against.
"""

from typing import Any

import numpy as np

from logger.event import FloatArray, IntArray
from logger.virtualcar.car import Car
from logger.virtualcar.doing import doing
from logger.virtualcar.engine import RPM
from logger.virtualcar.faults import Fault

APART_S = 0.5
LOST = 0.2  # share of a firing's work that must be missing for it to count as lost
LOOK_BACK_S = 15.0
CLEAR = 0.4  # a firing weakened by less is a loss of power, not yet a stumble
COLLAPSED_S = 0.01  # from which on an open ground takes the system voltage down where anybody can see it
SCORED_FROM = 3.0  # clearly lost firings from which a careful person would see a stumble


def truth_of(car: Car, name: str) -> dict[str, Any]:
    """The truth of one drive: stumbles, distractors, knocks, running time, temperatures, what the engine was doing."""
    log = car.log
    running = log.column("running") > 0.5
    return {
        "stumbles": _stumbles(car, name),
        "distractors": _distractors(car, name),
        "failed_starts": [{"recording": name, "from_s": _ms(a), "to_s": _ms(b)} for a, b in car.driver.failed_starts],
        "doing": doing(car),
        "running_s": round(float(log.column("dt")[running].sum()), 1),
        "recording": {
            "recording": name,
            "duration_s": round(log.end_s, 2),
            "coolant_start": round(float(log.column("coolant")[0]), 1),
            "coolant_end": round(float(log.column("coolant")[-1]), 1),
            "hits": [[round(t, 3), round(g, 2)] for t, g in log.hits],
        },
    }


def _ms(t: float) -> float:
    return round(float(t), 4)


def _distractors(car: Car, name: str) -> list[dict[str, Any]]:
    rows = [(t, word) for t, word in car.driver.notes if word != "engine_stopped"]
    log = car.log
    spin = (log.column("switched") < 0.5) & (log.column("fault") < 0) & (log.column("loss") > 0.5)
    spin &= (log.column("crank") * RPM > 0.9 * car.engine.redline_rpm) & (log.column("fired") > 0.5)
    times = log.column("t")[spin]
    rows += [(float(t), "rev_limiter") for t in times[np.diff(times, prepend=-9.0) > 0.5]]
    return [{"recording": name, "t": round(t, 3), "kind": word} for t, word in sorted(rows)]


def _stumbles(car: Car, name: str) -> list[dict[str, Any]]:
    log = car.log
    lost = (log.column("fault") >= 0.0) & (log.column("loss") >= LOST) & (log.column("fired") > 0.5)
    lost &= log.column("running") > 0.5
    found: list[dict[str, Any]] = []
    for index, fault in enumerate(car.faults):
        mine = np.flatnonzero(lost & (log.column("fault") == index))
        last = 0.0
        for rows in _episodes(car, mine):
            found.append(_stumble(car, name, fault, rows))
            found[-1]["onset_s"] = max(found[-1]["onset_s"], last)
            last = found[-1]["end_s"]
        if fault.kind == "ground":
            found += _fired_on(car, name, fault, found)
    return sorted(found, key=lambda row: float(row["onset_s"]))


def _episodes(car: Car, rows: IntArray) -> list[IntArray]:
    """Rows of lost firings, split where the engine ran normally for half a second."""
    if not rows.size:
        return []
    start, end = car.log.column("t")[rows], (car.log.column("t") + car.log.column("dt"))[rows]
    return np.split(rows, np.flatnonzero(start[1:] - end[:-1] >= APART_S) + 1)


def _stumble(car: Car, name: str, fault: Fault, rows: IntArray) -> dict[str, Any]:
    log = car.log
    time, crank = log.column("t"), log.column("crank")
    first, last = int(rows[0]), int(rows[-1])
    engine_onset = float(log.column("spark_t")[first])
    end = float(time[last] + log.column("dt")[last])
    stopped = _stopped(car, first, last)
    if stopped is not None:
        end = max(end, _runs_again(car, stopped))
    span = slice(first, int(np.searchsorted(time, end + 0.3)))
    lowest = float(crank[span].min() / max(crank[first], 1.0)) if stopped is None else 0.0
    lost, effective = log.column("loss")[rows].sum(), log.column("effective")[rows].sum()
    felt = log.column("effective")[rows]
    clear = felt[felt >= CLEAR].sum()
    row = {
        "recording": name,
        "onset_s": _ms(min(_onset(car, fault, first, engine_onset), engine_onset)),
        "engine_onset_s": _ms(engine_onset),
        "end_s": _ms(end),
        "cause": fault.cause,
        "effect": _effect(car, rows, stopped, end - engine_onset),
        "lost_firings": round(float(lost)),
        "effective_lost": round(float(effective), 1),
        "min_rpm_ratio": round(lowest, 3),
        "scored": bool(clear >= SCORED_FROM or stopped is not None),
        "fault": fault.kind,
        "accept": [fault.cause],
        "after_repair": False,
    }
    if stopped is not None:
        row["stopped_s"] = _ms(stopped)
    return row


def _fired_on(car: Car, name: str, fault: Fault, stumbles: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Openings of the battery ground, while the engine ran, in which no firing was lost."""
    time, running = car.log.column("t"), car.log.column("running") > 0.5
    spans: list[list[float]] = []
    for begin, end in zip(fault.contact.opens, fault.contact.closes, strict=True):
        place = int(np.searchsorted(time, begin)) - 1
        if end - begin < COLLAPSED_S or place < 0 or not running[place]:
            continue
        if spans and begin - spans[-1][1] < APART_S:
            spans[-1][1] = end
        else:
            spans.append([begin, end])
    return [
        {"recording": name, "onset_s": _ms(begin), "engine_onset_s": _ms(begin), "end_s": _ms(end),
         "cause": fault.cause, "effect": "single_misses", "lost_firings": 0, "effective_lost": 0.0,
         "min_rpm_ratio": 1.0, "scored": False, "fault": fault.kind, "accept": [fault.cause], "after_repair": False}
        for begin, end in spans
        if not any(row["onset_s"] < end + APART_S and row["end_s"] > begin - APART_S for row in stumbles)
    ]  # fmt: skip


def _stopped(car: Car, first: int, last: int) -> float | None:
    """When the crank came to rest within a second and a half of the last lost firing, with the key on; or None."""
    log = car.log
    after = slice(first, int(np.searchsorted(log.column("t"), log.column("t")[last] + 1.5)) + 1)
    still = np.flatnonzero(log.column("crank")[after] < 2.0)
    if not still.size:
        return None
    begun, stopped = float(log.column("t")[first]), float(log.column("t")[first + still[0]])
    switched_off = any(value == 0.0 and begun < t < stopped for t, value in log.key)
    return None if switched_off else stopped


def _runs_again(car: Car, stopped: float) -> float:
    """When the driver had it running again after it stopped, or the key was off, whichever came first."""
    log = car.log
    time = log.column("t")
    again = time[(time > stopped + 0.05) & (log.column("running") > 0.5) & (log.column("crank") > 30.0)]
    off = [t for t, value in log.key if value == 0.0 and t > stopped]
    return float(min([*again[:1].tolist(), *off[:1], log.end_s]))


def _onset(car: Car, fault: Fault, first: int, engine_onset: float) -> float:
    """When the first signal left normal: the contact's opening, or pressure or voltage leaving its healthy twin."""
    log = car.log
    if fault.kind in ("plug", "crossfire", "air_leak"):
        return engine_onset
    if fault.kind in ("pump_tired", "vapour", "surge", "pump_feed"):
        short = log.column("normal_rail") - log.column("rail")
        return _left_normal(log.column("t"), short, max(0.04 * car.engine.rail_kpa, 3.0), first, engine_onset)
    if fault.kind == "charging":
        sag = log.column("normal_volts") - log.column("volts")
        return _left_normal(log.column("t"), sag, 0.6, first, engine_onset)
    begun = [t for t in fault.started if engine_onset - 0.6 <= t <= engine_onset + 0.001]
    if begun:
        return float(begun[-1])
    opened = fault.contact.opened_before(engine_onset)
    return opened if opened is not None and opened > engine_onset - 0.6 else engine_onset


def _left_normal(time: FloatArray, short: FloatArray, limit: float, first: int, engine_onset: float) -> float:
    inside = np.flatnonzero(short[: first + 1] <= limit)
    if not inside.size or inside[-1] == first:
        return engine_onset
    at = float(time[inside[-1] + 1])
    return at if engine_onset - at <= LOOK_BACK_S else engine_onset


def _effect(car: Car, rows: IntArray, stopped: float | None, seconds: float) -> str:
    if stopped is not None:
        return "stall"
    share = car.log.column("loss")[rows].sum() / max(1, int(rows[-1]) - int(rows[0]) + 1)
    if rows.size <= 2 or share < 0.45:
        return "single_misses"
    return "cutout" if seconds >= 0.3 and share > 0.8 else "hesitation"
