"""Pulses thinned out for longer than a median of neighbours can see: counted off one by one."""

import numpy as np
import pytest

from logger.analysis.crank.pulses import clean
from logger.event import Engine, IntArray

FOUR = Engine(cylinders=4, idle_rpm=900, redline_rpm=6500)
MS = 1_000_000


def train(seed: int = 1, interval_ms: float = 7.5) -> IntArray:
    """800 pulses at 4,000 rpm, gaining a third, with 2 % of jitter."""
    random = np.random.default_rng(seed)
    interval = interval_ms * np.linspace(1.0, 0.75, 800)
    return np.rint((np.cumsum(interval) + random.normal(0.0, 0.02 * interval_ms, 800)) * MS).astype(np.int64)


@pytest.mark.parametrize("lost", [8, 20, 200])
@pytest.mark.parametrize(("of", "which"), [(2, (1,)), (3, (1, 2)), (4, (1, 2, 3))])
def test_pulses_lost_in_turn_are_counted_and_put_where_they_were_due(
    lost: int, of: int, which: tuple[int, ...]
) -> None:
    edges = train()
    missing = 300 + np.array([k for k in range(lost * of // len(which)) if k % of in which])
    firings = clean(np.delete(edges, missing), FOUR)
    assert np.flatnonzero(~firings.seen).tolist() == missing.tolist()
    assert firings.time_ns == pytest.approx(edges, abs=1.0 * MS)
    assert not firings.extra_ns.size
    assert firings.stretch.max() == 0


def test_pulses_lost_at_random_more_often_than_not_are_counted() -> None:
    edges = train()
    kept = 300 + np.cumsum(np.random.default_rng(5).integers(1, 5, 60))
    missing = np.setdiff1d(np.arange(301, kept[-1]), kept)
    firings = clean(np.delete(edges, missing), FOUR)
    assert np.flatnonzero(~firings.seen).tolist() == missing.tolist()


def test_a_crank_that_slowed_to_half_while_nothing_was_heard_of_it_lost_no_more() -> None:
    """A single at 5,300 rev/min that got seven pulses later to half its speed."""
    single = Engine(cylinders=1, idle_rpm=700, redline_rpm=7500, tach_pulses_per_revolution=0.5)
    interval = np.concatenate((np.full(60, 22.5), [22.5 * 7], 47.0 * 0.97 ** np.arange(30)))
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), single)
    assert np.flatnonzero(np.diff(firings.seen.astype(int))).size <= 2
    assert np.count_nonzero(~firings.seen) < 8


def test_a_wire_that_gives_every_second_pulse_to_the_end_lost_the_others() -> None:
    edges = train()
    firings = clean(np.delete(edges, np.arange(501, 800, 2)), FOUR)
    assert np.flatnonzero(~firings.seen).tolist() == list(range(501, 799, 2))  # after the last one nothing was due


def test_a_crank_that_slows_to_half_within_a_revolution_lost_no_pulse() -> None:
    # As tyres that hold again slow it, at the most: each of five intervals a sixth longer.
    interval = 7.5 * np.concatenate((np.ones(200), 1.16 ** np.arange(1, 6), np.full(200, 1.16**5)))
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), FOUR)
    assert firings.seen.all()


def test_a_crank_caught_below_idle_may_have_lost_its_speed_itself() -> None:
    interval = np.concatenate((np.full(100, 50.0), np.full(100, 100.0)))  # 600 rpm, then 300
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), FOUR)
    assert firings.seen.all()


def test_a_speed_that_drops_by_no_whole_number_is_no_lost_pulse() -> None:
    interval = np.concatenate((np.full(100, 7.5), np.full(100, 18.5)))
    firings = clean(np.rint(np.cumsum(interval) * MS).astype(np.int64), FOUR)
    assert firings.seen[:100].all()
    assert np.count_nonzero(~firings.seen) < 5


def test_the_thinning_ends_where_noise_begins() -> None:
    edges = train()
    noise = edges[360] + np.arange(1, 120) * (MS // 10)
    thin = np.delete(edges, np.arange(301, 700, 2))
    firings = clean(np.sort(np.concatenate((thin, noise))), FOUR)
    lost = np.flatnonzero(~firings.seen[:355])
    assert lost.tolist() == list(range(301, 355, 2))
    assert firings.extra_ns.size > 100


@pytest.mark.parametrize("place", [0.5, 0.46])
@pytest.mark.parametrize("doubled", [4, 20, 200])
def test_pulses_that_no_longer_come_twice_as_often_are_not_thinned_out(doubled: int, place: float) -> None:
    """An edge about half-way between each two pulses for a while, as a coil that rings leaves it."""
    edges = train()
    between = edges[300 : 300 + doubled] + (place * np.diff(edges[300 : 301 + doubled])).astype(np.int64)
    firings = clean(np.sort(np.concatenate((edges, between))), FOUR)
    assert firings.seen.all()


def test_what_thins_out_after_such_a_while_is_counted_all_the_same() -> None:
    edges = train()
    between = edges[100:150] + np.diff(edges[100:151]) // 2
    missing = np.arange(401, 461, 2)
    firings = clean(np.sort(np.concatenate((np.delete(edges, missing), between))), FOUR)
    assert np.count_nonzero(~firings.seen) == missing.size
