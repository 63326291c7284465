"""Signs to episodes: what belongs together, what stands alone, what is no stumble."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.crank.states import View
from logger.analysis.crank.stops import DRAGGED_DOWN, Stop
from logger.analysis.failure import no_stumble, told
from logger.analysis.failure.episodes import Episode, join
from logger.analysis.failure.limiter import ceiling, held
from logger.analysis.failure.stumbles import _at_key_off, _starved
from logger.analysis.signs.sign import Sign, SignKind
from logger.event import NS_PER_S, Engine, Event, FloatArray, FuelSystem, IntArray, Recording, TachSource, Trace
from tests.analysis.array_car import NATURAL, Drive, nanoseconds
from tests.analysis.small_car import FOUR, drawn, seen, turned

S = 1_000_000_000


def sign(kind: SignKind, from_s: float, to_s: float, channel: str = "tach_pulses") -> Sign:
    return Sign(kind, channel, int(from_s * S), int(to_s * S))


def counted(kind: SignKind, from_s: float, to_s: float, lost: float) -> Sign:
    return replace(sign(kind, from_s, to_s), lost=lost)


def groups(*signs: Sign) -> list[list[float]]:
    return [[member.from_ns / S for member in group] for group in join(list(signs))]


def test_chatter_with_less_than_half_a_second_of_normal_running_between_is_one() -> None:
    assert groups(sign("lost_pulses", 1.0, 1.1), sign("lost_pulses", 1.55, 1.6)) == [[1.0, 1.55]]


def test_half_a_second_of_normal_running_parts_two() -> None:
    assert groups(sign("lost_pulses", 1.0, 1.1), sign("lost_pulses", 1.65, 1.7)) == [[1.0], [1.65]]


def test_a_long_sign_is_measured_from_its_end() -> None:
    assert groups(sign("supply_dip", 1.0, 3.0), sign("lost_pulses", 1.2, 1.3), sign("no_spark", 3.4, 3.5)) == [
        [1.0, 1.2, 3.4]
    ]


def test_the_exhaust_joins_what_it_touches_and_does_not_bridge_two() -> None:
    assert groups(
        sign("lost_pulses", 1.0, 1.1), sign("lost_pulses", 2.0, 2.1), sign("lean", 1.05, 2.05, "air_fuel_ratio")
    ) == [[1.0, 1.05], [2.0]]


def test_the_exhaust_alone_stands_alone() -> None:
    assert groups(sign("lost_pulses", 1.0, 1.1), sign("lean", 5.0, 5.5, "air_fuel_ratio")) == [[1.0], [5.0]]


def test_a_float_bowl_carries_low_pressure_over_to_the_stumble_it_ends_in() -> None:
    starved = [sign("low_pressure", 1.0, 6.0, "fuel_pressure"), sign("lean", 7.5, 8.0, "air_fuel_ratio")]
    assert len(join(starved)) == 2
    assert len(join(starved, bowl_ns=2 * S)) == 1


def test_bouts_behind_one_low_pressure_are_stumbles_of_their_own_and_all_of_them_starved() -> None:
    """A float bowl that runs dry, fills a little and runs dry again; the last bout begins as the rail is full again."""
    low = sign("low_pressure", 1.0, 16.0, "fuel_pressure")
    felt = [sign("lean", 7.5, 8.0, "air_fuel_ratio"), sign("weak_torque", 8.25, 8.5), sign("weak_torque", 12.0, 13.0)]
    assert groups_of_bowl(low, *felt) == [[1.0, 7.5, 8.25], [12.0, 12.0]]
    assert groups_of_bowl(low, *felt, sign("lean", 17.0, 17.5)) == [[1.0, 7.5, 8.25], [12.0, 12.0], [17.0, 17.0]]
    assert groups_of_bowl(low, *felt[:2]) == [[1.0, 7.5, 8.25]]


def groups_of_bowl(*signs: Sign) -> list[list[float]]:
    return [[member.from_ns / S for member in group] for group in join(list(signs), bowl_ns=2 * S)]


@pytest.mark.parametrize(("later_s", "groups"), [(0.04, 1), (0.1, 1), (0.3, 2)])
def test_a_rail_that_falls_as_the_coils_feed_opens_hangs_on_the_same_switch(later_s: float, groups: int) -> None:
    """With the battery up nothing else takes both away at once; a pump that fails later is a fault of its own."""
    opened = Sign("supply_dip", "ignition_feed_voltage", 10 * S, 11 * S)
    low = Sign("low_pressure", "fuel_pressure", round((10.0 + later_s) * S), 12 * S)
    assert len(join([opened, low])) == groups


@pytest.mark.parametrize(("sated_s", "groups"), [(None, 1), (11.0, 1), (10.6, 2)])
def test_two_shortages_are_parted_by_half_a_second_in_which_the_engine_feels_neither(
    sated_s: float | None, groups: int
) -> None:
    """A rail is under its floor from 10.0 to 11.0 s and from 11.2 s on; how long of that the engine feels differs."""
    sated = None if sated_s is None else round(sated_s * NS_PER_S)
    first = Sign("low_pressure", "fuel_pressure", 10 * NS_PER_S, 11 * NS_PER_S, sated_ns=sated)
    again = Sign("low_pressure", "fuel_pressure", round(11.2 * NS_PER_S), 12 * NS_PER_S)
    assert len(join([first, again])) == groups


def test_a_supply_that_dips_a_little_while_the_engine_fires_on_is_rejected_with_the_reason() -> None:
    drive = Drive()
    battery = drive.recording().traces["battery_voltage"]
    dipped = battery.value - np.where(np.abs(battery.time_ns / S - 21.0) < 0.05, 2.0, 0.0)
    drive.changes = {"battery_voltage": type(battery)(battery.time_ns, dipped)}
    found = drive.findings()
    assert found.stumbles == []
    assert any("fired on" in rejected["why"] for rejected in found.rejected)


@pytest.mark.parametrize(("dip_v", "why"), [(1.5, "fired on"), (4.0, None)])
def test_behind_a_ballast_resistor_a_dip_counts_by_its_share(dip_v: float, why: str | None) -> None:
    # The coil is fed with 8 V all day: a fifth less is nothing, half of it fires no coil.
    drive = Drive()
    feed = drive.recording().traces["ignition_feed_voltage"]
    there = np.where(feed.value > 5.0, 8.0, feed.value)
    dipped = there - np.where(np.abs(feed.time_ns / S - 21.0) < 0.05, dip_v, 0.0)
    drive.changes = {"ignition_feed_voltage": type(feed)(feed.time_ns, dipped)}
    found = drive.findings()
    assert len(found.stumbles) == (0 if why else 1)
    assert why is None or any(why in rejected["why"] for rejected in found.rejected)


@pytest.mark.parametrize(("source", "stumbles"), [("coil_negative", 0), (None, 0), ("crank", 1)])
def test_a_coil_that_fires_on_with_nothing_at_its_terminal_is_fed(source: TachSource | None, stumbles: int) -> None:
    """The feed's tap opens for 60 ms, a dozen pulses; only where they come from the coil do they tell."""
    drive = Drive(engine=replace(NATURAL, tach_source=source))
    feed = drive.recording().traces["ignition_feed_voltage"]
    open_tap = np.where(np.abs(feed.time_ns / S - 21.0) < 0.03, 0.02, feed.value)
    drive.changes = {"ignition_feed_voltage": type(feed)(feed.time_ns, open_tap)}
    found = drive.findings()
    assert len(found.stumbles) == stumbles
    assert any("nothing at its terminal" in rejected["why"] for rejected in found.rejected) == (not stumbles)


