"""Whole power-ups: what each signal of the simulated car does, healthy and with each fault."""

from dataclasses import replace
from functools import cache
from itertools import pairwise
from random import Random

import numpy as np
import pytest

from logger.virtualcar.ailments import possible, sick
from logger.virtualcar.car import Car, CarSpec, Conditions
from logger.virtualcar.drive import Drive, Signal, clipped
from logger.virtualcar.engine import RPM
from logger.virtualcar.faults import KINDS, Fault, Trigger
from logger.virtualcar.garage import CARS, DRAWN, HELD_OUT, TUNED
from logger.virtualcar.plan import Plan, Section
from logger.virtualcar.scenario import commissioning, demo_event, drive
from logger.virtualcar.truth import truth_of

COURSE = (
    Section("full", 4.0),
    Section("corner", 1.2, 9.0, 0.7),
    Section("full", 4.0),
    Section("lift", 0.8),
    Section("full", 4.0),
)
WARM = Conditions(coolant_degc=85.0, bay_degc=50.0, rail_kpa=100.0)

SOME = [*TUNED, *HELD_OUT, *list(DRAWN)[:12]]


def _drive(name: str, *faults: Fault, plan: Plan | None = None, conditions: Conditions = WARM) -> tuple[Drive, Car]:
    plan = plan or Plan(warm_s=4.0, blips=1, course=COURSE, cool_s=2.0)
    return drive(CARS[name], plan, conditions, list(faults), 5, "r01", 0.0)


@cache
def healthy(name: str) -> tuple[Drive, Car]:
    return _drive(name)


def scheduled(kind: str, *spans: tuple[float, float]) -> Fault:
    """A fault whose contact is open exactly over the given spans."""
    fault = Fault(kind, Trigger(), Random(1))
    for start, end in spans:
        fault.contact.schedule(start, end - start, 0.0, fault.random)
        fault.started.append(start)
    return fault


def window(drive: Drive, channel: str, start: float, end: float) -> np.ndarray:
    signal = drive.signals[channel]
    return signal.value[round(start * signal.rate_hz) : round(end * signal.rate_hz)]


def pulses(drive: Drive, channel: str, start: float, end: float) -> int:
    times = drive.pulses[channel]
    return int(((times >= start) & (times < end)).sum())


@pytest.mark.parametrize("name", SOME)
def test_every_car_idles_revs_and_stays_alive(name: str) -> None:
    result, car = healthy(name)
    engine = car.engine
    log = car.log
    idle = (log.column("gear") == 0) & (log.column("running") > 0.5) & (log.column("throttle") < 0.01)
    slack = 0.15 if engine.idle_control else 0.2  # a carburettor's idle follows the oil's temperature
    assert float(np.median(log.column("crank")[idle])) * RPM == pytest.approx(engine.idle_rpm, rel=slack)
    assert 0.55 * engine.redline_rpm < float(log.column("crank").max()) * RPM < 1.2 * engine.redline_rpm
    assert result.truth["stumbles"] == []
    assert not any(word == "engine_stopped" for _, word in car.driver.notes)


@pytest.mark.parametrize("name", SOME)
def test_tach_pulses_per_revolution_are_as_described(name: str) -> None:
    result, car = healthy(name)
    log = car.log
    steady = (log.column("t") > 4.0) & (log.column("gear") == 0) & (log.column("running") > 0.5)
    start, end = log.column("t")[steady][0] + 1.0, log.column("t")[steady][0] + 4.0
    turned = log.column("turned")[(log.column("t") >= start) & (log.column("t") < end)].sum() / (2.0 * np.pi)
    counted = pulses(result, "tach_pulses", start, end)
    assert counted == pytest.approx(turned * car.engine.pulses_per_revolution, abs=2.0)


