"""A long day is gone through in parts, and what is found does not depend on where they are cut."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger.analysis import analyse, parts, search
from logger.analysis.failure import stumbles
from logger.analysis.findings import SensorFault
from logger.analysis.parts import Part, chosen, faults_joined, gaps_joined, parts_of, spans_joined
from logger.errors import UnreadableError
from logger.event import NS_PER_S, Event, FloatArray, IntArray, Recording
from tests.analysis.array_car import NATURAL, Drive, nanoseconds

MINUTE_NS = 60 * NS_PER_S
LOST = [(21.0, 21.2), (27.0, 27.12), (44.0, 44.5)]


def pulsed(*interval_s: FloatArray) -> IntArray:
    return nanoseconds(np.cumsum(np.concatenate(interval_s)))


def recording(tach: IntArray) -> Recording:
    return Recording("r01", int(tach[-1]) + NS_PER_S, {}, {"tach_pulses": tach})


def event(*recordings: Recording) -> Event:
    return Event("a long day", NATURAL, recordings)


def edges(of: Recording) -> list[tuple[float, float | None]]:
    return [
        (part.from_ns / NS_PER_S, None if part.to_ns is None else part.to_ns / NS_PER_S) for part in parts_of(event(of))
    ]


def test_a_recording_of_half_an_hour_is_one_part() -> None:
    assert edges(recording(pulsed(np.full(29 * 6000, 0.01)))) == [(0.0, None)]


def test_a_longer_one_is_cut_where_the_crank_turns_most_evenly() -> None:
    """Speed swings by a half all along, but for ten seconds from the 1000th on."""
    time = np.arange(0.0, 2400.0, 0.01)
    swing = np.where((time > 1000.0) & (time < 1010.0), 0.0, 0.5)
    tach = nanoseconds(time + 0.005 * np.cumsum(swing * np.cos(time)) * 0.01)
    tach = np.sort(tach)
    ((_, cut), (begin, end)) = edges(recording(tach))
    assert cut == begin
    assert cut is not None
    assert 1003.0 <= cut <= 1007.0
    assert end is None


def test_nothing_is_cut_where_pulses_are_missing_or_the_engine_stands() -> None:
    even = np.full(6000, 0.01)
    tach = pulsed(np.tile(even, 14), np.tile([0.01, 0.02], 100 * 330), [500.0], np.tile([0.01, 0.02], 100 * 600))
    assert edges(recording(tach)) == [(0.0, None)]


def test_forty_minutes_of_a_longer_day_teach_evenly_chosen() -> None:
    of = [Part(number, recording(pulsed(np.full(60_000, 0.01))), 0, None) for number in range(30)]  # ten minutes each
    assert [part.number for part in chosen(of[:3])] == [0, 1, 2]
    taken = [part.number for part in chosen(of)]
    assert taken == [5, 15, 25]


def test_what_a_cut_parted_is_made_one_again() -> None:
    assert spans_joined([[(0.0, 2.0), (5.0, 9.995)], [(10.0, 12.0)], [], [(30.0, 31.0)]]) == [
        (0.0, 2.0), (5.0, 12.0), (30.0, 31.0),
    ]  # fmt: skip
    gaps = [
        {"channel": "fuel_pressure", "from_s": 5.0, "to_s": 10.0},
        {"channel": "all", "from_s": 1.0, "to_s": 2.0},
        {"channel": "fuel_pressure", "from_s": 10.0, "to_s": 11.0},
    ]
    assert [(gap["channel"], gap["from_s"], gap["to_s"]) for gap in gaps_joined(gaps)] == [
        ("all", 1.0, 2.0), ("fuel_pressure", 5.0, 11.0),
    ]  # fmt: skip
    faults = [
        SensorFault("r01", "fuel_pressure", 5.0, 10.0, "open"),
        SensorFault("r01", "fuel_pressure", 10.01, 12.0, "open"),
        SensorFault("r02", "fuel_pressure", 12.0, 13.0, "open"),
    ]
    assert [(one.recording, one.from_s, one.to_s) for one in faults_joined(faults)] == [
        ("r01", 5.0, 12.0), ("r02", 12.0, 13.0),
    ]  # fmt: skip


def several(n: int) -> Recording:
    """The drive of the array car, over and over in one recording, with three losses of the feed in each."""
    drives = [Drive(silent=LOST).recording() for _ in range(n)]
    lasts = drives[0].duration_ns

    def laid(name: str) -> IntArray:
        return np.concatenate([drive.traces[name].time_ns + k * lasts for k, drive in enumerate(drives)])

    traces = {
        name: replace(trace, time_ns=laid(name), value=np.concatenate([drive.traces[name].value for drive in drives]))
        for name, trace in drives[0].traces.items()
        if name != "coolant_temperature"  # which cannot be cold again at once
    }
    tach = np.concatenate([drive.pulses["tach_pulses"] + k * lasts for k, drive in enumerate(drives)])
    return Recording("r01", n * lasts, traces, {"tach_pulses": tach})


@pytest.fixture
def short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "PART_NS", MINUTE_NS)
    monkeypatch.setattr(parts, "SEARCHED_NS", MINUTE_NS)
    monkeypatch.setattr(parts, "LONGEST_NS", 90 * NS_PER_S)
    monkeypatch.setattr(parts, "LEARNED_FROM_NS", 4 * MINUTE_NS)


def test_the_same_is_found_in_parts_as_in_one_piece(short_parts: None, monkeypatch: pytest.MonkeyPatch) -> None:
    of = event(several(6))
    assert len(parts_of(of)) >= 5
    in_parts = analyse(of)
    monkeypatch.setattr(parts, "LONGEST_NS", 10**18)
    whole = analyse(of)
    assert len(whole.stumbles) == 18
    for one, other in zip(in_parts.stumbles, whole.stumbles, strict=True):
        assert (one.cause, one.sub_cause, one.effect, one.burst) == (
            other.cause, other.sub_cause, other.effect, other.burst,
        )  # fmt: skip
        assert (one.onset_s, one.end_s) == pytest.approx((other.onset_s, other.end_s), abs=0.001)
        assert one.lost_firings == other.lost_firings
    assert [run["from_s"] for run in in_parts.runs] == [run["from_s"] for run in whole.runs]
    assert [run["to_s"] for run in in_parts.runs] == [run["to_s"] for run in whole.runs]
    assert in_parts.gaps == whole.gaps
    assert in_parts.sensor_faults == whole.sensor_faults
    assert [one["why"] for one in in_parts.rejected] == [one["why"] for one in whole.rejected]
    assert in_parts.main_cause == whole.main_cause
    assert len(in_parts.pulls["pulls"]) == len(whole.pulls["pulls"])
    assert in_parts.links["runs"] == whole.links["runs"]


def test_a_sensor_that_is_gone_for_several_parts_has_one_gap(short_parts: None) -> None:
    of = several(6)
    pressure = of.traces["fuel_pressure"]
    there = (pressure.time_ns < 40 * NS_PER_S) | (pressure.time_ns > 350 * NS_PER_S)
    traces = {
        **of.traces,
        "fuel_pressure": replace(pressure, time_ns=pressure.time_ns[there], value=pressure.value[there]),
    }
    found = analyse(event(replace(of, traces=traces)))
    gaps = [gap for gap in found.gaps if gap["channel"] == "fuel_pressure"]
    assert [(round(gap["from_s"]), round(gap["to_s"])) for gap in gaps] == [(40, 350)]


def test_parts_gone_through_at_the_same_time_give_what_they_give_one_by_one(
    short_parts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    of = event(several(6))
    monkeypatch.setattr(search, "LONG_NS", 0)
    together = analyse(of).as_json()
    monkeypatch.setattr(search, "AT_ONCE", 1)
    assert analyse(of).as_json() == together


def test_a_part_that_cannot_be_read_is_an_error_of_the_whole(
    short_parts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    of, whole = event(several(6)), Part.read

    def read(part: Part) -> Recording:
        if part.number == 0 and part.from_ns > 4 * MINUTE_NS:
            raise UnreadableError("r01", "its file is damaged")
        return whole(part)

    monkeypatch.setattr(search, "LONG_NS", 0)
    monkeypatch.setattr(search, "chosen", lambda every: every[:2])
    monkeypatch.setattr(Part, "read", read)
    with pytest.raises(UnreadableError, match="damaged"):
        analyse(of)


def test_a_part_is_looked_at_again_only_where_the_event_says_otherwise_of_its_missing_pulses(
    short_parts: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing but the crank, and for a minute one pulse now and then that only the wire lost: those vote on others."""
    of = several(6)
    tach = of.pulses["tach_pulses"]
    single = np.searchsorted(tach, np.arange(70, 100, 4) * NS_PER_S)
    alone = event(replace(of, traces={}, pulses={"tach_pulses": np.delete(tach, single)}))
    looks = []
    find = search._find

    def counted(*given: Any) -> search.Found:
        looks.append(given)
        return find(*given)

    monkeypatch.setattr(search, "_find", counted)
    found, n_looks, n_parts = analyse(alone).as_json(), len(looks), len(parts_of(alone))
    assert n_parts < n_looks < 2 * n_parts
    monkeypatch.setattr(stumbles, "alike", lambda some, others: False)
    looks.clear()
    assert analyse(alone).as_json() == found
    assert len(looks) == 2 * n_parts