def without_injection(from_s: float, to_s: float) -> list[tuple[str, str, float]]:
    """What is found where an injector that opens every other turn is left out for a while."""
    recording = Drive().recording()
    injections = recording.pulses["tach_pulses"][::4]
    gone = (injections > from_s * S) & (injections < to_s * S)
    pulses = {**recording.pulses, "injector_pulses": injections[~gone]}
    found = analyse(Event("injector", NATURAL, (replace(recording, pulses=pulses),)))
    return [(s.cause, s.first_to_move, s.onset_s) for s in found.stumbles]


def test_missing_injections_while_the_coil_fires_are_the_mixtures() -> None:
    ((cause, first, onset_s),) = without_injection(20.5, 20.9)
    assert (cause, first) == ("mixture", "injector_pulses")
    assert onset_s == pytest.approx(20.5, abs=0.05)


def test_fuel_cut_on_overrun_is_no_stumble() -> None:
    assert without_injection(26.8, 27.8) == []


def test_sparks_that_fail_while_the_coil_is_switched_are_the_high_tension_sides() -> None:
    recording = Drive().recording()
    tach = recording.pulses["tach_pulses"]
    sparks = tach[(tach < 27.0 * S) | (tach > 27.2 * S)] + nanoseconds(np.array(30e-6))
    pulses = {**recording.pulses, "spark_pulses": sparks}
    found = analyse(Event("clamp", NATURAL, (replace(recording, pulses=pulses),)))
    assert [s.cause for s in found.stumbles] == ["ignition_secondary"]
    assert found.stumbles[0].onset_s == pytest.approx(27.0, abs=0.01)
    assert any("injector" in rival for rival in found.stumbles[0].rivals)


