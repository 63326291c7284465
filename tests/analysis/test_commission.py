"""A commissioning recording of a made-up four-cylinder: coil feed off at 20 and 24 s, pump feed off at 40 s."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.commission import coil_interruptions, judge
from logger.analysis.findings import Findings, SensorFault, Stumble
from logger.event import NS_PER_S, Cause, Engine, Event, FloatArray, IntArray, Recording, TachSource, Trace
from tests.analysis.array_car import NATURAL, Drive, injection_rail

COIL_OFF_S = ((20.0, 20.25), (24.0, 24.25))
PUMP_OFF_S = 40.0


def engine(tach_source: TachSource | None = "coil_negative") -> Engine:
    return Engine(cylinders=4, idle_rpm=850, tach_source=tach_source)


def pulses(silent: bool = True) -> IntArray:
    at_s = np.arange(2.0, 58.0, 0.015) + 0.001  # 2000 rpm
    for start, stop in COIL_OFF_S if silent else ():
        at_s = at_s[(at_s < start) | (at_s >= stop)]
    return (at_s * NS_PER_S).astype(np.int64)


def recording(silent: bool = True) -> Recording:
    time_ns = np.arange(6000, dtype=np.int64) * (NS_PER_S // 100)
    time_s = time_ns / NS_PER_S
    feed = np.full(6000, 13.4)
    for start, stop in COIL_OFF_S:
        feed[(time_s >= start) & (time_s < stop)] = 0.0
    pump = np.where((time_s >= PUMP_OFF_S) & (time_s < PUMP_OFF_S + 2), 0.0, 13.2)
    ripple = 2.0 * np.random.default_rng(5).standard_normal(6000)
    pressure = 220 + ripple - 100 * np.clip(time_s - PUMP_OFF_S, 0, 2) * (time_s < PUMP_OFF_S + 2)
    traces = {"ignition_feed_voltage": feed, "pump_feed_voltage": pump, "fuel_pressure": pressure}
    shaped = {name: Trace(time_ns, value) for name, value in traces.items()}
    return Recording("r01", 60 * NS_PER_S, shaped, {"tach_pulses": pulses(silent)})


def event(tach_source: TachSource | None = "coil_negative", **changes: object) -> Event:
    made = recording(silent=tach_source != "crank")
    return Event("commissioning", engine(tach_source), (replace(made, **changes),), kind="bench")  # type: ignore[arg-type]


def stumble(cause: Cause, onset_s: float, first: str, engine_onset_s: float | None = None) -> Stumble:
    return Stumble(
        recording="r01",
        onset_s=onset_s,
        engine_onset_s=onset_s if engine_onset_s is None else engine_onset_s,
        end_s=onset_s + 0.3,
        cause=cause,
        probability={cause: 1.0},
        first_to_move=first,
        order=[],
        effect="cutout",
        lost_firings=16,
        lowest_speed_ratio=0.8,
    )


RIGHT = (
    stumble("ignition_primary", 20.0, "ignition_feed_voltage"),
    stumble("ignition_primary", 24.0, "tach_pulses"),
    stumble("fuel_delivery", 40.05, "fuel_pressure", 41.2),
)


def findings(*stumbles: Stumble, faults: tuple[SensorFault, ...] = ()) -> Findings:
    return Findings(list(stumbles), list(faults), [], [], None, [], None, None)


def test_both_interruptions_rightly_found_pass_and_say_so() -> None:
    result = judge(findings(*RIGHT), event())
    assert result.problems == []
    assert result.passed
    assert result.sentence.startswith("Passed: 2 interruptions of the coil feed, then 1 interruption of the pump feed")
    assert result.as_json()["interruptions"][0]["cause"] == "ignition_primary"


def test_what_was_done_on_purpose_is_read_from_the_silences_of_the_tach_wire() -> None:
    first, second = coil_interruptions(recording(), engine())
    assert first.earliest_s <= 20.0 <= first.latest_s
    assert first.latest_s - first.earliest_s == pytest.approx(0.015)
    assert second.earliest_s <= 24.0 <= second.latest_s


def test_a_tach_wire_on_the_crank_leaves_it_to_the_feed_voltage() -> None:
    first, second = coil_interruptions(recording(silent=False), engine("crank"))
    assert (first.earliest_s, first.latest_s) == (19.99, 20.0)
    assert second.latest_s == 24.0
    assert judge(findings(*RIGHT), event("crank")).passed


def test_a_switch_that_chatters_is_one_interruption() -> None:
    at = pulses()
    at = at[(at < 20.5 * NS_PER_S) | (at > 20.65 * NS_PER_S)]
    assert len(coil_interruptions(replace(recording(), pulses={"tach_pulses": at}), engine())) == 2


def test_an_engine_switched_off_and_started_again_is_no_interruption() -> None:
    at_s = np.concatenate([np.arange(2.0, 10.0, 0.035), np.arange(15.0, 17.0, 0.15), np.arange(17.1, 30.0, 0.035)])
    restarted = replace(recording(), pulses={"tach_pulses": (at_s * NS_PER_S).astype(np.int64)})
    assert coil_interruptions(restarted, engine()) == []


def problem(result_of: Findings, of: Event | None = None) -> str:
    result = judge(result_of, of or event())
    assert not result.passed
    assert result.sentence.startswith("Not passed")
    return "\n".join(result.problems)


def test_nothing_found_names_what_is_missing_and_where_to_look() -> None:
    said = problem(findings())
    assert "No stumble was put down to the coil feed: check tach wire" in said
    assert "No stumble was put down to the pump feed: hold the switch until the engine falters" in said
    assert "r01, 19.99 s: the interruption of the coil feed was not found." in said


def test_an_interruption_that_was_overlooked_fails() -> None:
    assert "r01, 23.99 s: the interruption of the coil feed was not found." in problem(findings(RIGHT[0], RIGHT[2]))


def test_a_cause_that_nobody_interrupted_fails() -> None:
    said = problem(findings(*RIGHT, stumble("ignition_secondary", 50.0, "tach_pulses")))
    assert said == "r01, 50.00 s: a stumble was put down to ignition_secondary, which nobody interrupted."


def test_the_wrong_order_fails() -> None:
    early = stumble("fuel_delivery", 10.0, "fuel_pressure")
    assert "in the wrong order: first the coil feed, then the pump feed" in problem(findings(early, *RIGHT))


def test_the_wrong_first_signal_fails() -> None:
    wrong = replace(RIGHT[0], first_to_move="battery_voltage")
    assert "battery_voltage is said to have moved first when the coil feed opened" in problem(
        findings(wrong, *RIGHT[1:])
    )


def test_a_late_onset_fails_and_says_by_how_much() -> None:
    late = replace(RIGHT[0], onset_s=20.1, engine_onset_s=20.1)
    assert "the interruption of the coil feed was found 99 ms off." in problem(findings(late, *RIGHT[1:]))


def test_a_pump_onset_before_its_voltage_fell_fails() -> None:
    early = replace(RIGHT[2], onset_s=39.0)
    assert "the interruption of the pump feed was found 990 ms off." in problem(findings(*RIGHT[:2], early))


def test_without_the_pumps_voltage_the_rail_pressure_bounds_the_onset() -> None:
    bare = recording()
    traces = {name: trace for name, trace in bare.traces.items() if name != "pump_feed_voltage"}
    assert judge(findings(*RIGHT), event(traces=traces)).passed
    early = replace(RIGHT[2], onset_s=39.0)
    assert "the interruption of the pump feed was found" in problem(findings(*RIGHT[:2], early), event(traces=traces))


def test_a_sensor_fault_fails_and_asks_for_its_wire() -> None:
    fault = SensorFault("r01", "fuel_pressure", 30.0, 31.0, "intermittent")
    said = problem(findings(*RIGHT, faults=(fault,)))
    assert said == (
        "r01: fuel_pressure was reported as a sensor fault (intermittent) at 30.00 s; "
        "mend the sensor or its wire and record again."
    )


def test_a_recording_in_which_nothing_was_interrupted_says_so() -> None:
    quiet = event(pulses={"tach_pulses": pulses(silent=False)})
    assert "The bare signals show no interruption of the coil feed" in problem(findings(), quiet)


def standing_car(coil_off_s: tuple[tuple[float, float], ...]) -> Event:
    """Warm and stationary: at 2000 rpm the coil feed is interrupted, then at idle the pump feed, from 40 to 42 s."""
    drive = Drive()
    bends = [(0.0, 0), (1.9, 0), (2.0, 200), (3.2, 210), (3.6, 1250), (4.6, 900), (10, 900), (11, 2000)]
    for start, stop in coil_off_s:
        bends += [(start, 2000), (stop, 1600), (stop + 0.4, 2050), (stop + 0.8, 2000)]
    bends += [(34, 2000), (35, 900), (41.3, 900), (42.1, 520), (42.8, 1000), (43.5, 900), (66, 900), (66.6, 0), (68, 0)]
    drive.rpm = np.interp(drive.time, *np.array(bends).T)
    drive.throttle = np.where((drive.time > 10) & (drive.time < 34), 8.0, 2.0)
    drive.silent = list(coil_off_s)

    def rail(car: Drive, time: FloatArray, key: FloatArray) -> FloatArray:
        left = np.interp(time, (40.0, 41.2, 42.0, 42.25), (1.0, 0.45, 0.25, 1.0))
        return injection_rail(car, time, key) * left

    drive.rail = rail
    return Event("commissioning", NATURAL, (drive.recording(),), kind="bench")


def test_a_car_broken_on_purpose_passes_from_its_arrays_to_the_sentence() -> None:
    commissioning = standing_car(((16.0, 16.25), (20.0, 20.25), (24.0, 24.25)))
    result = judge(analyse(commissioning), commissioning)
    assert result.problems == []
    assert result.sentence.startswith("Passed: 3 interruptions of the coil feed, then 1 interruption of the pump feed")


def test_a_car_whose_pump_was_never_interrupted_does_not_pass() -> None:
    commissioning = standing_car(((16.0, 16.25),))
    whole = commissioning.recordings[0]
    early = whole.pulses["tach_pulses"]
    cut = replace(whole, duration_ns=38 * NS_PER_S, pulses={"tach_pulses": early[early < 38 * NS_PER_S]})
    shortened = replace(
        cut,
        traces={
            name: Trace(trace.time_ns[trace.time_ns < 38 * NS_PER_S], trace.value[trace.time_ns < 38 * NS_PER_S])
            for name, trace in whole.traces.items()
        },
    )
    only_coil = replace(commissioning, recordings=(shortened,))
    assert not judge(analyse(only_coil), only_coil).passed