def test_the_same_seed_drives_the_same_drive() -> None:
    first, _ = _drive("three_injected")
    second, _ = _drive("three_injected")
    assert np.array_equal(first.pulses["tach_pulses"], second.pulses["tach_pulses"])
    for channel, signal in first.signals.items():
        assert np.array_equal(signal.value, second.signals[channel].value), channel


def test_fuel_pressure_follows_the_vacuum_only_where_the_regulator_does() -> None:
    for name, follows in (("four_injected", True), ("eight_single_point", False)):
        _, car = healthy(name)
        log = car.log
        running = (log.column("running") > 0.5) & (log.column("t") > 6.0)
        vacuum = running & (log.column("manifold") < 30.0)
        full = running & (log.column("manifold") > 90.0)
        fall = np.median(log.column("rail")[full]) - np.median(log.column("rail")[vacuum])
        assert bool(fall > 50.0) is follows, name


def test_cranking_pulls_the_battery_down_and_the_alternator_brings_it_up() -> None:
    result, car = healthy("four_injected")
    cranking = next(t for t, word in car.driver.notes if word == "cranking")
    assert window(result, "battery_voltage", cranking, cranking + 0.6).min() < 10.8
    assert np.median(window(result, "battery_voltage", 14.0, 18.0)) > 13.2


def test_coolant_warms_while_driving() -> None:
    cold = Conditions(coolant_degc=40.0, bay_degc=25.0)
    result, _ = _drive("four_injected", conditions=cold)
    coolant = result.signals["coolant_temperature"].value
    assert 45.0 < coolant[-1] < 100.0


def test_an_open_coil_feed_takes_tach_and_feed_away_while_the_crank_turns() -> None:
    result, car = _drive("six_injected", scheduled("chafe_feed", (12.0, 12.4)))
    assert pulses(result, "tach_pulses", 12.02, 12.39) == 0
    assert window(result, "ignition_feed_voltage", 12.02, 12.39).max() < 0.5
    assert window(result, "battery_voltage", 12.0, 12.4).min() > 11.5
    assert np.interp(12.39, car.log.column("t"), car.log.column("crank")) > 100.0
    (row,) = result.truth["stumbles"]
    assert row["cause"] == "ignition_primary"
    assert row["onset_s"] == pytest.approx(12.0, abs=1e-3)
    assert 12.0 <= row["engine_onset_s"] < 12.03


def test_a_dead_trigger_takes_the_tach_away_but_not_the_feed() -> None:
    result, _ = _drive("six_injected", scheduled("chafe_trigger", (12.0, 12.3)))
    assert pulses(result, "tach_pulses", 12.02, 12.29) == 0
    assert window(result, "ignition_feed_voltage", 12.02, 12.29).min() > 11.0


def test_a_broken_coil_lead_leaves_the_tach_and_takes_the_spark_away() -> None:
    result, _ = _drive("six_injected", scheduled("coil_lead", (12.0, 12.3)))
    assert pulses(result, "tach_pulses", 12.02, 12.28) > 20
    assert pulses(result, "spark_pulses", 12.02, 12.28) <= 5
    (row,) = result.truth["stumbles"]
    assert row["cause"] == "ignition_secondary"


def test_a_misfire_reads_lean_later_than_it_happens() -> None:
    result, _ = _drive("six_injected", scheduled("coil_lead", (12.0, 12.4)))
    probe = result.signals["air_fuel_ratio"]
    before = probe.at(np.array([11.98]))[0]
    assert probe.at(np.array([12.03]))[0] == pytest.approx(before, abs=0.5)
    assert window(result, "air_fuel_ratio", 12.1, 12.6).max() > before + 2.0


def test_an_open_ground_takes_the_system_voltage_down() -> None:
    result, _ = _drive("four_injected", scheduled("ground", (12.0, 12.3)))
    assert window(result, "battery_voltage", 12.03, 12.28).max() < 6.0
    (row,) = result.truth["stumbles"]
    assert row["cause"] == "supply_voltage"