@pytest.mark.parametrize("rpm", [2000.0, 3000.0, 5500.0])
def test_a_speed_that_is_held_for_long_is_no_limiter_where_no_redline_is_given(rpm: float) -> None:
    """Steady on the bench: the highest speed of the event is the speed it was held at, and a cut-out there counts."""
    step_ns = round(60e9 / rpm / 3.0)
    time_ns = np.arange(0, 40 * NS_PER_S, step_ns, dtype=np.int64)
    lost = (time_ns >= 20 * NS_PER_S) & (time_ns < 20 * NS_PER_S + 120_000_000)
    pulses = {"tach_pulses": time_ns[~lost]}
    event = Event("bench", Engine(6), (Recording("r01", int(time_ns[-1]), {}, pulses),))
    [stumble] = analyse(event).stumbles
    assert stumble.onset_s == pytest.approx(20.0, abs=2 * step_ns / NS_PER_S)
    assert stumble.lost_firings == np.count_nonzero(lost)


def test_a_coil_feed_that_opens_while_the_rail_is_low_is_a_stumble_of_its_own() -> None:
    low = sign("low_pressure", 10.0, 16.0, "fuel_pressure")
    feed = [sign("lost_pulses", 12.0, 12.2), sign("supply_dip", 12.0, 12.2, "ignition_feed_voltage")]
    assert groups(low, *feed) == [[10.0], [12.0, 12.0]]


def test_a_rail_that_falls_after_the_supply_did_belongs_to_it() -> None:
    assert groups(sign("supply_dip", 5.0, 5.4, "battery_voltage"), sign("low_pressure", 5.1, 5.7, "fuel_pressure")) == [
        [5.0, 5.1]
    ]


@pytest.mark.parametrize(("full_again_s", "parted"), [(5.7, True), (6.1, False)])
def test_a_rail_that_fills_again_while_the_engine_runs_joins_nothing(full_again_s: float, parted: bool) -> None:
    """Two breaks of the main feed, 0.6 s apart; only a rail that is low until the second joins them."""
    first, second = sign("supply_dip", 5.0, 5.4, "battery_voltage"), sign("lost_pulses", 6.0, 6.3)
    rail = sign("low_pressure", 5.1, full_again_s, "fuel_pressure")
    assert groups(first, rail, second) == ([[5.0, 5.1], [6.0]] if parted else [[5.0, 5.1, 6.0]])


def test_an_engine_that_dies_on_a_low_rail_died_of_it() -> None:
    assert groups(sign("low_pressure", 3.0, 9.0, "fuel_pressure"), sign("died", 8.7, 20.0)) == [[3.0, 8.7]]


def test_what_fails_before_the_engine_stands_and_while_it_is_turned_again_is_one() -> None:
    assert groups(sign("lost_pulses", 3.0, 3.5), sign("died", 3.6, 9.0), sign("supply_dip", 8.0, 8.1)) == [
        [3.0, 8.0, 3.6]
    ]


def with_rail(kpa: float, from_s: float, to_s: float, engine: Engine = NATURAL) -> list[tuple[str, str]]:
    """What is found where the rail is at `kpa` for a while."""
    recording = Drive().recording()
    rail = recording.traces["fuel_pressure"]
    low = (rail.time_ns > from_s * S) & (rail.time_ns < to_s * S)
    traces = {**recording.traces, "fuel_pressure": replace(rail, value=np.where(low, kpa, rail.value))}
    found = analyse(Event("rail", engine, (replace(recording, traces=traces),)))
    return [(s.cause, s.first_to_move) for s in found.stumbles]


def test_a_rail_that_loses_half_of_its_pressure_under_load_starves_the_engine() -> None:
    assert with_rail(110.0, 20.5, 21.5) == [("fuel_delivery", "fuel_pressure")]


def test_a_rail_a_little_under_its_closed_throttle_level_is_no_stumble() -> None:
    assert with_rail(160.0, 20.5, 21.5) == []


def test_a_float_bowl_that_is_filled_now_and_then_does_not_run_dry() -> None:
    carburettor = replace(NATURAL, fuel_system="carburettor")
    recording = Drive().recording()
    rail = recording.traces["fuel_pressure"]
    time_s = rail.time_ns / S
    starved = (time_s > 15.0) & (time_s < 24.0)

    def found(kpa: FloatArray) -> list[str]:
        value = 0.1 * rail.value + 5.0  # a carburettor's 30 kPa
        value = np.where(starved, kpa, value)
        traces = {**recording.traces, "fuel_pressure": replace(rail, value=value)}
        return [s.cause for s in analyse(Event("bowl", carburettor, (replace(recording, traces=traces),))).stumbles]

    noise = np.random.default_rng(2).normal(0.0, 0.3, time_s.size)
    assert found(noise) == ["fuel_delivery"]
    assert found(np.where(time_s % 3.0 < 1.0, 18.0, 0.0) + noise) == []


