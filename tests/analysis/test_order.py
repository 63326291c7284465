"""Which signal left normal first, when, and how sure one can be of that."""

import numpy as np
import pytest

from logger.analysis.crank import pulses, states
from logger.analysis.failure.episodes import Episode
from logger.analysis.failure.order import Order, led_by_coil, led_by_weak_supply, order
from logger.analysis.signs.sign import Sign, SignKind
from logger.event import NS_PER_S, Trace
from tests.analysis.array_car import NATURAL, Drive

MS = 1_000_000
RECORDING = Drive().recording()
FIRINGS = pulses.clean(RECORDING.pulses["tach_pulses"], NATURAL)


def view(**changes: Trace) -> states.View:
    traces = {**RECORDING.traces, **changes}
    scale = states.load_scale([(traces, FIRINGS)], NATURAL)
    return states.view(RECORDING, NATURAL, FIRINGS, traces, scale, np.empty((0, 2), np.int64))


def sign(kind: SignKind, channel: str, from_s: float, *, good_s: float | None = None, **more: object) -> Sign:
    """A sign of a tenth of a second, whose last good sample or pulse lies at good_s."""
    from_ns = round(from_s * NS_PER_S)
    early = from_ns if good_s is None else round(good_s * NS_PER_S)
    return Sign(kind, channel, from_ns, from_ns + 100 * MS, 5.0, 5.0, early, **more)  # type: ignore[arg-type]


def ordered(*signs: Sign) -> Order:
    return order(Episode(view(), signs))


def test_a_sample_left_its_band_between_the_last_good_and_the_first_bad_one() -> None:
    rank = ordered(sign("supply_dip", "ignition_feed_voltage", 20.010, good_s=20.000))
    [feed] = rank.moved
    # Half-way, give or take half the distance and the input filter's 4 ms.
    assert feed.at_s == pytest.approx(20.005)
    assert feed.plus_minus_s == pytest.approx(0.005 + 0.004)


def test_a_lost_pulse_is_dated_to_a_tenth_of_its_interval() -> None:
    rank = ordered(sign("lost_pulses", "tach_pulses", 20.010, good_s=20.000))
    assert (rank.moved[0].at_s, rank.moved[0].plus_minus_s) == (pytest.approx(20.010), pytest.approx(0.001))


def test_what_left_clearly_before_is_named_first() -> None:
    rank = ordered(
        sign("lost_pulses", "tach_pulses", 20.100, good_s=20.095),
        sign("low_pressure", "fuel_pressure", 19.800, good_s=19.790),
    )
    assert rank.first == "fuel_pressure"
    assert [rung.channel for rung in rank.moved] == ["fuel_pressure", "tach_pulses"]


def test_at_the_same_time_within_what_the_sensors_can_tell_the_one_that_feeds_the_other_is_named() -> None:
    rank = ordered(
        sign("lost_pulses", "tach_pulses", 20.002, good_s=19.997),
        sign("supply_dip", "ignition_feed_voltage", 20.010, good_s=20.000),
        sign("supply_dip", "battery_voltage", 20.010, good_s=20.000),
    )
    assert rank.first == "battery_voltage"
    assert rank.onset_ns <= rank.engine_onset_ns


def test_the_engine_onset_is_the_first_firing_after_a_supply_gave_way() -> None:
    rank = ordered(sign("supply_dip", "battery_voltage", 20.010, good_s=20.000))
    after = FIRINGS.time_ns[np.searchsorted(FIRINGS.time_ns, 20_010 * MS)]
    assert rank.engine_onset_ns == after


@pytest.mark.parametrize(("note", "read_s"), [("50", 20.05), ("350", 20.35), ("", 20.18)])
def test_the_exhaust_only_witnesses_as_late_as_it_reads_and_is_never_first(note: str, read_s: float) -> None:
    rank = ordered(sign("lean", "air_fuel_ratio", 20.0, note=note))
    assert rank.first == "tach_pulses"
    assert {rung.channel: rung.at_s for rung in rank.moved} == {"tach_pulses": 20.0, "air_fuel_ratio": read_s}


@pytest.mark.parametrize(
    ("lean_s", "within_s", "onset_s"),
    [
        (19.9, 0.06, 19.9),  # it is known how late the probe reads: the first firings that went out unburnt
        (19.9, 0.12, 20.0),  # it is guessed
        (20.2, 0.06, 20.0),
    ],
)
def test_the_exhaust_dates_what_the_crank_shows_late_where_it_is_known_how_late_it_reads(
    lean_s: float, within_s: float, onset_s: float
) -> None:
    weak = sign("weak_torque", "tach_pulses", 20.0)
    rank = ordered(weak, sign("lean", "air_fuel_ratio", lean_s, good_s=lean_s - within_s))
    assert rank.first == "tach_pulses"
    assert rank.onset_ns == rank.engine_onset_ns == round(onset_s * NS_PER_S)


def test_a_lame_cylinder_is_dated_no_better_than_its_cycles_tell() -> None:
    rank = ordered(sign("lame_cylinder", "tach_pulses", 20.0, good_s=19.86), sign("lean", "air_fuel_ratio", 20.1))
    assert rank.first == "tach_pulses"
    assert (rank.moved[0].at_s, rank.moved[0].plus_minus_s) == (pytest.approx(20.0), pytest.approx(0.14))
    assert rank.engine_onset_ns == 20 * NS_PER_S


def test_a_sharp_sign_dates_a_channel_though_a_blurred_one_came_before() -> None:
    rank = ordered(sign("weak_torque", "tach_pulses", 19.95), sign("lost_pulses", "tach_pulses", 20.0, good_s=19.995))
    assert rank.moved[0].at_s == pytest.approx(20.0)


def test_a_flat_battery_leads_from_when_it_went_under_and_leaves_the_onset_where_the_engine_missed() -> None:
    battery = RECORDING.traces["battery_voltage"]
    falling = Trace(battery.time_ns, np.interp(battery.time_ns, [0, 10 * NS_PER_S, 20 * NS_PER_S], [13.0, 12.0, 10.0]))
    episode = Episode(view(battery_voltage=falling), (sign("no_spark", "spark_pulses", 19.0),))
    rank = led_by_weak_supply(order(episode), episode)
    assert rank.first == "battery_voltage"
    assert rank.moved[0].at_s == pytest.approx(15.0, abs=0.2)  # 12 V at 10 s, 10 V at 20 s: 11 V half-way
    assert rank.onset_ns == 19 * NS_PER_S


def test_a_supply_that_already_moved_is_not_put_first_once_more() -> None:
    episode = Episode(view(), (sign("supply_dip", "battery_voltage", 20.010, good_s=20.0),))
    rank = order(episode)
    assert led_by_weak_supply(rank, episode) is rank


@pytest.mark.parametrize(("last_pulse_s", "first"), [(19.99, "tach_pulses"), (20.008, "fuel_pressure")])
def test_a_coil_is_dead_from_the_last_pulse_on_though_a_rail_shows_it_before_the_next_was_due(
    last_pulse_s: float, first: str
) -> None:
    rail = sign("low_pressure", "fuel_pressure", 20.0)
    episode = Episode(view(), (rail, sign("lost_pulses", "tach_pulses", 20.015, good_s=last_pulse_s)))
    rank = led_by_coil(order(episode), episode)
    assert rank.first == first
    assert rank.moved[0].channel == first
    assert rank.onset_ns == pytest.approx(20.0e9, abs=5e6)
