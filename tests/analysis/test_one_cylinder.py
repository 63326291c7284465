"""One cylinder's losses told from losses at random, by the place of the long segments in the engine's cycle."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank import pulses, states
from logger.analysis.failure import one_cylinder
from logger.event import NS_PER_S, Engine, IntArray, Recording
from tests.analysis import invented

SIX = Engine(cylinders=6, idle_rpm=900.0)
STUMBLES_S = ((8.0, 12.0), (20.0, 24.0))
LOST = 0.004  # of the speed that one firing not lit costs


def train(lame: str, own_spread: float = 0.003) -> IntArray:
    """Pulses of 40 s at 4,000 rpm, 5 ms each, of a six whose cylinders differ by `own_spread` at all times.

    lame: which firings are lost within STUMBLES_S: "one" cylinder's, as many at "random", or "none".
    """
    random = np.random.default_rng(5)
    k = np.arange(8000)
    within = np.zeros(k.size, bool)
    for first, last in STUMBLES_S:
        within |= (k * 0.005 >= first) & (k * 0.005 < last)
    lost = {"none": np.zeros(k.size, bool), "one": k % 6 == 2, "random": random.random(k.size) < 1 / 6}[lame]
    segment = 5e6 * (1.0 + own_spread * np.sin(k % 6) + LOST * (lost & within))
    jitter = 5e6 * 0.004 * random.standard_normal(k.size)
    return np.rint(np.cumsum(segment) + jitter).astype(np.int64)


def view_of(edges_ns: IntArray, engine: Engine = SIX) -> states.View:
    recording = Recording("r01", 40 * NS_PER_S, {}, {"tach_pulses": edges_ns})
    firings = pulses.clean(edges_ns, engine)
    scale = states.load_scale([(recording.traces, firings)], engine)
    return states.view(recording, engine, firings, recording.traces, scale, np.empty((0, 2), np.int64))


SPANS_NS = [(round(first * NS_PER_S), round(last * NS_PER_S)) for first, last in STUMBLES_S]


def test_a_place_that_is_long_in_the_stumbles_alone_is_one_cylinders() -> None:
    assert one_cylinder.is_one_cylinder(view_of(train("one")), SPANS_NS)


@pytest.mark.parametrize("lame", ["random", "none"])
def test_losses_at_random_and_an_engine_uneven_by_itself_point_at_no_cylinder(lame: str) -> None:
    assert not one_cylinder.is_one_cylinder(view_of(train(lame, own_spread=0.02)), SPANS_NS)


def test_the_pattern_is_the_mean_relative_length_at_each_place() -> None:
    segment_ns = np.tile([10_000_000, 10_000_000, 10_000_000, 10_400_000], 50)
    edges = np.concatenate(([0], np.cumsum(segment_ns)))
    firings = pulses.clean(edges, Engine(cylinders=4))
    found = one_cylinder.pattern(firings, np.ones(firings.time_ns.size - 1, bool), 4)
    assert found is not None
    # A cycle's mean is 10.1 ms: three places are 1 % short of it, one is 3 % long.
    assert found.mean == pytest.approx([-0.0099, -0.0099, -0.0099, 0.0297], abs=2e-4)


def test_two_cylinders_are_not_one() -> None:
    usual = one_cylinder.Pattern(np.zeros(4), np.full(4, 0.0002))
    assert one_cylinder.Pattern(np.array([0.004, 0.0, 0.0, 0.0]), np.full(4, 0.0002)).stands_out(usual) == 0
    assert one_cylinder.Pattern(np.array([0.004, 0.0, 0.004, 0.0]), np.full(4, 0.0002)).stands_out(usual) is None


def test_too_few_cycles_say_nothing() -> None:
    assert one_cylinder.pattern(pulses.clean(train("one"), SIX), np.arange(7999) < 30, 6) is None
    assert not one_cylinder.is_one_cylinder(view_of(train("one")), [])


def test_only_sparks_lost_after_the_coil_are_called_one_cylinders() -> None:
    secondary = [
        replace(invented.stumble("r01", first, last - first), cause="ignition_secondary") for first, last in STUMBLES_S
    ]
    called = one_cylinder.named([*secondary, invented.stumble("r01", 30.0)], [view_of(train("one"))])
    assert [stumble.sub_cause for stumble in called] == ["one_cylinder", "one_cylinder", None]
    assert called[0].evidence_for[-1] == "the firings lost in this recording were the same cylinder's"
