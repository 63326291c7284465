"""Sums of evidence to probabilities."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.failure.causes import KEPT, PRIOR, judge, softmax
from logger.analysis.failure.episodes import Episode
from logger.analysis.failure.order import order
from logger.analysis.findings import Stumble
from logger.analysis.signs.sign import Sign
from logger.event import CAUSES, NS_PER_S, Engine, Event
from tests.analysis.array_car import NATURAL, Drive
from tests.analysis.small_car import drawn, seen, turned

VOLTAGES = ("battery_voltage", "ignition_feed_voltage")


def test_probabilities_add_up_and_cover_every_cause_word() -> None:
    probability = softmax(PRIOR)
    assert set(probability) == set(CAUSES)
    assert sum(probability.values()) == pytest.approx(1.0, abs=1e-3)


def test_a_difference_of_a_natural_unit_is_odds_of_e() -> None:
    total = dict(PRIOR) | {"ignition_primary": 2.0, "fuel_delivery": 1.0}
    probability = softmax(total)
    assert probability["ignition_primary"] / probability["fuel_delivery"] == pytest.approx(2.71828, rel=1e-2)


def test_nothing_known_convicts_nobody() -> None:
    assert max(softmax(PRIOR).values()) < 0.35


def starved_coil(volts: float, *, clamp_misses: list[int]) -> str:
    """The cause named where sparks are missing (every n-th, or a row) with the battery at `volts`."""
    recording = Drive().recording()
    tach = recording.pulses["tach_pulses"]
    begin = int(np.searchsorted(tach, 20.0 * NS_PER_S))
    sparks = np.delete(tach + 30_000, begin + np.array(clamp_misses))
    traces = {
        name: replace(trace, value=trace.value - (13.9 - volts)) if name in VOLTAGES else trace
        for name, trace in recording.traces.items()
    }
    pulses = {**recording.pulses, "spark_pulses": sparks}
    found = analyse(Event("weak", NATURAL, (replace(recording, traces=traces, pulses=pulses),)))
    return found.stumbles[0].cause


def test_sparks_missing_here_and_there_on_a_flat_battery_are_the_batterys() -> None:
    assert starved_coil(8.5, clamp_misses=[*range(0, 60, 3)]) == "supply_voltage"


def test_sparks_missing_in_a_row_on_a_low_battery_are_the_high_tension_sides() -> None:
    assert starved_coil(9.8, clamp_misses=[*range(25)]) == "ignition_secondary"


def test_sparks_missing_on_a_sound_battery_are_the_high_tension_sides() -> None:
    assert starved_coil(13.9, clamp_misses=[*range(0, 60, 3)]) == "ignition_secondary"


@pytest.mark.parametrize("channels", [VOLTAGES, VOLTAGES[:1]])
@pytest.mark.parametrize(("last_sound_ms", "cause"), [(20, "supply_voltage"), (60, "ignition_secondary")])
def test_a_voltage_that_may_have_fallen_with_the_first_missing_spark_counts_however_seldom_it_is_sampled(
    last_sound_ms: int, cause: str, channels: tuple[str, ...]
) -> None:
    """Sparks missing from 10 s on; of each voltage one sample, every 25 ms, was still sound, the next was not."""
    begin, last_sound = 10 * NS_PER_S, 10 * NS_PER_S + last_sound_ms * 1_000_000
    fallen, end = last_sound + 25_000_000, begin + NS_PER_S // 5
    dips = (Sign("supply_dip", channel, fallen, end, 0.0, 8.0, last_sound, note="5") for channel in channels)
    signs = (Sign("no_spark", "spark_pulses", begin, end, 12.0, 60.0), *dips)
    tach = turned((0.0, 3000.0), (12.0, 3000.0))
    episode = Episode(seen(tach, 12.0, {"battery_voltage": drawn(12.0, (0.0, 13.5), (12.0, 13.5))}), signs)
    assert judge(episode, order(episode)).cause == cause


def without_injection(engine: Engine) -> Stumble:
    """An injector, opened every other turn, that is left out for 0.4 s of a pull."""
    recording = Drive().recording()
    injections = recording.pulses["tach_pulses"][::4]
    gone = (injections > 20.5 * NS_PER_S) & (injections < 20.9 * NS_PER_S)
    pulses = {**recording.pulses, "injector_pulses": injections[~gone]}
    (stumble,) = analyse(Event("injector", engine, (replace(recording, pulses=pulses),))).stumbles
    return stumble


def test_missing_injections_clear_the_ignition_only_where_the_tach_wire_tells_of_the_coil() -> None:
    """A control unit that lost its trigger drives neither coil nor injector, while a wheel on the crank goes on."""
    at_the_coil, on_the_crank = (
        without_injection(replace(NATURAL, tach_source=source)) for source in ("coil_negative", "crank")
    )
    assert at_the_coil.evidence_for == ["the coil fired on but injector pulses were missing"]
    assert at_the_coil.probability["mixture"] > 0.95
    assert on_the_crank.evidence_for == ["injector pulses were missing"]
    ignition, mixture = on_the_crank.probability["ignition_primary"], on_the_crank.probability["mixture"]
    # 3 for the ignition, 4 for the mixture, of which 1.5 less was held before anything was seen
    assert ignition / mixture == pytest.approx(np.exp(KEPT * (3.0 - (4.0 - 1.5))), rel=0.01)


def test_a_feed_behind_a_ballast_resistor_does_not_speak_of_a_flat_battery() -> None:
    recording = Drive().recording()
    tach, feed = recording.pulses["tach_pulses"], recording.traces["ignition_feed_voltage"]
    missing = int(np.searchsorted(tach, 20.0 * NS_PER_S)) + np.arange(25)
    traces = {name: trace for name, trace in recording.traces.items() if name != "battery_voltage"}
    traces["ignition_feed_voltage"] = replace(feed, value=0.6 * feed.value)  # 8 V all day
    pulses = {**recording.pulses, "spark_pulses": np.delete(tach + 30_000, missing)}
    (stumble,) = analyse(Event("ballast", NATURAL, (replace(recording, traces=traces, pulses=pulses),))).stumbles
    assert stumble.cause == "ignition_secondary"
    assert not any("battery was down" in told for told in stumble.evidence_for + stumble.evidence_against)


@pytest.mark.parametrize(
    ("fell_s", "battery_v", "cause"),
    [
        (19.998, 13.9, "ignition_primary"),  # what feeds both, behind the battery
        (19.7, 13.9, "fuel_delivery"),  # the rail was low before, and the tach wire fell silent of it
        (19.998, 3.0, "supply_voltage"),
    ],
)
def test_a_rail_and_a_coil_that_fail_at_once_hang_on_one_switch(fell_s: float, battery_v: float, cause: str) -> None:
    """Only battery, rail and a tach wire from the coil are recorded."""
    tach = turned((0.0, 3000.0), (30.0, 3000.0))
    battery = drawn(30.0, (0, 13.9), (19.99, 13.9), (20.0, battery_v), (20.3, battery_v), (20.31, 13.9), (30, 13.9))
    view = seen(tach, 30.0, {"battery_voltage": battery, "fuel_pressure": drawn(30.0, (0, 300), (30, 300))})
    signs = [
        Sign("low_pressure", "fuel_pressure", round(fell_s * 1e9), round(20.3e9), 0.0, 2.0, note="200"),
        Sign("lost_pulses", "tach_pulses", round(20.005e9), round(20.3e9), 30.0, 6.9, round(19.995e9)),
    ]
    if battery_v < 10.0:
        signs.append(Sign("supply_dip", "battery_voltage", round(20.0e9), round(20.3e9), 0.0, 10.9, note="3.00"))
    episode = Episode(view, tuple(signs))
    assert judge(episode, order(episode)).cause == cause


def primary_by_the_crank_s_own_pulses(sparks_seen: float) -> float:
    """How probable the coil's primary is, where the crank gives the pulses and the clamp saw so many sparks."""
    tach = turned((0.0, 3000.0), (12.0, 3000.0))
    begin, end = 8 * NS_PER_S, 9 * NS_PER_S
    meanwhile = np.flatnonzero((tach > begin) & (tach < end))
    gone = meanwhile[round(sparks_seen * meanwhile.size) :]
    view = seen(tach, 12.0, {})
    pulses = {**view.recording.pulses, "spark_pulses": np.delete(tach, gone)}
    view = replace(
        view, engine=replace(view.engine, tach_source="crank"), recording=replace(view.recording, pulses=pulses)
    )
    episode = Episode(view, (Sign("weak_torque", "tach_pulses", begin, end, 100.0, 9.0),))
    return judge(episode, order(episode)).probability["ignition_primary"]