def test_a_pulse_or_two_missing_and_nothing_else_is_too_little_to_tell() -> None:
    recording = Drive().recording()
    tach = recording.pulses["tach_pulses"]
    at = int(np.searchsorted(tach, 20 * S))
    event = Event("one", NATURAL, (replace(recording, pulses={"tach_pulses": np.delete(tach, at)}),))
    found = analyse(event)
    assert found.stumbles == []
    assert found.sensor_faults == []


def without_pulses(**witness: IntArray) -> tuple[list[str], list[str]]:
    """Causes and sensor faults found where 12 tach pulses are missing at idle, where the crank tells little."""
    recording = Drive().recording()
    tach = recording.pulses["tach_pulses"]
    gone = (tach > 36.4 * S) & (tach < 36.8 * S)
    pulses = {"tach_pulses": tach[~gone], **{name: times + 30_000 for name, times in witness.items()}}
    traces = {name: trace for name, trace in recording.traces.items() if name != "ignition_feed_voltage"}
    found = analyse(Event("witness", NATURAL, (replace(recording, traces=traces, pulses=pulses),)))
    return [s.cause for s in found.stumbles], [f.kind for f in found.sensor_faults]


def test_sparks_that_went_on_convict_the_tach_wire() -> None:
    tach = Drive().recording().pulses["tach_pulses"]
    assert without_pulses(spark_pulses=tach) == ([], ["dropped_pulses"])


def test_sparks_that_stopped_as_well_convict_the_ignition() -> None:
    tach = Drive().recording().pulses["tach_pulses"]
    silent = tach[(tach < 36.4 * S) | (tach > 36.8 * S)]
    assert without_pulses(spark_pulses=silent) == (["ignition_primary"], [])


def test_a_pressure_sensor_without_supply_starves_nobody() -> None:
    recording = Drive().recording()
    time_s = recording.traces["battery_voltage"].time_ns / S
    dip = np.abs(time_s - 36.0) < 0.03  # idling: the dip itself is no stumble
    names = ("battery_voltage", "ignition_feed_voltage", "fuel_pressure")
    share = {"battery_voltage": 0.2, "ignition_feed_voltage": 0.2, "fuel_pressure": 0.3}
    traces = {
        name: replace(trace, value=np.where(dip, share[name] * trace.value, trace.value)) if name in names else trace
        for name, trace in recording.traces.items()
        if name != "sensor_supply_voltage"
    }
    assert analyse(Event("unfed", NATURAL, (replace(recording, traces=traces),))).stumbles == []


@pytest.mark.parametrize(("from_s", "belongs"), [(9.7, False), (9.9, True), (10.8, True), (11.1, False)])
def test_what_fails_while_the_crank_runs_down_behind_a_key_turned_off_belongs_to_that(
    from_s: float, belongs: bool
) -> None:
    """Off at 10 s; the last pulse, due at 11 s, was the crank's own."""
    off = Stop("key_off", 11 * S, 100, None, "the key was turned off", 10 * S)
    assert _at_key_off(sign("weak_torque", from_s, from_s + 0.2), [off]) is belongs


@pytest.mark.parametrize(("from_s", "belongs"), [(9.8, False), (9.96, True), (10.9, True), (11.1, False)])
def test_what_fails_within_a_second_of_a_drivers_stall_belongs_to_that(from_s: float, belongs: bool) -> None:
    stall = Stop("driver_stall", 10 * S, 100, None, "the car lurched")
    assert _at_key_off(sign("lost_pulses", from_s, from_s + 0.2), [stall]) is belongs
    assert not _at_key_off(sign("lost_pulses", from_s, from_s + 0.2), [replace(stall, why="died")])


def test_a_float_bowls_episode_ends_when_the_engine_no_longer_feels_it() -> None:
    signs = (sign("low_pressure", 10.0, 30.0, "fuel_pressure"), sign("lean", 16.0, 18.0, "air_fuel_ratio"))
    tach = turned((0.0, 3000), (4.0, 3000))
    fed = Episode(seen(tach, 4.0, {}), signs)
    bowl = Episode(seen(tach, 4.0, {}, replace(FOUR, fuel_system="carburettor")), signs)
    assert (fed.to_ns, bowl.to_ns) == (30 * S, 18 * S)


