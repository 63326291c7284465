"""Did the ignition miss, or did only the tach wire lose the pulses?"""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank.pulses import clean
from logger.analysis.crank.states import LoadScale, view
from logger.analysis.signs.probe import learn
from logger.analysis.signs.wire import WITNESSED, Gap, chance_real, gaps
from logger.event import Engine, IntArray, Recording, Trace
from tests.analysis.small_car import drawn, seen, turned
from tests.analysis.test_lean import driven


def gap(missing: int, ratio: float, pieces: int = 1) -> Gap:
    runs = tuple((100 * k, 100 * k + missing // pieces) for k in range(pieces))
    return Gap(runs[0][0], runs[-1][1], runs, missing, float(missing), ratio, 0, 1)


def test_no_gaps_no_chances() -> None:
    assert chance_real([], []).size == 0


def test_a_gap_that_another_signal_proves_is_certain() -> None:
    assert chance_real([gap(3, -5.0)], [True]).tolist() == [1.0]


def test_a_wire_that_was_never_caught_is_trusted() -> None:
    # At closed throttle the crank says nothing, but every gap under load slowed it.
    chance = chance_real([gap(6, 4.0), gap(8, 5.0), gap(5, 0.0)], [False] * 3)
    assert chance[2] > 0.8


def test_a_wire_that_was_caught_under_load_is_suspected_everywhere() -> None:
    caught = [gap(6, -4.0), gap(8, -4.0), gap(7, -4.0)]
    assert chance_real([*caught, gap(6, 0.0)], [False] * 4)[3] < 0.6


def test_one_crank_that_slowed_by_chance_does_not_outweigh_a_day_of_gaps_through_which_it_did_not() -> None:
    """Both at once are a coincidence: of gaps alike the few follow the many, whichever those say."""
    few, many = gap(8, 2.4), [gap(4 + k, -3.0) for k in range(8)]
    assert chance_real([few], [False])[0] > 0.9
    assert chance_real([few, *many], [False] * 9)[0] < 0.5
    unlucky, lost = gap(5, -2.5), [gap(4 + k, 3.0) for k in range(8)]
    assert chance_real([unlucky], [False])[0] < 0.5
    assert chance_real([unlucky, *lost], [False] * 9)[0] > 0.7


def test_a_long_silence_is_not_taken_for_a_bad_wire_because_short_ones_were() -> None:
    caught = [gap(4, -4.0), gap(5, -4.0), gap(4, -4.0)]
    assert chance_real([*caught, gap(60, 0.0)], [False] * 4)[3] > 0.9


def test_scattered_single_pulses_are_the_wires() -> None:
    scattered = [gap(20, -2.0, pieces=20), gap(12, 0.0, pieces=12)]
    assert chance_real(scattered, [False, False]) == pytest.approx(np.zeros(2), abs=0.4)


def test_gaps_that_the_feed_proves_say_nothing_about_one_through_which_the_feed_held() -> None:
    proven, unlike = [gap(8, 5.0)] * 4, gap(8, -1.0)
    watched = chance_real([*proven, unlike], [True] * 4 + [False], [True] * 5)[4]
    unwatched = chance_real([*proven, unlike], [True] * 4 + [False])[4]
    assert watched < unwatched
    assert unwatched > 0.9


@pytest.mark.parametrize(("ratio", "convicted"), [(0.8, True), (-0.2, False), (-0.8, False)])
def test_what_the_crank_says_too_softly_at_one_gap_it_says_clearly_at_many(ratio: float, convicted: bool) -> None:
    """Points that lose a spark here and there leave gaps of single pulses, as a bad wire does."""
    chance = chance_real([gap(1, ratio)] * 20, [False] * 20)
    assert bool(chance[0] > 0.9) is convicted
    assert bool(chance[0] < 0.1) is not convicted


def test_a_few_pulses_lost_where_the_crank_slowed_for_another_reason_do_not_speak_for_a_whole_day() -> None:
    """A tenth of them lay in moments in which a rail starved or a clutch slipped; through the others it ran on."""
    day = [gap(1, -0.15)] * 45 + [gap(1, 6.0)] * 5
    assert chance_real(day, [False] * 50)[0] < 0.1
    assert chance_real([gap(1, 0.8)] * 45 + [gap(1, 6.0)] * 5, [False] * 50)[0] > 0.9


def test_long_gaps_are_judged_by_their_length_more_than_by_what_the_crank_says_of_them_together() -> None:
    """Of a module that fails for tenths of a second; behind a heavy car the crank hardly slows."""
    assert chance_real([gap(25, -0.4)] * 25, [False] * 25).min() > 0.9


def idle_gap(*, loses_speed: bool) -> float:
    """The crank's word on five missing pulses at 900 rpm, with the throttle blipped three firings after."""
    interval = np.full(200, 22.2)
    if loses_speed:
        interval[105:] = 22.2 * 1.03**5  # 3 % for each firing that was not lit
    interval[109:] *= 0.9
    edges = np.rint(np.cumsum(interval) * 1e6).astype(np.int64)
    engine = Engine(cylinders=6, strokes=4, idle_rpm=900, redline_rpm=6500)
    firings = clean(np.delete(edges, slice(100, 105)), engine)
    none = np.empty((0, 2), np.int64)
    recording = Recording("r01", int(edges[-1]), {}, {"tach_pulses": edges})
    scale = LoadScale("throttle_position", 0.0, 100.0, 0)
    throttle = Trace(edges, np.where(np.arange(200) < 108, 1.0, 60.0))
    seen = view(recording, engine, firings, {"throttle_position": throttle}, scale, none)
    [only] = gaps(seen)
    return only.ratio


def test_an_idle_that_goes_on_as_it_was_has_lost_no_firing_though_the_throttle_is_blipped_next() -> None:
    assert idle_gap(loses_speed=False) < -1.0


def test_an_idle_that_sagged_over_the_missing_pulses_has() -> None:
    assert idle_gap(loses_speed=True) > 1.0


@pytest.mark.parametrize(("missing", "rpm", "convicted"), [(40, 900.0, True), (40, 3000.0, False), (25, 3000.0, True)])
def test_a_long_gap_after_which_the_crank_turns_no_slower_convicts_the_wire_at_idle_only(
    missing: int, rpm: float, convicted: bool
) -> None:
    """An idling engine that lost forty firings would stand; at speed the car carries the crank on, and half a second
    later nobody knows what its speed would have been."""
    even = turned((0.0, rpm), (12.0, rpm))
    jitter = 0.004 * np.diff(even[:2]) * np.random.default_rng(4).standard_normal(even.size)
    tach = np.delete(even + np.rint(jitter).astype(np.int64), slice(150, 150 + missing))
    throttle = drawn(12.0, (0, 1.0 if rpm < 1000 else 80.0), (12, 1.0 if rpm < 1000 else 80.0))
    (only,) = gaps(seen(tach, 12.0, {"throttle_position": throttle}))
    assert only.missing == missing
    assert bool(only.ratio < -1.5) is convicted


def test_the_usual_bounce_of_a_wire_does_not_explain_a_gap_and_edges_that_come_with_it_do() -> None:
    pulses = turned((0.0, 3000.0), (30.0, 3000.0))
    kept = np.delete(pulses, slice(1500, 1506))
    bounced = np.random.default_rng(3).random(kept.size) < 0.3
    near = np.abs(kept - pulses[1503]) < 400_000_000
    ((clear,), (usual,), (with_it,)) = (
        gaps(seen(np.sort(np.append(kept, kept[some] + 300_000)), 30.0, {}))
        for some in (np.zeros(kept.size, bool), bounced, bounced & near)
    )
    assert usual.ratio == pytest.approx(clear.ratio, abs=0.5)
    assert with_it.ratio < clear.ratio - 3.0


def test_an_exhaust_that_shows_burnt_mixture_over_a_gap_speaks_for_the_wire() -> None:
    for misses, witness in (((), -WITNESSED), (((31.0, 31.6),), WITNESSED)):
        view = driven(0.1, misses)
        tach = view.recording.pulses["tach_pulses"]
        lost = tach[(tach < 31.05e9) | (tach > 31.4e9)]
        gappy = replace(view, firings=clean(lost, view.engine))
        ((alone,), (asked,)) = (gaps(gappy, probe) for probe in (None, learn([view])))
        assert asked.ratio - alone.ratio == pytest.approx(witness)


@pytest.mark.parametrize(("lost", "witness"), [(0.0, -WITNESSED), (0.12, WITNESSED)])
def test_of_scattered_pulses_the_exhaust_is_asked_for_the_air_of_those_that_are_missing(
    lost: float, witness: float
) -> None:
    """One pulse in five is missing: the mixture reads no tenth leaner, which of a silent coil would be nothing."""
    view = driven(0.1, ((30.5, 31.6),), lost=lost)
    tach = view.recording.pulses["tach_pulses"]
    inside = np.flatnonzero((tach > 30.55e9) & (tach < 31.5e9))
    gappy = replace(view, firings=clean(np.delete(tach, inside[::5]), view.engine))
    ((alone,), (asked,)) = (gaps(gappy, probe) for probe in (None, learn([view])))
    assert asked.ratio - alone.ratio == pytest.approx(witness)


def test_air_behind_a_shut_throttle_says_nothing_of_missing_pulses() -> None:
    view = driven(0.1)
    tach = view.recording.pulses["tach_pulses"]
    gappy = replace(view, firings=clean(tach[(tach < 33.5e9) | (tach > 33.9e9)], view.engine))
    ((alone,), (asked,)) = (gaps(gappy, probe) for probe in (None, learn([view])))
    assert asked.ratio == alone.ratio


def test_a_day_of_twenty_thousand_gaps_is_judged_without_a_table_of_their_pairs() -> None:
    """Of every gap with every other it would take 3.2 GB."""
    many = [gap(1 + k % 9, k % 7 - 4.0) if k % 2 else gap(100 + k % 9, k % 7 - 2.0) for k in range(20_000)]
    tracemalloc.start()
    chance = chance_real(many, [k % 50 == 0 for k in range(20_000)], [k % 2 == 0 for k in range(20_000)])
    (_, most), _ = tracemalloc.get_traced_memory(), tracemalloc.stop()
    assert most < 20e6
    assert chance[0] == 1.0
    alike = [k for k in range(4, 20_000, 9 * 7 * 2) if k % 50]
    assert np.ptp(chance[alike]) < 1e-9
    assert chance[7] < 0.1  # of few pulses, as the day's many
    assert chance[8] > 0.9  # of a hundred


@pytest.mark.parametrize("of_waste", [1, 2])
def test_a_spark_clamp_is_asked_pulse_by_pulse_where_single_ones_are_missing(of_waste: int) -> None:
    """Every fifth pulse missing for a second. of_waste: pulses to a spark at the clamp, two with a wasted spark."""
    tach = turned((0.0, 3000.0), (20.0, 3000.0))
    wanting = np.arange(1000, 1100, 5)
    sparks = tach[::of_waste] + 300_000

    def said(sparks: IntArray) -> float:
        one = seen(np.delete(tach, wanting), 20.0, {})
        pulses = {**one.recording.pulses, "spark_pulses": sparks}
        (with_clamp,) = gaps(replace(one, recording=replace(one.recording, pulses=pulses)))
        (without,) = gaps(one)
        return with_clamp.ratio - without.ratio

    went_with_them = np.setdiff1d(sparks, tach[wanting] + 300_000)
    assert said(went_with_them) > WITNESSED
    assert said(sparks) < -WITNESSED
    assert said(tach[::8] + 300_000) == 0.0  # a clamp that sees next to nothing tells nothing