def test_a_supply_that_collapses_while_the_engine_fires_on_is_listed_and_not_scored() -> None:
    """A carburettor needs no control unit, and behind a shut throttle a weak spark lights what little there is."""
    plan = Plan(warm_s=4.0, course=(Section("full", 5.0), Section("lift", 2.0), Section("full", 3.0)), cool_s=2.0)
    _, sound = _drive("four_carburettor", plan=plan)
    lift_s = next(t for t, word in sound.driver.notes if word == "throttle_lift")
    ground = scheduled("ground", (lift_s + 0.5, lift_s + 0.7))
    ground.depth = 0.75
    result, _ = _drive("four_carburettor", ground, plan=plan)
    assert window(result, "battery_voltage", lift_s + 0.55, lift_s + 0.68).max() < 8.0
    (row,) = result.truth["stumbles"]
    assert (row["scored"], row["lost_firings"], row["cause"]) == (False, 0, "supply_voltage")
    assert row["onset_s"] == pytest.approx(lift_s + 0.5, abs=0.001)


def test_a_dead_pump_shows_in_the_pressure_before_the_engine_feels_it() -> None:
    result, _ = _drive("four_injected", scheduled("pump_feed", (12.0, 13.0)))
    (row,) = [row for row in result.truth["stumbles"] if row["scored"]]
    assert row["cause"] == "fuel_delivery"
    assert 12.0 <= row["onset_s"] < row["engine_onset_s"] < 13.0
    assert window(result, "fuel_pressure", 12.5, 12.9).min() < 100.0


def test_a_float_bowl_rides_out_what_an_injection_rail_does_not() -> None:
    result, _ = _drive("four_carburettor", scheduled("pump_feed", (12.0, 12.8)))
    assert result.truth["stumbles"] == []
    assert window(result, "fuel_pressure", 12.3, 12.8).min() < 15.0


def test_a_leak_behind_a_shut_throttle_takes_away_no_work_that_a_sound_engine_would_do() -> None:
    """The leak fills the manifold, so the lost firings would have been strong ones; without it they are none."""
    plan = Plan(warm_s=4.0, course=(Section("full", 5.0), Section("lift", 2.0), Section("full", 3.0)), cool_s=2.0)
    _, sound = _drive("six_carburettor", plan=plan)
    lift_s = next(t for t, word in sound.driver.notes if word == "throttle_lift")
    _, car = _drive("six_carburettor", scheduled("air_leak", (lift_s + 0.4, lift_s + 1.8)), plan=plan)
    time, lost = car.log.column("t"), car.log.column("loss") > 0.9
    coasting = (time > lift_s + 0.6) & (time < lift_s + 1.6) & (car.log.column("fired") > 0.5)
    assert lost[coasting].mean() > 0.9
    assert car.log.column("manifold")[coasting].min() > 1.5 * sound.log.column("manifold").min()
    assert car.log.column("effective")[coasting].max() == 0.0


def test_chattering_contacts_are_one_stumble_until_half_a_second_of_normal_running() -> None:
    near, _ = _drive("six_injected", scheduled("chafe_feed", (12.0, 12.1), (12.4, 12.5)))
    apart, _ = _drive("six_injected", scheduled("chafe_feed", (12.0, 12.1), (12.8, 12.9)))
    assert len(near.truth["stumbles"]) == 1
    assert len(apart.truth["stumbles"]) == 2


def test_an_engine_that_dies_is_cranked_again_and_ends_its_stumble_there() -> None:
    plan = Plan(warm_s=14.0, cool_s=2.0)
    result, car = _drive("four_injected", scheduled("chafe_feed", (8.0, 10.5)), plan=plan)
    (row,) = result.truth["stumbles"]
    assert row["effect"] == "stall"
    assert row["end_s"] > row["stopped_s"] > 8.0
    assert sum(word == "cranking" for _, word in car.driver.notes) == 2