def test_a_coil_that_gave_every_spark_was_fed_and_switched() -> None:
    """Pulses from the crank do not tell whether the coil was switched; sparks do."""
    assert primary_by_the_crank_s_own_pulses(sparks_seen=1.0) < 0.01
    assert primary_by_the_crank_s_own_pulses(sparks_seen=0.5) > 0.05


def test_without_a_fuel_pressure_a_rail_that_starves_is_nearly_as_probable_as_a_spark_that_fails() -> None:
    """Both leave every pulse on a tach wire from the coil."""
    tach = turned((0.0, 3000.0), (12.0, 3000.0))
    rail = {"fuel_pressure": drawn(12.0, (0, 300), (12, 300))}
    weak = Sign("weak_torque", "tach_pulses", 8 * NS_PER_S, 9 * NS_PER_S, 100.0, 9.0)
    unseen, held = (Episode(seen(tach, 12.0, traces), (weak,)) for traces in ({}, rail))
    without, with_rail = (judge(episode, order(episode)).probability for episode in (unseen, held))
    assert 1.0 < without["ignition_secondary"] / without["fuel_delivery"] < 2.0
    assert without["ignition_secondary"] + without["fuel_delivery"] > 0.85
    assert with_rail["fuel_delivery"] < 0.02 < 0.8 < with_rail["ignition_secondary"]
    seldom = Episode(seen(tach, 12.0, {"fuel_pressure": drawn(12.0, (0, 300), (12, 300), rate_hz=5.0)}), (weak,))
    assert judge(seldom, order(seldom)).probability["fuel_delivery"] < 0.02
