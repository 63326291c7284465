"""Edges to firings: what is kept, what is filled in, what is thrown out, where the engine stopped."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from logger.analysis.crank import pulses, tach_noise
from logger.analysis.crank.phase import LONG, SHORT
from logger.analysis.crank.pulses import clean
from logger.event import Engine, IntArray

FOUR = Engine(cylinders=4, idle_rpm=900, redline_rpm=6500)
MS = 1_000_000


def even(count: int, interval_ms: float = 5.0, start_ms: float = 0.0) -> IntArray:
    return np.rint((start_ms + np.arange(count) * interval_ms) * MS).astype(np.int64)


def test_an_even_train_stays_as_it_is() -> None:
    firings = clean(even(200), FOUR)
    assert firings.time_ns.tolist() == even(200).tolist()
    assert firings.seen.all()
    assert firings.extra_ns.size == 0


def test_speed_is_pulses_over_time_over_pulses_per_revolution() -> None:
    # 5 ms between pulses, two pulses a turn: 10 ms a turn, 100 turns a second.
    assert clean(even(50), FOUR).speed_rps == pytest.approx(np.full(50, 100.0))


@pytest.mark.parametrize("missing", [1, 2, 5, 40])
def test_missing_pulses_are_counted_and_put_where_they_were_due(missing: int) -> None:
    edges = np.delete(even(200), slice(80, 80 + missing))
    firings = clean(edges, FOUR)
    assert firings.missing_runs().tolist() == [[80, 80 + missing]]
    assert firings.time_ns == pytest.approx(even(200), abs=0.2 * MS)


def test_an_extra_edge_between_two_firings_is_thrown_out() -> None:
    edges = np.sort(np.append(even(200), 80 * 5 * MS + int(1.3 * MS)))
    firings = clean(edges, FOUR)
    assert firings.extra_ns.tolist() == [80 * 5 * MS + int(1.3 * MS)]
    assert firings.seen.all()
    assert firings.time_ns.tolist() == even(200).tolist()


def test_a_wire_that_doubles_every_tenth_pulse_still_gives_the_firings() -> None:
    bounce = even(200)[5::10] + int(0.6 * MS)
    firings = clean(np.sort(np.append(even(200), bounce)), FOUR)
    assert firings.time_ns.tolist() == even(200).tolist()
    assert firings.extra_ns.tolist() == bounce.tolist()


def test_a_crank_that_really_slows_has_lost_no_pulse() -> None:
    interval = 5.0 * 1.01 ** np.arange(120)  # a hundredth longer each firing, down to a third of the speed
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), FOUR)
    assert firings.seen.all()
    assert firings.extra_ns.size == 0


def test_a_crank_dragged_to_a_stop_has_lost_no_pulse() -> None:
    # A start-line stall as measured: the last intervals grow, then silence, then the starter.
    interval = [31.0] * 40 + [32.0, 34.0, 37.4, 45.2, 98.0, 1500.0] + [114.0] * 8
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), FOUR)
    assert firings.seen.all()
    assert firings.bounds().size == 3


def test_a_silence_of_more_than_three_seconds_ends_the_stretch() -> None:
    firings = clean(np.concatenate((even(100), even(100, start_ms=4000.0))), FOUR)
    assert firings.bounds().tolist() == [0, 100, 200]
    assert firings.seen.all()


def test_pulses_that_return_at_cranking_speed_begin_a_new_stretch() -> None:
    cranking = even(20, interval_ms=110.0, start_ms=99 * 33.0 + 1200.0)
    firings = clean(np.concatenate((even(100, interval_ms=33.0), cranking)), FOUR)
    assert firings.bounds().tolist() == [0, 100, 120]


def test_a_stretch_that_holds_no_pulse_any_more_has_no_bounds() -> None:
    firings = replace(clean(even(5), FOUR), stretch=np.array([0, 0, 2, 2, 5], np.int32))
    assert firings.bounds().tolist() == [0, 2, 4, 5]


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_fewer_than_four_edges_are_no_firings(count: int) -> None:
    firings = clean(even(count), FOUR)
    assert firings.time_ns.size == 0
    assert firings.bounds().tolist() == [0]


def test_duplicates_and_disorder_do_no_harm() -> None:
    edges = np.concatenate((even(100), even(100)[::3]))
    firings = clean(np.random.default_rng(1).permutation(edges), FOUR)
    assert firings.time_ns.tolist() == even(100).tolist()


@settings(max_examples=30, deadline=None)
@given(
    cylinders=st.integers(1, 8),
    rpm=st.floats(1200, 7000),
    jitter=st.floats(0, 0.03),
    gap=st.integers(2, 12),
    seed=st.integers(0, 1000),
)
def test_a_gap_is_found_for_any_engine_speed_and_jitter(
    cylinders: int, rpm: float, jitter: float, gap: int, seed: int
) -> None:
    engine = Engine(cylinders=cylinders, idle_rpm=900)
    interval_ms = 60_000.0 / rpm / engine.pulses_per_revolution
    random = np.random.default_rng(seed)
    edges = even(150, interval_ms) + np.rint(jitter * interval_ms * random.standard_normal(150) * MS).astype(np.int64)
    firings = clean(np.delete(edges, slice(70, 70 + gap)), engine)
    assert firings.missing_runs().tolist() == [[70, 70 + gap]]
    assert firings.extra_ns.size == 0


@given(shift=st.integers(-(10**15), 10**15))
@settings(max_examples=20, deadline=None)
def test_shifting_time_shifts_the_firings_and_nothing_else(shift: int) -> None:
    edges = np.delete(even(200), slice(80, 85))
    here, there = clean(edges, FOUR), clean(edges + shift, FOUR)
    assert (here.time_ns + shift).tolist() == there.time_ns.tolist()
    assert here.seen.tolist() == there.seen.tolist()


def test_a_crank_that_sags_to_half_its_idle_and_picks_up_again_has_lost_no_pulse() -> None:
    # A single-cylinder two-stroke as the clutch bites: measured intervals, no two of them far apart.
    engine = Engine(cylinders=1, strokes=2, idle_rpm=1340, redline_rpm=7100)
    interval = [43.1] * 20 + [44.2, 42.7, 40.9, 47.6, 69.5, 93.7, 66.8, 45.4, 39.9] + [40.5] * 20
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), engine)
    assert firings.seen.all()
    assert firings.extra_ns.size == 0


def test_a_burst_of_noise_leaves_the_firings_where_they_were() -> None:
    noise = np.random.default_rng(3).uniform(300 * MS, 900 * MS, 350).astype(np.int64)
    firings = clean(np.sort(np.append(even(1000), noise)), FOUR)
    assert firings.time_ns == pytest.approx(even(1000), abs=0.31 * 5 * MS)
    assert firings.extra_ns.size == 350  # every edge beyond the 1000 firings


def test_a_wire_on_which_every_pulse_bounces_gives_each_firing_once() -> None:
    firings = clean(np.sort(np.append(even(200), even(200) + int(0.8 * MS))), FOUR)
    assert firings.time_ns.tolist() == even(200).tolist()
    assert firings.extra_ns.size == 200


@pytest.mark.parametrize("share", [0.06, 0.2])
def test_a_wire_on_which_some_pulses_bounce_all_along_gives_each_firing_once_and_keeps_a_gap(share: float) -> None:
    random = np.random.default_rng(9)
    pulses = np.delete(even(3000), slice(1000, 1020))
    bounced = pulses[random.random(pulses.size) < share]
    edges = np.sort(np.append(pulses, bounced + random.integers(50_000, 400_000, bounced.size)))
    firings = clean(edges, FOUR)
    assert firings.time_ns[firings.seen].tolist() == pulses.tolist()
    assert firings.missing_runs().tolist() == [[1000, 1020]]
    assert firings.extra_ns.size == bounced.size


@pytest.mark.parametrize("share", [0.04, 0.1, 0.2])
def test_edges_at_any_time_are_no_bounce_and_take_no_pulses_place(share: float) -> None:
    """Every burst of sparks nearby leaves one: what comes right before a pulse must not pass for it."""
    random = np.random.default_rng(10)
    pulses = even(3000)
    noise = random.uniform(pulses[0], pulses[-1], round(share * pulses.size)).astype(np.int64)
    edges = np.sort(np.append(pulses, noise))
    assert not tach_noise.bounces(edges, tach_noise.fastest_interval_ns(FOUR)).any()
    firings = clean(edges, FOUR)
    wrong = np.count_nonzero(~np.isin(firings.time_ns[firings.seen], pulses))
    assert wrong < 0.05 * noise.size + 5


def test_single_pulses_that_a_chattering_contact_lets_through_do_not_make_a_slow_crank() -> None:
    # 1.2 s of open contact at 6000 rpm, with a pulse every 60 to 150 ms: more of them than the median is wide.
    through = np.cumsum([90, 85, 60, 120, 65, 70, 95, 110, 60, 75, 80, 100, 60, 65])
    edges = np.concatenate((even(200), 995 * MS + through * MS + 1_300_000, even(200, start_ms=2200.0)))
    firings = clean(edges, FOUR)
    assert firings.bounds().size == 2  # one unbroken stretch
    assert np.count_nonzero(~firings.seen) == pytest.approx(241, abs=15)


def test_nothing_is_laid_across_a_gap_in_the_recording() -> None:
    edges = np.concatenate((even(200), even(200, interval_ms=14.0, start_ms=2100.0)))
    gaps = np.array([[1_000 * MS, 2_095 * MS]])
    firings = clean(edges, FOUR, gaps)
    assert firings.time_ns.tolist() == edges.tolist()
    assert firings.bounds().tolist() == [0, 200, 400]


def test_noise_over_an_idling_engine_leaves_its_idle() -> None:
    # 2.5 edges a pulse: few are too soon for an engine at speed, but no crank triples its idle at a stroke.
    idle = even(150, interval_ms=32.0)
    noise = np.random.default_rng(5).uniform(1600 * MS, 2400 * MS, 90).astype(np.int64)
    firings = clean(np.sort(np.append(idle, noise)), FOUR)
    assert firings.time_ns == pytest.approx(idle, abs=0.31 * 32 * MS)


def test_an_engine_that_starts_jumps_from_cranking_to_its_idle() -> None:
    edges = np.concatenate((even(12, interval_ms=130.0), even(100, interval_ms=31.0, start_ms=11 * 130.0 + 40.0)))
    firings = clean(edges, FOUR)
    assert firings.time_ns.tolist() == edges.tolist()
    assert firings.seen.all()


ONCE_IN_TWO_TURNS = Engine(
    cylinders=1, strokes=4, tach_pulses_per_revolution=0.5, idle_rpm=1500, redline_rpm=9000
)  # a coil that is fired in the power stroke only


@pytest.mark.parametrize(
    ("usual", "slower"),
    [
        (20.0, [25.0, 31.2, 39.0, 39.0, 39.0, 39.0, 31.2, 25.0]),  # 6,000 rev/min to half of it, and held there
        (30.0, [37.5, 46.9, 58.6, 73.2, 58.6, 46.9, 37.5]),  # 4,000 to 1,640, near its idle
    ],
)
def test_a_single_that_slows_down_and_picks_up_within_a_handful_of_pulses_has_lost_none(
    usual: float, slower: list[float]
) -> None:
    """A quarter from each pulse, which is two turns of the crank, to the next."""
    interval = [usual] * 20 + slower + [usual] * 20
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), ONCE_IN_TWO_TURNS)
    assert firings.seen.all()
    assert firings.extra_ns.size == 0
    assert firings.bounds().size == 2  # one unbroken stretch


def test_a_single_still_shows_the_pulses_that_it_lost() -> None:
    firings = clean(np.delete(even(60, interval_ms=30.0), slice(30, 33)), ONCE_IN_TWO_TURNS)
    assert firings.missing_runs().tolist() == [[30, 33]]


@settings(deadline=None, max_examples=200)
@given(st.integers(0, 400), st.sampled_from([7, 15]), st.sampled_from([0.01, 0.05, 0.2]), st.integers(0, 2**32 - 1))
def test_intervals_that_need_no_median_are_told_as_their_median_would(
    n: int, width: int, restless: float, seed: int
) -> None:
    random = np.random.default_rng(seed)
    interval = 1e6 * np.exp(np.cumsum(random.normal(0.0, restless, n)))
    interval[random.random(n) < 0.02] *= random.choice([0.3, 0.65, 1.5, 2.0, 3.0])
    odd = pulses.off_median(interval, width)
    median = ndimage.median_filter(interval, width, mode="nearest") if n else interval
    assert np.array_equal(odd, (interval < SHORT * median) | (interval > LONG * median))


@settings(deadline=None, max_examples=100)
@given(st.integers(0, 60), st.integers(0, 2**32 - 1))
def test_no_noise_on_a_short_train_is_too_much(n: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    edges = np.cumsum(random.uniform(9e6, 11e6, n)).astype(np.int64)
    rings = edges[random.random(n) < 0.3]
    noisy = np.concatenate((edges, rings + random.integers(200_000, 4_000_000, rings.size)))
    firings = clean(noisy, FOUR)
    assert firings.time_ns.size + firings.extra_ns.size >= n
    assert (np.diff(firings.time_ns) > 0).all()


@settings(deadline=None, max_examples=300)
@given(st.integers(20, 200), st.sampled_from([0.05, 0.3, 0.6]), st.integers(0, 2**32 - 1))
def test_however_broken_the_wire_firings_follow_each_other(n: int, noisy: float, seed: int) -> None:
    """Losses, echoes and silences of up to a second beside each other: no pulse is laid over another."""
    random = np.random.default_rng(seed)
    usual = np.exp(random.normal(0.0, 0.05, n)) * 12e6
    odd = random.choice([0.08, 0.3, 2.0, 3.0, 60.0], n, p=[0.3, 0.3, 0.2, 0.15, 0.05])
    edges = np.cumsum(np.where(random.random(n) < noisy, usual * odd, usual)).astype(np.int64)
    firings = clean(edges, FOUR)
    assert (np.diff(firings.time_ns) > 0).all()