def test_an_engine_that_is_switched_off_among_lost_firings_did_not_stall() -> None:
    """The feed opens a seventh of a second before the driver turns the key off anyway, and stays open."""
    plan = Plan(warm_s=4.0, cool_s=2.0)
    _, sound = _drive("four_injected", plan=plan)
    off_s = sound.log.key[-1][0]
    result, car = _drive("four_injected", scheduled("chafe_feed", (off_s - 0.15, off_s + 2.0)), plan=plan)
    (row,) = result.truth["stumbles"]
    assert row["effect"] == "hesitation"
    assert "stopped_s" not in row
    assert row["end_s"] == pytest.approx(car.log.key[-1][0], abs=0.05)
    assert car.log.column("crank")[-1] < 2.0


def test_a_fault_that_stays_leaves_failed_starts() -> None:
    plan = Plan(warm_s=14.0, cool_s=2.0)
    result, _ = _drive("four_injected", scheduled("chafe_feed", (8.0, 80.0)), plan=plan)
    assert len(result.truth["failed_starts"]) == 1
    assert result.truth["stumbles"][0]["effect"] == "stall"


def test_a_spark_limiter_takes_pulses_away_without_a_stumble() -> None:
    spec = CARS["four_wasted_spark"]
    spec = replace(spec, engine=replace(spec.engine, redline_rpm=4200.0, tach_pulses_per_revolution=2.0))
    plan = Plan(warm_s=4.0, course=(Section("full", 8.0),), shift_share=1.5)
    result, _ = drive(spec, plan, WARM, [], 5, "r01", 0.0)
    assert any(row["kind"] == "rev_limiter" for row in result.truth["distractors"])
    assert result.truth["stumbles"] == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_fault_can_be_provoked_and_is_named(kind: str) -> None:
    name = next(name for name in CARS if kind in possible(CARS[name]))
    rows: list[dict[str, object]] = []
    for seed in range(6):
        random = Random(seed)
        fault = sick(kind, KINDS[kind].usual[0], CARS[name], random)
        fault.random = Random(seed + 100)
        conditions = Conditions(coolant_degc=95.0, bay_degc=55.0, capacity_ah=0.8, used=0.75)
        spec = replace(CARS[name], boosted=0.2) if kind == "charging" else CARS[name]
        if kind != "charging":
            conditions = replace(conditions, capacity_ah=40.0, used=0.05)
        car = Car(spec, Plan(warm_s=4.0, course=COURSE * 2), conditions, [fault], seed)
        car.run()
        rows += [row for row in truth_of(car, "r01")["stumbles"] if row["scored"]]
        if rows:
            break
    assert rows
    assert {row["cause"] for row in rows} == {KINDS[kind].cause}


def test_acceleration_shows_gravity_the_knocks_and_the_slope() -> None:
    result, car = _drive("four_injected", conditions=replace(WARM, slope=0.05))
    value = result.signals["acceleration"].value
    assert value[:500].mean(axis=0) == pytest.approx([0.05, 0.0, 1.0], abs=0.01)
    at, peak = max(car.log.hits, key=lambda hit: hit[1])
    there = window(result, "acceleration", at, at + 0.2) - [0.0, 0.0, 1.0]
    assert np.linalg.norm(there, axis=1).max() == pytest.approx(peak, rel=0.35)


def test_a_box_in_the_air_weighs_nothing_and_no_road_shakes_it() -> None:
    """An accelerometer shows what holds it up, in free flight nothing: here but the air's drag and the engine."""
    plan = Plan(warm_s=4.0, course=(Section("full", 3.0), Section("jump", 0.3), Section("full", 2.0)), cool_s=2.0)
    result, car = _drive("four_injected", plan=plan)
    (begun,), (landed,) = ([t for t, word in car.driver.notes if word == w] for w in ("jump", "landing"))
    flight = window(result, "acceleration", begun + 0.1, landed - 0.01)
    assert flight.mean(axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=0.06)
    before = window(result, "acceleration", begun - 0.3, begun - 0.05)
    assert before[:, 2].mean() == pytest.approx(1.0, abs=0.1)
    assert (flight.std(axis=0) < before.std(axis=0)).all()


