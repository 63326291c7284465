"""What is said about a stumble, in words."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.failure.causes import Evidence, Verdict
from logger.analysis.failure.evidence import NAMES, likely, rivals, summary
from logger.analysis.findings import Stumble
from logger.event import CAUSES, NS_PER_S, Cause, Event
from tests.analysis.array_car import NATURAL, Drive


def verdict(cause: Cause, **shares: float) -> Verdict:
    probability: dict[Cause, float] = dict.fromkeys(CAUSES, 0.0)
    return Verdict(cause, probability | shares, None, [Evidence("so it was", {cause: 1.0})])  # type: ignore[arg-type]


def stumble(cause: Cause, lost: int) -> Stumble:
    return Stumble("r01", 1.0, 1.0, 2.0, cause, {}, "tach_pulses", [], "cutout", lost, 0.9)


def test_every_cause_word_has_its_words() -> None:
    assert set(NAMES) == set(CAUSES)


@pytest.mark.parametrize(("share", "words"), [(1.0, "over 99 %"), (0.93, "93 %"), (0.001, "under 1 %")])
def test_a_probability_is_never_certain_in_words(share: float, words: str) -> None:
    assert likely(share) == words


def test_rivals_are_what_the_signals_leave_open_by_a_twentieth_or_more() -> None:
    found = rivals(verdict("ignition_primary", ignition_primary=0.9, supply_voltage=0.06, fuel_delivery=0.04))
    assert found == ["system voltage collapsed first (6 %)"]


def test_the_high_tension_side_is_never_named_without_what_looks_the_same() -> None:
    found = rivals(verdict("ignition_secondary", ignition_secondary=1.0))
    assert len(found) == 1
    assert "injector" in found[0]
    assert "air leak" in found[0]
    of_one = replace(verdict("ignition_secondary", ignition_secondary=1.0), sub_cause="one_cylinder")
    assert "that cylinder's injector" in rivals(of_one)[0]


def test_the_summary_counts_stumbles_firings_and_those_of_the_main_cause() -> None:
    some = [stumble("ignition_primary", 20), stumble("ignition_primary", 12), stumble("fuel_delivery", 8)]
    said = summary(some, "ignition_primary")
    assert "3 times" in said
    assert "about 40 firings" in said
    assert "in 2 of these" in said
    assert summary([], None) == "No stumble was found."
    assert "once and lost 1 firing:" in summary([stumble("fuel_delivery", 1)], "fuel_delivery")


def test_what_speaks_for_and_against_a_cause_is_listed_apart_and_the_sentence_names_time_and_first_signal() -> None:
    drive = Drive(silent=[(20.0, 20.2)])
    [found] = drive.findings().stumbles
    assert found.cause == "ignition_primary"
    assert "At 19.995 s of r01" in found.sentence  # half a sample before 20 s
    assert "ignition feed voltage" in found.sentence
    assert any("while the battery held" in words for words in found.evidence_for)
    assert not set(found.evidence_for) & set(found.evidence_against)


def test_a_starved_engine_of_which_every_spark_was_seen_is_the_fuels() -> None:
    recording = Drive().recording()
    tach = recording.pulses["tach_pulses"]
    rail = recording.traces["fuel_pressure"]
    starved = (rail.time_ns > 20.5 * NS_PER_S) & (rail.time_ns < 21.5 * NS_PER_S)
    traces = {**recording.traces, "fuel_pressure": replace(rail, value=np.where(starved, 100.0, rail.value))}
    pulses = {**recording.pulses, "spark_pulses": tach + 30_000}
    [found] = analyse(Event("starved", NATURAL, (replace(recording, traces=traces, pulses=pulses),))).stumbles
    assert found.cause == "fuel_delivery"
    assert any("fuel pressure fell" in words for words in found.evidence_for)
