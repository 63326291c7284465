"""The whole analysis on a drive made of arrays: what must never change, and what hardly any signal is needed for."""

import json
from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.findings import Findings
from logger.event import NS_PER_S, Engine, Event, Recording, Trace
from tests.analysis.array_car import NATURAL, Drive

OPENED = [(21.0, 21.2), (27.0, 27.12), (44.0, 44.5)]
FEED = Drive(silent=OPENED).recording()


def findings(*recordings: Recording, engine: Engine = NATURAL) -> Findings:
    return analyse(Event("properties", engine, recordings))


def without(recording: Recording, *channels: str) -> Recording:
    traces = {name: trace for name, trace in recording.traces.items() if name not in channels}
    return replace(recording, traces=traces)


def test_three_losses_of_the_feed_are_found_dated_and_named() -> None:
    found = findings(FEED)
    assert [s.onset_s for s in found.stumbles] == pytest.approx([at for at, _ in OPENED], abs=0.015)
    assert {s.cause for s in found.stumbles} == {"ignition_primary"}
    assert {s.sub_cause for s in found.stumbles} == {"feed"}
    assert found.main_cause == "ignition_primary"
    for stumble, (start, stop) in zip(found.stumbles, OPENED, strict=True):
        assert stumble.lost_firings == pytest.approx((stop - start) * 150, rel=0.5)
        assert start <= stumble.engine_onset_s <= start + 0.02
        assert stumble.sentence
        assert stumble.evidence_for


def test_the_findings_are_json_whose_probabilities_add_up() -> None:
    found = json.loads(json.dumps(findings(FEED).as_json(), allow_nan=False))
    for stumble in found["stumbles"]:
        assert sum(stumble["probability"].values()) == pytest.approx(1.0, abs=1e-3)
        assert stumble["first_to_move"] == stumble["order"][0]["channel"]
        assert stumble["onset_s"] <= stumble["engine_onset_s"] <= stumble["end_s"]


def test_the_tach_wire_alone_is_enough_to_find_them() -> None:
    found = findings(without(FEED, *FEED.traces))
    assert [s.onset_s for s in found.stumbles] == pytest.approx([at for at, _ in OPENED], abs=0.015)
    assert any("battery" in sentence for sentence in found.not_judged)


def test_a_driver_turning_the_key_off_is_no_stumble() -> None:
    assert findings(without(Drive().recording(), "key_sense")).stumbles == []


@pytest.mark.parametrize("pulses", [[], [5 * NS_PER_S]])
def test_no_pulses_or_one_say_that_nothing_could_be_judged(pulses: list[int]) -> None:
    found = findings(replace(FEED, pulses={"tach_pulses": np.array(pulses, np.int64)}))
    assert found.stumbles == []
    assert any("Too few tach pulses" in sentence for sentence in found.not_judged)


def test_an_unknown_redline_is_asked_for() -> None:
    event = Event("rest", replace(NATURAL, redline_rpm=None), (Recording("r01", NS_PER_S),))
    assert any("redline_rpm" in sentence for sentence in analyse(event).not_judged)
    known = replace(event, engine=replace(NATURAL, redline_rpm=6500.0))
    assert not any("redline_rpm" in sentence for sentence in analyse(known).not_judged)


def test_empty_channels_are_as_good_as_absent_ones() -> None:
    nothing = Trace(np.empty(0, np.int64), np.empty(0))
    vector = Trace(np.empty(0, np.int64), np.empty((0, 3)))
    empty = {name: vector if name == "acceleration" else nothing for name in FEED.traces}
    found = findings(replace(FEED, traces=empty))
    assert [s.onset_s for s in found.stumbles] == pytest.approx([at for at, _ in OPENED], abs=0.015)


def test_an_event_without_recordings_is_empty() -> None:
    assert findings().stumbles == []
    assert findings().main_cause is None


def test_progress_rises_to_one() -> None:
    seen: list[float] = []
    analyse(Event("progress", NATURAL, (FEED, replace(FEED, name="r02"))), progress=seen.append)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