def test_signal_is_read_between_its_samples_and_held_at_its_ends() -> None:
    signal = Signal(10.0, np.array([0.0, 1.0, 4.0]))
    assert signal.at(np.array([-1.0, 0.05, 0.15, 9.0])).tolist() == [0.0, 0.5, 2.5, 4.0]


def test_a_clipped_drive_starts_at_zero_and_keeps_its_truth_in_step() -> None:
    whole, _ = _drive("six_injected", scheduled("chafe_feed", (12.0, 12.4)))
    part = clipped(whole, 5.0, 15.0)
    assert part.duration_s == pytest.approx(10.0)
    assert part.truth["stumbles"][0]["onset_s"] == pytest.approx(whole.truth["stumbles"][0]["onset_s"] - 5.0, abs=1e-3)
    assert part.signals["battery_voltage"].value[0] == whole.signals["battery_voltage"].value[5000]
    assert part.steps["key_sense"][1][0] == 1.0
    assert pulses(part, "tach_pulses", 0.0, 10.0) == pulses(whole, "tach_pulses", 5.0, 15.0)


def test_the_demo_has_a_smooth_first_run_and_a_handful_of_stumbles_after() -> None:
    event = demo_event(1)
    counts = [sum(row["scored"] for row in drive.truth["stumbles"]) for drive in event.drives]
    assert counts[0] == 0
    assert 4 <= sum(counts) <= 20
    assert event.engine.cylinders == 6
    assert all(60.0 <= drive.duration_s <= 90.0 for drive in event.drives)


def test_commissioning_interrupts_feed_then_pump() -> None:
    result = commissioning(CARS["four_injected"], 3)
    causes = [row["cause"] for row in result.truth["stumbles"] if row["scored"]]
    assert causes == ["ignition_primary", "ignition_primary", "fuel_delivery", "fuel_delivery"]


def test_car_spec_names_are_their_keys() -> None:
    assert all(isinstance(spec, CarSpec) and spec.name == name for name, spec in CARS.items())


def test_what_the_engine_was_doing_runs_end_to_end_and_follows_the_drivers_controls() -> None:
    whole, car = _drive("six_injected")
    spans = whole.truth["doing"]
    assert spans[0]["from_s"] == 0.0
    assert spans[-1]["to_s"] == pytest.approx(whole.duration_s, abs=1e-3)
    assert all(one["to_s"] == following["from_s"] for one, following in pairwise(spans))
    words = {span["state"] for span in spans}
    assert words >= {"off", "cranking", "starting", "idle", "clutch_in", "pulling", "switched_off"}
    noted = [t for t, word in car.driver.notes if word == "gear_change"]
    changes = [(s["from_s"], s["to_s"]) for s in spans if s["state"] == "gear_change"]
    assert noted
    assert all(any(a - 0.05 <= t <= b for a, b in changes) for t in noted)


def test_a_clipped_drive_keeps_what_the_engine_was_doing_from_its_first_instant() -> None:
    whole, _ = _drive("six_injected")
    part = clipped(whole, 6.0, 9.0)
    assert part.truth["doing"][0]["from_s"] == 0.0
    assert part.truth["doing"][-1]["to_s"] == 3.0


@pytest.mark.parametrize(("name", "dies"), [("six_injected", True), ("four_carburettor", False)])
def test_a_stall_is_one_only_where_the_engine_stopped(name: str, dies: bool) -> None:
    plan = Plan(warm_s=4.0, course=COURSE, cool_s=2.0, stall_at_start=True)
    whole, car = _drive(name, plan=plan)
    at = next(t for t, word in car.driver.notes if word == "driver_stall")
    near = [span["state"] for span in whole.truth["doing"] if at < span["to_s"] and span["from_s"] < at + 3.0]
    assert ("stalled" in near) == ("off" in near) == dies