def test_a_limiter_that_cuts_a_crank_on_spinning_tyres_is_known_by_the_pulses_right_before_it() -> None:
    """From 4,600 to 6,420 rev/min within 0.2 s, cut there for a tenth of a second, back at 6,180. The speed is a mean
    over six pulses, six turns here, and stays under 97.5 % of the ceiling; the turn right before the cut reaches it."""
    wasted = replace(FOUR, tach_pulses_per_revolution=1.0)
    tach = turned((0.0, 4600), (10.0, 4600), (10.2, 6420), (10.3, 6180), (10.6, 5200), (12.0, 5200), engine=wasted)
    view = seen(tach[(tach < 10.2 * S) | (tach > 10.3 * S)], 12.0, {}, wasted)
    ((first, stop),) = view.firings.missing_runs().tolist()
    at = view.firings.time_ns
    lost = Sign("lost_pulses", "tach_pulses", int(at[first]), int(at[stop]), float(stop - first))
    assert view.firings.speed_rps[first - 8 : stop + 8].max() < 0.975 * 6500 / 60
    assert held(Episode(view, (lost,)), 6500 / 60) is not None
    faster = replace(view, engine=replace(wasted, redline_rpm=7000.0))
    assert held(Episode(faster, (lost,)), 7000 / 60) is None


@pytest.mark.parametrize(
    ("from_s", "to_s", "limited"), [(6.8, 7.1, True), (4.0, 7.1, False), (7.0, 7.9, True), (4.0, 4.3, False)]
)
def test_air_in_the_exhaust_is_the_limiters_only_where_the_engine_was_held_by_it(
    from_s: float, to_s: float, limited: bool
) -> None:
    """Pulled from 4,000 to 6,500 rev/min in four seconds, held there for one, with every tach pulse there."""
    view = seen(turned((0.0, 4000.0), (3.0, 4000.0), (7.0, 6500.0), (8.0, 6480.0), (10.0, 5000.0)), 10.0, {})
    air = sign("lean", from_s, to_s, "air_fuel_ratio")
    assert (held(Episode(view, (air,)), 6500 / 60) is not None) is limited
    # A rail a little low meanwhile, and from long before, makes no difference to that; one that starves does.
    low = replace(sign("low_pressure", 3.5, 7.5, "fuel_pressure"), strength=0.2)
    assert (held(Episode(view, (low, air)), 6500 / 60) is not None) is limited
    assert held(Episode(view, (replace(low, strength=1.0), air)), 6500 / 60) is None


@pytest.mark.parametrize(
    ("peak_rpm", "back_rpm", "limited"),
    [
        (6500.0, 6400.0, True),
        (7400.0, 6400.0, True),  # driven over it by the car, in a gear too low
        (6500.0, 6110.0, True),  # it lets go four or five hundred below
        (6500.0, 5900.0, False),  # a limiter would have let go long before
    ],
)
def test_a_limiter_lets_the_pulses_come_back_as_soon_as_the_crank_is_just_below_it(
    peak_rpm: float, back_rpm: float, limited: bool
) -> None:
    """Up to 6,450 rev/min, where the pulses end for four tenths of a second; back at `back_rpm`."""
    points = ((0.0, 4000.0), (3.0, 4000.0), (4.0, 6450.0), (4.2, peak_rpm), (4.4, back_rpm), (5.0, back_rpm - 100.0))
    tach = turned(*points)
    view = seen(tach[(tach < 4 * S) | (tach > 4.4 * S)], 5.0, {})
    ((first, stop),) = view.firings.missing_runs().tolist()
    at = view.firings.time_ns
    lost = Sign("lost_pulses", "tach_pulses", int(at[first]), int(at[stop]), float(stop - first))
    for ceiling_rpm in (6500, 6800):  # the fastest that it ever turned, which the car may have made it do
        assert (held(Episode(view, (lost,)), ceiling_rpm / 60) is not None) is limited
    for strength, still in ((0.4, limited), (1.2, False)):  # a rail that sagged a little starved nothing
        low = Sign("low_pressure", "fuel_pressure", lost.from_ns, lost.to_ns, 0.0, strength)
        assert (held(Episode(view, (lost, low)), 6500 / 60) is not None) is still


