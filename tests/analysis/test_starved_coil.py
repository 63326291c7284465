"""Misses at idle on a low battery."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank import pulses, states
from logger.analysis.signs import starved_coil
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Engine, Recording, Trace
from tests.analysis.small_car import FOUR, drawn, seen, turned

ENGINE = Engine(
    cylinders=4, tach_pulses_per_revolution=2.0, fuel_system="port_injection", idle_rpm=900.0, redline_rpm=6500.0
)


def found(volts: float, misses: tuple[float, ...], drop: float = 0.05, blip_at_s: float | None = None) -> list[Sign]:
    """20 s of idle at 900 rev/min; each miss takes `drop` of the speed at once, recovered within 0.3 s.

    blip_at_s: from a third above idle there the crank comes down by a sixth a second.
    """
    time = np.arange(0.0, 20.0, 0.001)
    rps = np.full(time.size, 15.0)
    if blip_at_s is not None:
        rps = np.where(time > blip_at_s, np.maximum(rps, 20.0 * np.exp((blip_at_s - time) / 6.0)), rps)
    for at in misses:
        rps *= 1.0 - drop * np.clip((time > at) * (1.0 - (time - at) / 0.3), 0.0, 1.0)
    turns = 2.0 * np.cumsum(rps) * 0.001
    tach = np.interp(np.arange(1.0, np.floor(turns[-1])), turns, time)
    slow = np.arange(0.0, 20.0, 0.01)
    stamps = np.rint(slow * NS_PER_S).astype(np.int64)
    traces = {
        "battery_voltage": Trace(stamps, np.full(slow.size, volts)),
        "throttle_position": Trace(stamps, np.where(slow > 18.0, 50.0, 1.0)),
    }
    tach_ns = np.rint(tach * NS_PER_S).astype(np.int64)
    recording = Recording("r01", 20 * NS_PER_S, traces, {"tach_pulses": tach_ns})
    firings = pulses.clean(tach_ns, ENGINE)
    scale = states.LoadScale("throttle_position", 1.0, 80.0, 0)
    return starved_coil.signs(states.view(recording, ENGINE, firings, traces, scale, np.empty((0, 2), np.int64)))


def test_two_drops_in_half_a_second_on_a_low_battery_are_misses() -> None:
    (sign,) = found(8.2, (10.0, 10.4))
    assert sign.lost == 2
    assert sign.from_ns / NS_PER_S == pytest.approx(10.0, abs=0.07)


def test_a_single_drop_is_nothing_that_anybody_feels() -> None:
    assert found(8.2, (10.0,)) == []


def test_with_a_sound_battery_the_clutch_is_as_likely() -> None:
    assert found(12.8, (10.0, 10.4)) == []


def test_an_idle_that_breathes_is_no_miss() -> None:
    assert found(8.2, (10.0, 10.4), drop=0.012) == []


def test_a_crank_that_comes_down_from_a_blip_lost_no_firing() -> None:
    assert len(found(8.2, (10.6, 11.0))) == 1
    assert found(8.2, (10.6, 11.0), blip_at_s=10.0) == []


def pulled(
    volts: float,
    *,
    lasts_s: float = 5.0,
    throttle: float = 90.0,
    channel: str = "battery_voltage",
    load_channel: str | None = "throttle_position",
    jitter_s: float = 2e-4,
    engine: Engine = FOUR,
) -> list[Sign]:
    """A pull at a steady 4,000 rev/min, 133 firings a second of four cylinders, the supply at `volts` for a while."""
    low = ((0, 13.9), (10.0, 13.9), (10.01, volts), (10.0 + lasts_s, volts), (10.01 + lasts_s, 13.9))
    traces = {
        channel: drawn(20.0, *low),
        "throttle_position": drawn(20.0, (0, throttle), (20, throttle)),
    }
    tach = turned((0.0, 4000), (20.0, 4000), engine=engine)
    tach = tach + np.rint(np.random.default_rng(1).normal(0.0, jitter_s, tach.size) * NS_PER_S).astype(np.int64)
    view = seen(tach, 20.0, traces, engine)
    return starved_coil.collapsed(replace(view, load_channel=load_channel))


@pytest.mark.parametrize(("volts", "share"), [(9.3, 0.03), (8.3, 0.12), (7.3, 0.48)])
def test_an_engine_that_pulls_on_a_collapsed_supply_loses_twice_the_share_for_each_half_volt_less(
    volts: float, share: float
) -> None:
    (sign,) = pulled(volts - 0.02)
    assert (sign.from_ns / NS_PER_S, sign.to_ns / NS_PER_S) == pytest.approx((10.0, 15.0), abs=0.1)
    assert sign.lost == pytest.approx(5.0 * 133.3 * share, rel=0.06)


@pytest.mark.parametrize("sound", [{"volts": 9.5}, {"volts": 8.0, "throttle": 20.0}, {"volts": 8.0, "lasts_s": 0.2}])
def test_nine_and_a_half_volts_a_little_load_or_a_moment_lose_none(sound: dict[str, float]) -> None:
    assert pulled(**sound) == []


@pytest.mark.parametrize(("cylinders", "n_signs"), [(1, 0), (4, 1)])
def test_one_cylinder_loses_too_little_in_a_second_at_nine_volts_to_be_felt(cylinders: int, n_signs: int) -> None:
    """At 8.9 V a coil misses one spark in 19: of 33 due in the second, that is less than two."""
    engine = replace(FOUR, cylinders=cylinders, tach_pulses_per_revolution=cylinders / 2.0)
    assert len(pulled(8.9, lasts_s=1.0, jitter_s=1e-3 / cylinders, engine=engine)) == n_signs


@pytest.mark.parametrize(("redline_rpm", "n_signs"), [(7000.0, 0), (4000.0, 1)])
def test_eight_cylinders_leave_the_coil_time_to_charge_well_below_their_redline(
    redline_rpm: float, n_signs: int
) -> None:
    """At 4,000 rev/min the coil has 2.6 ms, at 7,000 only 1.5: it carries with 8 V what there takes 12.6 V.

    Four cylinders leave it its 3 ms at either speed.
    """
    for cylinders, expected in ((8, n_signs), (4, 1)):
        engine = replace(FOUR, cylinders=cylinders, tach_pulses_per_revolution=cylinders / 2.0, redline_rpm=redline_rpm)
        assert len(pulled(8.0, jitter_s=8e-4 / cylinders, engine=engine)) == expected


@pytest.mark.parametrize(("volts", "n_signs"), [(9.1, 0), (8.4, 0), (8.0, 1)])
def test_a_crank_that_turns_evenly_shows_that_its_coil_still_makes_each_spark(volts: float, n_signs: int) -> None:
    assert len(pulled(volts, jitter_s=2e-5)) == n_signs


@pytest.mark.parametrize(("volts", "n_signs"), [(9.0, 0), (8.6, 1)])
def test_a_coil_feed_that_stands_in_for_the_battery_lies_half_a_volt_below_it(volts: float, n_signs: int) -> None:
    assert len(pulled(volts, channel="ignition_feed_voltage")) == n_signs


@pytest.mark.parametrize(("volts", "n_signs"), [(9.2, 0), (8.8, 1)])
def test_a_rail_that_shows_load_hangs_on_the_battery_that_collapses_and_is_believed_less(
    volts: float, n_signs: int
) -> None:
    assert len(pulled(volts, load_channel="fuel_pressure")) == n_signs
    assert len(pulled(volts)) == 1


@pytest.mark.parametrize(("lasts_s", "n_signs"), [(0.8, 0), (1.2, 1)])
def test_where_only_the_crank_tells_load_a_clutch_that_is_let_in_is_no_pull(lasts_s: float, n_signs: int) -> None:
    assert len(pulled(7.5, lasts_s=lasts_s, load_channel=None)) == n_signs
    assert len(pulled(7.5, lasts_s=lasts_s)) == 1
