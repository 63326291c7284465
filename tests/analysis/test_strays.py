"""Edges beside tach pulses: sparks that stray, or a wire that is at fault itself."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.failure import tach_faults
from logger.analysis.failure.episodes import Episode
from logger.analysis.findings import FaultKind, Findings, SensorFault
from logger.analysis.signs import strays
from logger.analysis.signs.sign import Sign
from logger.event import Event, IntArray
from tests.analysis.array_car import NATURAL, Drive
from tests.analysis.small_car import drawn, seen, turned

S = 1_000_000_000
STEADY = turned((0.0, 3000.0), (12.0, 3000.0))  # a pulse every 10 ms
FROM = int(np.searchsorted(STEADY, 4 * S))


def burst(extra: IntArray) -> list[strays.Burst]:
    """What is said of a drive at 3,000 rev/min with these edges besides its pulses."""
    return strays.bursts(seen(np.sort(np.concatenate((STEADY, extra))), 12.0, {}))


def behind(places: IntArray, random: np.random.Generator) -> IntArray:
    """Edges 0.2 to 1.4 ms behind pulses FROM + places."""
    return np.asarray(STEADY[FROM + places] + random.integers(200_000, 1_400_000, places.size))


def test_edges_behind_some_pulses_are_told_from_edges_at_any_time() -> None:
    random = np.random.default_rng(1)
    some = np.sort(random.choice(100, 12, replace=False))
    (by_sparks,) = burst(behind(some, random))
    (by_wire,) = burst(np.sort(random.integers(4 * S, 5 * S, 12)))
    assert by_sparks.sign.strength > 10.0
    assert by_wire.sign.strength < -5.0


def test_a_wire_that_bounces_behind_most_pulses_is_at_fault() -> None:
    random = np.random.default_rng(2)
    (found,) = burst(behind(np.flatnonzero(random.random(100) < 0.6), random))
    assert found.sign.strength < 0.0


def test_a_wire_that_leaves_edges_beside_its_pulses_all_along_says_nothing_of_sparks() -> None:
    random = np.random.default_rng(5)
    all_along = STEADY[random.random(STEADY.size) < 0.05] + 300_000
    view = seen(np.sort(np.concatenate((STEADY, all_along))), 12.0, {})
    assert strays.habit(view) == pytest.approx(0.05, abs=0.02)
    assert strays.bursts(view) == []
    for until_s in (12.0, 6.0):  # on a short recording, too
        edges = np.sort(np.concatenate((STEADY, behind(np.arange(0, 90, 8), random))))
        once = seen(edges[edges < until_s * S], until_s, {})
        assert strays.habit(once) == 0.0
        assert len(strays.bursts(once)) == 1


def test_edges_behind_one_cylinder_are_told_from_edges_behind_any() -> None:
    random = np.random.default_rng(3)
    (one,) = burst(behind(np.arange(0, 48, 8), random))
    (any_,) = burst(behind(np.array([0, 5, 11, 18, 22, 33]), random))
    assert one.one_place > 5.0
    assert any_.one_place < 0.0


@pytest.mark.parametrize(("n", "said"), [(2, 0), (3, 1)])
def test_two_edges_are_no_burst(n: int, said: int) -> None:
    assert len(burst(behind(np.arange(0, 8 * n, 8), np.random.default_rng(4)))) == said


def test_no_edges_and_no_pulses_say_nothing() -> None:
    assert strays.bursts(seen(np.empty(0, np.int64), 3.0, {})) == []
    assert burst(np.empty(0, np.int64)) == []
    assert not strays.of_sparks([[]], [[]], 600.0)


@pytest.mark.parametrize(
    ("slows_to", "lifts_to", "strayed"),
    [(2850.0, 60.0, True), (3000.0, 60.0, False), (2850.0, 5.0, False)],  # a loose pin that a lift shakes
)
def test_edges_that_come_where_the_crank_slows_behind_a_throttle_that_stays_were_sparks(
    slows_to: float, lifts_to: float, strayed: bool
) -> None:
    """Five bursts of a fifth of a second, each behind a third of the pulses."""
    random = np.random.default_rng(7)
    begins = (8.0, 15.0, 21.0, 30.0, 37.0)
    points = [(at + off, rpm) for at in begins for off, rpm in ((0.0, 3000.0), (0.2, slows_to), (0.6, 3000.0))]
    tach = turned((0.0, 3000.0), *points, (45.0, 3000.0))
    tach += np.rint(random.normal(0.0, 50_000, tach.size)).astype(np.int64)
    extra = [own[::3] + 300_000 for at in begins if (own := tach[(tach > at * S) & (tach < (at + 0.2) * S)]).size]
    lifts = [
        (at + off, value) for at in begins for off, value in ((-0.1, 60), (0, lifts_to), (0.2, lifts_to), (0.3, 60))
    ]
    throttle = {"throttle_position": drawn(45.0, (0.0, 60.0), *lifts, (45.0, 60.0))}
    found = strays.bursts(seen(np.sort(np.concatenate((tach, *extra))), 45.0, throttle))
    assert len(found) == len(begins)
    assert bool(np.mean([burst.rank for burst in found]) < 0.1) is strayed
    assert strays.of_sparks([found], [[]], 45.0) is strayed


def test_where_pulses_are_missing_nobody_knows_what_edges_lie_beside() -> None:
    extra = behind(np.arange(0, 90, 9), np.random.default_rng(6))
    gone = FROM + np.arange(4, 90, 4)
    tach = np.sort(np.concatenate((np.delete(STEADY, gone), extra)))
    assert len(burst(extra)) == 1
    assert strays.bursts(seen(tach, 12.0, {})) == []


@pytest.mark.parametrize(
    ("late_s", "lasts_s", "strayed"),
    [(0.15, 0.3, True), (0.4, 0.3, False), (0.15, 40.0, False)],  # of losses that last half of the day some are met
)
def test_bursts_must_meet_losses_more_often_than_by_chance(late_s: float, lasts_s: float, strayed: bool) -> None:
    """Three bursts of half a second; a loss that begins so long after the end of two of them, and lasts so long."""
    ends_s = (100.0, 200.0, 300.0)
    bursts = [
        strays.Burst(Sign("stray_edges", "tach_pulses", int((end - 0.5) * S), int(end * S), 5.0, 4.0), 0.0, np.nan)
        for end in ends_s
    ]
    losses = [
        Sign("lean", "air_fuel_ratio", int((end + late_s) * S), int((end + late_s + lasts_s) * S)) for end in ends_s[:2]
    ]
    assert strays.of_sparks([bursts], [losses], 320.0) is strayed


BEGINS_S = (13.0, 20.0, 22.5)  # of stretches of 0.6 s


def drive(*, clamp_misses: tuple[float, ...], period: int | None = None) -> Findings:
    """A drive with stray edges behind every sixth firing or so in three stretches, or behind each `period`th.

    clamp_misses: the stretches in which the clamp on the coil lead sees none of the sparks.
    """
    random = np.random.default_rng(5)
    recording = Drive().recording()
    tach = recording.pulses["tach_pulses"]
    extra, unseen = [], np.zeros(tach.size, bool)
    for begin_s in BEGINS_S:
        first, last = np.searchsorted(tach, [int(begin_s * S), int((begin_s + 0.6) * S)])
        inside = np.arange(first, last)
        inside = inside[inside % period == 0] if period else inside[random.random(inside.size) < 0.16]
        extra.append(tach[inside] + random.integers(200_000, 900_000, inside.size))
        unseen[first:last] |= begin_s in clamp_misses
    pulses = {"tach_pulses": np.sort(np.concatenate((tach, *extra))), "spark_pulses": tach[~unseen] + 30_000}
    found = analyse(Event("stray", NATURAL, (replace(recording, pulses={**recording.pulses, **pulses}),)))
    assert [fault for fault in found.sensor_faults if fault.channel == "tach_pulses"] == []
    return found


def test_edges_that_came_with_lost_sparks_tell_of_losses_where_nothing_else_shows() -> None:
    found = drive(clamp_misses=BEGINS_S[:2])
    assert [round(stumble.onset_s, 1) for stumble in found.stumbles] == pytest.approx(BEGINS_S, abs=0.2)
    assert {stumble.cause for stumble in found.stumbles} == {"ignition_secondary"}
    assert any("spark that strays" in reason for reason in found.stumbles[0].evidence_for)


def test_edges_that_nothing_confirms_are_neither_a_stumble_nor_a_fault_of_the_wire() -> None:
    found = drive(clamp_misses=())
    assert found.stumbles == []
    assert sum("loose pin" in row["why"] for row in found.rejected) == 3


def test_edges_behind_one_cylinder_need_no_other_witness() -> None:
    found = drive(clamp_misses=(), period=8)
    assert len(found.stumbles) == 3
    assert {stumble.cause for stumble in found.stumbles} == {"ignition_secondary"}


def test_where_sparks_stray_what_touches_a_stumble_is_theirs_and_what_lies_apart_the_wires() -> None:
    view = seen(STEADY, 12.0, {})
    stumble = Episode(view, (Sign("lean", "air_fuel_ratio", 4 * S, 5 * S),))
    said: tuple[tuple[float, FaultKind], ...] = ((4.5, "extra_pulses"), (5.05, "dropped_pulses"), (7.0, "extra_pulses"))
    faults = [SensorFault("r01", "tach_pulses", from_s, from_s + 0.1, kind, "") for from_s, kind in said]
    assert tach_faults.apart(faults, [stumble]) == faults[2:]