@pytest.mark.parametrize(
    ("from_s", "to_s", "strength", "reason", "carburettor", "why"),
    [
        (9.2, 10.4, 0.2, DRAGGED_DOWN, False, "died"),  # the rail failed just before
        (9.2, 10.4, 0.2, "the car lurched", False, "driver_stall"),  # a clutch that was felt is the driver's
        (10.1, 10.9, 0.2, DRAGGED_DOWN, False, "driver_stall"),  # pump off, as the engine stood
        (4.0, 10.4, 0.2, DRAGGED_DOWN, False, "driver_stall"),  # low for long, and the engine ran on it
        (4.0, 10.4, 1.2, DRAGGED_DOWN, False, "died"),
        (4.0, 7.0, 1.2, DRAGGED_DOWN, False, "driver_stall"),
        (4.0, 10.4, 0.5, DRAGGED_DOWN, False, "driver_stall"),
        (4.0, 10.4, 0.5, DRAGGED_DOWN, True, "died"),  # a small float bowl is dry by then
        (4.0, 10.4, 0.2, DRAGGED_DOWN, True, "driver_stall"),
        (4.0, 7.0, 0.5, DRAGGED_DOWN, True, "driver_stall"),  # the pump filled it again
    ],
)
def test_an_engine_whose_rail_failed_as_it_stopped_died_of_that(
    from_s: float, to_s: float, strength: float, reason: str, carburettor: bool, why: str
) -> None:
    halt = Stop("driver_stall", 10 * S, 500, None, reason)
    low = replace(sign("low_pressure", from_s, to_s, "fuel_pressure"), strength=strength)
    assert _starved(halt, [low], carburettor).why == why


@pytest.mark.parametrize(
    ("per_turn", "firings", "strength", "is_one"),
    [
        (2.0, 2.0, 2.5, False),
        (2.0, 3.0, 2.5, True),
        (2.0, 2.0, 3.5, True),
        (1.0, 4.0, 2.5, False),
        (1.0, 6.0, 2.5, True),
    ],
)
def test_one_or_two_pulses_missing_are_too_little_however_many_firings_they_stand_for(
    per_turn: float, firings: float, strength: float, is_one: bool
) -> None:
    engine = replace(FOUR, tach_pulses_per_revolution=per_turn)
    view = seen(turned((0.0, 3000.0), (12.0, 3000.0), engine=engine), 12.0, {}, engine)
    lost = Sign("lost_pulses", "tach_pulses", 5 * S, 5 * S + 20_000_000, firings, strength)
    assert (no_stumble.why(Episode(view, (lost,))) is None) is is_one


@pytest.mark.parametrize(
    ("fuel_system", "leanest", "kind", "is_one"),
    [
        ("port_injection", 16.0, "lean", False),
        ("port_injection", 20.0, "lean", True),
        ("port_injection", 16.0, "weak_torque", True),  # the crank felt it
        ("carburettor", 16.0, "lean", True),  # a bowl gives sound mixture or none
    ],
)
def test_a_rail_that_made_the_mixture_weaker_and_no_more_made_no_stumble(
    fuel_system: FuelSystem, leanest: float, kind: SignKind, is_one: bool
) -> None:
    """The rail is short from 5 to 6 s; the exhaust reads as lean a quarter of a second later."""
    probe = drawn(12.0, (0, 13.4), (5.2, 13.4), (5.4, leanest), (6.2, leanest), (6.4, 13.4))
    engine = replace(FOUR, fuel_system=fuel_system)
    view = seen(turned((0.0, 3000.0), (12.0, 3000.0)), 12.0, {"air_fuel_ratio": probe}, engine)
    low = replace(sign("low_pressure", 5.0, 6.0, "fuel_pressure"), strength=1.2)
    assert (no_stumble.why(Episode(view, (low, sign(kind, 5.3, 6.0)))) is None) is is_one
    bare = replace(view, traces={})
    assert no_stumble.why(Episode(bare, (low,))) is None


@pytest.mark.parametrize(("throttle", "opens_at_s", "is_one"), [(0.5, 9.0, False), (4.0, 9.0, True), (0.5, 5.7, True)])
def test_a_rail_that_fails_on_a_shut_throttle_only_takes_no_firing(
    throttle: float, opens_at_s: float, is_one: bool
) -> None:
    """Low from 5 to 6 s while the car drives the engine; a throttle a little open, or opened soon, asks for fuel."""
    foot = drawn(12.0, (0, 60), (4.0, 60), (4.1, throttle), (opens_at_s, throttle), (opens_at_s + 0.05, 60), (12, 60))
    tach = turned((0.0, 3000.0), (4.1, 4000.0), (opens_at_s, 2800.0), (12.0, 4500.0))
    view = seen(tach, 12.0, {"throttle_position": foot})
    low = replace(sign("low_pressure", 5.0, 6.0, "fuel_pressure"), strength=2.0)
    assert (no_stumble.why(Episode(view, (low,))) is None) is is_one


