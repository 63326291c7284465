"""A clamp's misses are worth what the clamp is worth."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank.states import View
from logger.analysis.signs.sparks import FEWEST, all_seen, holed, overlooked_share, scoring_stretches, signs, unsparked
from logger.event import NS_PER_S, IntArray
from tests.analysis.small_car import seen, turned

MS = 1_000_000


def test_a_tach_pulse_without_a_spark_near_it_is_unsparked() -> None:
    tach = np.arange(10, dtype=np.int64) * 5 * MS
    sparks = np.delete(tach + 30_000, [4, 5])
    assert np.flatnonzero(unsparked(tach, sparks)).tolist() == [4, 5]


def test_two_misses_in_a_row_convince_where_the_clamp_never_missed() -> None:
    missing = np.zeros(20_000, bool)
    missing[[7000, 7001]] = True
    stretches = scoring_stretches(missing, overlooked_share(missing))
    assert [(first, last) for first, last, _ in stretches] == [(7000, 7001)]


def test_a_clamp_that_overlooks_one_spark_in_thirty_convicts_nobody_by_itself() -> None:
    missing = np.random.default_rng(4).random(200_000) < 1 / 30
    assert scoring_stretches(missing, overlooked_share(missing)) == []


def test_a_clamp_that_overlooks_one_spark_in_five_hundred_convicts_nobody_either() -> None:
    """Fewer than one in each block of 200, but three close together now and then."""
    missing = np.random.default_rng(6).random(2_000_000) < 2e-3
    stretches = scoring_stretches(missing, overlooked_share(missing))
    assert [s for s in stretches if np.count_nonzero(missing[s[0] : s[1] + 1]) >= FEWEST] == []


def test_the_same_clamp_still_shows_a_row_of_misses() -> None:
    missing = np.random.default_rng(4).random(200_000) < 1 / 30
    missing[50_000:50_020] = True
    stretches = scoring_stretches(missing, overlooked_share(missing))
    assert len(stretches) == 1
    assert abs(stretches[0][0] - 50_000) <= 3


def test_two_rows_far_apart_are_two_stretches() -> None:
    missing = np.zeros(20_000, bool)
    missing[500:505] = missing[9000:9010] = True
    assert [s[:2] for s in scoring_stretches(missing, 1e-4)] == [(500, 504), (9000, 9009)]


def clamped(sparks: IntArray) -> View:
    view = seen(turned((0.0, 3000.0), (20.0, 3000.0)), 20.0, {})
    pulses = {**view.recording.pulses, "spark_pulses": sparks}
    return replace(view, recording=replace(view.recording, pulses=pulses))


@pytest.mark.parametrize(("each", "tells"), [(1, True), (2, False), (4, False)])
def test_only_a_clamp_on_the_coil_of_all_cylinders_tells_of_every_spark(each: int, tells: bool) -> None:
    """Four cylinders: a clamp on the lead of one coil for all, for two, or for one."""
    tach = turned((0.0, 3000.0), (20.0, 3000.0))
    assert all_seen(clamped(tach[::each] + 30_000), 10 * NS_PER_S, 12 * NS_PER_S) is tells


@pytest.mark.parametrize(("missing", "every_one"), [(0, True), (1, True), (2, False), (16, False)])
def test_one_spark_may_lie_beyond_the_edge_of_a_stretch_and_no_more(missing: int, every_one: bool) -> None:
    tach = turned((0.0, 3000.0), (20.0, 3000.0))
    sparks = np.delete(tach, np.searchsorted(tach, 11 * NS_PER_S) + 3 * np.arange(missing))
    assert all_seen(clamped(sparks), 10 * NS_PER_S, 12 * NS_PER_S) is every_one


def test_a_clamp_that_overlooks_a_third_of_the_sparks_says_nothing() -> None:
    tach = turned((0.0, 3000.0), (20.0, 3000.0))
    overlooked = np.random.default_rng(3).random(tach.size) < 1 / 3
    overlooked[1000:1200] = False
    assert not all_seen(clamped(tach[~overlooked]), 10 * NS_PER_S, 12 * NS_PER_S)


@pytest.mark.parametrize(("missed", "found"), [(True, 1), (False, 0)])
def test_a_train_of_sparks_without_a_hole_was_whole_whatever_the_tach_wire_made_of_its_pulses(
    missed: bool, found: int
) -> None:
    """Four tach pulses that come 3 ms late, with or without their sparks."""
    tach = turned((0.0, 3000.0), (20.0, 3000.0))
    off = 1000 + np.arange(4)
    sparks = np.delete(tach + 30_000, off) if missed else tach + 30_000
    late = tach.copy()
    late[off] += 3 * MS
    view = seen(late, 20.0, {})
    pulses = {**view.recording.pulses, "spark_pulses": sparks}
    assert len(signs(replace(view, recording=replace(view.recording, pulses=pulses)))) == found


def test_every_second_spark_gone_for_seconds_is_no_even_train() -> None:
    train = np.arange(1000, dtype=np.int64) * 10 * MS
    half = np.delete(train, np.arange(401, 601, 2))
    assert holed(half, int(train[401]), int(train[599]))
    assert not holed(train, int(train[401]), int(train[599]))


def test_a_train_that_ends_in_a_stretch_was_not_whole() -> None:
    train = np.arange(400, dtype=np.int64) * 10 * MS
    assert holed(train, int(train[380]), 450 * 10 * MS)
