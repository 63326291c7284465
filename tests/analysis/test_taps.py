"""A measuring wire that comes off, told from a coil without current by all recordings of an event together."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.channels import sensor_faults, taps
from logger.event import NS_PER_S, Engine, Event, Recording
from tests.analysis.small_car import drawn, turned

CRANK = Engine(cylinders=4, tach_pulses_per_revolution=2.0, tach_source="crank", idle_rpm=900.0, redline_rpm=6500.0)
UNTIL_S, BEGIN_S, SLOWS_S = 40.0, 15.0, 4.0


def driven(loses_per_s: float, channel: str = "ignition_feed_voltage") -> Recording:
    """40 s at 4,000 rev/min; for 4 s from 15 s on a voltage reads nothing 0.2 s of each half, while the crank slows."""
    slow_rpm = 4000.0 * float(np.exp(-loses_per_s * SLOWS_S))
    tach = turned((0.0, 4000.0), (BEGIN_S, 4000.0), (BEGIN_S + SLOWS_S, slow_rpm), (UNTIL_S, slow_rpm), engine=CRANK)
    trace = drawn(UNTIL_S, (0, 13.4), (UNTIL_S, 13.4))
    since_s = trace.time_ns / NS_PER_S - BEGIN_S
    off = (since_s >= 0.0) & (since_s < SLOWS_S) & (since_s % 0.5 < 0.2)
    noise = np.random.default_rng(1).normal(0.0, 0.01, off.size)
    reads = replace(trace, value=np.where(off, 0.0, trace.value) + noise)
    return Recording("r01", round(UNTIL_S * NS_PER_S), {channel: reads}, {"tach_pulses": tach})


def liars(*recordings: Recording, engine: Engine = CRANK) -> frozenset[str]:
    return taps.liars([(one, sensor_faults.find(one, engine)) for one in recordings], engine)


@pytest.mark.parametrize("channel", taps.VOLTAGES)
def test_a_wire_that_came_off_in_one_recording_came_off_in_another_where_the_car_braked(channel: str) -> None:
    held, braked = driven(0.0, channel), driven(0.15, channel)
    assert sensor_faults.find(braked, CRANK) == []
    assert liars(held, braked) == {channel}
    (fault,) = sensor_faults.find(braked, CRANK, liars=frozenset({channel}))
    assert (fault.channel, fault.kind) == (channel, "intermittent")
    assert (fault.from_s, fault.to_s) == pytest.approx((BEGIN_S, BEGIN_S + 3.7), abs=0.05)


def test_a_crank_that_slows_each_time_had_lost_its_sparks() -> None:
    assert liars(driven(0.0), driven(0.3)) == set()


def test_without_any_proof_nothing_is_known() -> None:
    assert liars(driven(0.05), driven(0.05)) == set()


def test_where_pulses_come_from_the_coil_they_tell_by_themselves() -> None:
    assert liars(driven(0.0), driven(0.15), engine=replace(CRANK, tach_source="coil_negative")) == set()


def test_what_a_key_turned_off_takes_away_does_not_vote() -> None:
    """The feed goes half a second before the crank stands, having lost two thirds of its speed."""
    held = driven(0.0)
    trace, tach = held.traces["ignition_feed_voltage"], held.pulses["tach_pulses"]
    off_ns = round(39.5 * NS_PER_S)
    runs_down = turned((39.5, 4000.0), (39.95, 1300.0), engine=CRANK)
    switched_off = replace(
        held,
        traces={"ignition_feed_voltage": replace(trace, value=np.where(trace.time_ns > off_ns, 0.0, trace.value))},
        pulses={"tach_pulses": np.concatenate((tach[tach < off_ns], runs_down))},
    )
    assert liars(held, switched_off, switched_off, switched_off) == {"ignition_feed_voltage"}


def test_an_event_whose_wire_came_off_twice_has_no_stumble() -> None:
    recordings = (driven(0.0), replace(driven(0.15), name="r02"))
    found = analyse(Event("wire", CRANK, recordings))
    assert found.stumbles == []
    assert [fault.recording for fault in found.sensor_faults] == ["r01", "r02"]