@pytest.mark.parametrize(
    ("signs", "lost"),
    [
        ((counted("lost_pulses", 5.0, 6.0, 60.0), counted("weak_torque", 5.0, 6.0, 70.0)), 70),  # the same firings
        ((counted("lost_pulses", 5.0, 6.0, 60.0), counted("no_spark", 5.0, 6.0, 20.0)), 80),  # a pulse has or misses it
        ((counted("lost_pulses", 5.0, 6.0, 60.0), counted("weak_torque", 5.5, 6.5, 60.0)), 90),  # half of them the same
        (
            (counted("weak_torque", 5.0, 6.0, 60.0), counted("weak_torque", 5.0, 6.0, 50.0)),
            60,
        ),  # two detectors, one loss
        ((counted("lean", 5.0, 6.0, 12.0),), 12),
        (
            (counted("lost_pulses", 5.0, 6.0, 60.0), counted("lean", 5.2, 6.5, 60.0)),
            60,
        ),  # the exhaust only trails behind
        ((counted("low_pressure", 5.0, 6.0, 0.0),), 70),  # of a hundred in that time
        ((counted("lost_pulses", 5.0, 5.0, 1.0),), 1),
    ],
)
def test_a_firing_that_several_signs_tell_of_is_lost_once(signs: tuple[Sign, ...], lost: int) -> None:
    view = seen(turned((0.0, 3000.0), (12.0, 3000.0)), 12.0, {})
    assert told.lost_firings(Episode(view, signs)) == pytest.approx(lost, abs=1)


@pytest.mark.parametrize(("beyond_s", "expected"), [(0.0, 6500.0), (0.1, 6500.0), (3.0, np.inf)])
def test_a_limiter_is_known_though_a_gear_too_low_drives_the_engine_beyond_it(beyond_s: float, expected: float) -> None:
    over = ((46.0, 7200.0), (46.0 + beyond_s, 7200.0), (46.1 + beyond_s, 6000.0)) if beyond_s else ()
    tach = turned((0.0, 3000.0), (30.0, 3000.0), (40.0, 6500.0), (45.9, 6500.0), *over, (50.0, 3500.0), (90.0, 3500.0))
    assert ceiling([seen(tach, 90.0, {})]) * 60.0 == pytest.approx(expected, rel=0.02)


def scattered(rpm: float, *, lost: int, extra: int) -> Recording:
    """Speed up to 6,500 rev/min, where the limiter is, and steady at `rpm`; there the wire loses every tenth pulse so
    many times, and so many edges belong to no firing."""
    tach = turned(
        (0.0, 900), (8.0, 900), (12.0, 6500), (16.0, 6500), (17.0, rpm), (22.0, rpm), (24.0, 900), (28.0, 900)
    )
    first = int(np.searchsorted(tach, 18 * S))
    between = (tach[first + 50 : first + 50 + 3 * extra : 3] + 0.4 * np.diff(tach[first : first + 2])).astype(np.int64)
    kept = np.delete(tach, first + 10 * np.arange(lost))
    return Recording("r01", 28 * S, {}, {"tach_pulses": np.sort(np.append(kept, between))})


@pytest.mark.parametrize(("lost", "extra", "kind"), [(12, 0, "dropped_pulses"), (0, 6, "extra_pulses")])
def test_a_tach_wire_is_blamed_for_scattered_pulses_at_speed_and_not_on_the_rev_limiter(
    lost: int, extra: int, kind: str
) -> None:
    def faults(rpm: float) -> list[str]:
        found = analyse(Event("limiter", FOUR, (scattered(rpm, lost=lost, extra=extra),)))
        assert found.stumbles == []
        return [fault.kind for fault in found.sensor_faults]

    assert faults(5000.0) == [kind]
    assert faults(6230.0) == []  # within a twentieth of it


@pytest.mark.parametrize(
    ("fell_to", "leanest", "fuel_system", "is_one"),
    [
        (257.0, 14.6, "port_injection", False),  # 257 of 322 kPa give nine tenths of the fuel: 12.8 turns into 14.3
        (316.0, 14.6, "port_injection", True),
        (257.0, 18.5, "port_injection", True),  # so lean that it need not have burned
        (257.0, 14.6, "carburettor", True),  # behind a float bowl the rail's pressure makes no mixture
    ],
)
def test_a_mixture_as_lean_as_a_rail_that_fell_makes_it_is_no_stumble_though_the_rail_kept_its_band(
    fell_to: float, leanest: float, fuel_system: str, is_one: bool
) -> None:
    traces = {
        "fuel_pressure": drawn(10.0, (0, 322), (4.9, 322), (5.0, fell_to), (5.3, fell_to), (5.5, 322), (10, 322)),
        "air_fuel_ratio": drawn(10.0, (0, 12.8), (5.1, 12.8), (5.3, leanest), (5.5, leanest), (5.8, 12.8), (10, 12.8)),
    }
    view = seen(turned((0.0, 3000), (10.0, 3000)), 10.0, traces, replace(FOUR, fuel_system=fuel_system))
    assert (no_stumble.why(Episode(view, (sign("lean", 5.0, 5.3, "air_fuel_ratio"),))) is None) is is_one


def test_after_a_fuel_cut_a_mixture_did_not_turn_lean_by_the_rail() -> None:
    """Behind a shut throttle until 4.9 s the exhaust reads plain air; the rail falls a little from there on."""
    traces = {
        "fuel_pressure": drawn(10.0, (0, 282), (4.9, 282), (5.0, 268), (10, 268)),
        "air_fuel_ratio": drawn(10.0, (0, 22), (4.9, 22), (5.1, 15), (5.2, 16.8), (5.3, 15), (10, 14.7)),
    }
    view = seen(turned((0.0, 3000), (10.0, 3000)), 10.0, traces)
    assert no_stumble.why(Episode(view, (sign("lean", 5.0, 5.3, "air_fuel_ratio"),))) is None


def gaps_at(*rpm: float) -> View:
    """Up to each of the speeds, where the pulses end for a tenth of a second, and down again."""
    points, cuts = [(0.0, 3000.0)], []
    for speed in rpm:
        at_s = points[-1][0]
        points += [(at_s + 3.0, speed), (at_s + 3.1, speed - 150.0), (at_s + 4.0, 3000.0)]
        cuts.append(at_s + 3.0)
    tach = turned(*points)
    for at_s in cuts:
        tach = tach[(tach < at_s * S) | (tach > (at_s + 0.1) * S)]
    return seen(tach, points[-1][0], {}, replace(FOUR, redline_rpm=None))


def without_redline(*points: tuple[float, float]) -> View:
    return seen(turned(*points), points[-1][0], {}, replace(FOUR, redline_rpm=None))


def test_where_no_redline_is_given_the_highest_speed_may_be_the_limiters() -> None:
    up_and_down = ((0.0, 3000), (4.0, 6500), (8.0, 3000))
    assert ceiling([without_redline(*up_and_down)]) * 60.0 == pytest.approx(6500.0, rel=0.01)
    for moment_s, expected_rpm in ((0.01, 6500.0), (1.0, 7200.0)):  # a gear too low, and a speed it really reaches
        over = ((60.0, 3000), (64.0, 6500), (64.1, 7200), (64.1 + moment_s, 7200), (64.2 + moment_s, 6500), (70, 3000))
        assert ceiling([without_redline(*up_and_down, *over)]) * 60.0 == pytest.approx(expected_rpm, rel=0.02)
    assert ceiling([without_redline((0.0, 3000), (4.0, 6500), (24.0, 6500))]) == np.inf  # held there by its driver
    assert ceiling([without_redline((0.0, 3000), (4.0, 3700), (8.0, 3000))]) == np.inf  # no limiter sits that low


def test_pulses_that_end_time_and_again_at_a_speed_held_for_long_were_cut_by_a_limiter_there() -> None:
    """Most of the time is spent at the highest speed, as on a bench."""
    held_at = 6500.0
    steady = without_redline((0.0, held_at), (40.0, held_at))
    assert ceiling([gaps_at(6480, 6500, 6510, 6490), steady]) * 60.0 == pytest.approx(6500.0, rel=0.02)
    assert ceiling([gaps_at(6480, 6500, 6510), steady]) == np.inf  # three may be chance
    assert ceiling([gaps_at(4800, 6500, 5300, 6490), steady]) == np.inf
    slow = without_redline((0.0, 3700), (40.0, 3700))
    assert ceiling([gaps_at(3700, 3710, 3690, 3700), slow]) == np.inf  # no limiter sits that low
    faster = without_redline((0.0, 7500), (60.0, 7500))
    assert ceiling([gaps_at(6480, 6500, 6510, 6490), faster]) == np.inf


@pytest.mark.parametrize(("rpm", "push_g", "is_one"), [(900, 0.5, False), (900, 0.0, True), (2500, 0.5, True)])
def test_idling_pulses_that_end_as_the_standing_car_lurches_ended_by_the_clutch(
    rpm: float, push_g: float, is_one: bool
) -> None:
    along = drawn(12.0, (0, 0.0), (5.0, 0.0), (5.01, push_g), (5.08, push_g), (5.1, 0.0), (12.0, 0.0), rate_hz=200.0)
    noise = np.random.default_rng(8).normal((0, 0, 1), 0.02, (along.time_ns.size, 3))
    felt = Trace(along.time_ns, noise + np.outer(along.value, [1.0, 0.0, 0.0]))
    view = seen(turned((0.0, rpm), (12.0, rpm)), 12.0, {"acceleration": felt})
    lost = replace(sign("lost_pulses", 5.0, 5.3), lost=6.0, strength=4.0)
    assert (no_stumble.why(Episode(view, (lost,))) is None) is is_one
    fed = replace(sign("supply_dip", 5.0, 5.3, "ignition_feed_voltage"), note="0.0")
    assert no_stumble.why(Episode(view, (lost, fed))) is None
