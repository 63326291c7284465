"""Why the engine stopped."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.crank import starts
from logger.analysis.crank.starts import restarts
from logger.analysis.crank.states import LoadScale
from logger.analysis.crank.stops import Stop, stops
from logger.analysis.findings import Findings
from logger.event import Engine, Event, FloatArray, IntArray, Trace
from tests.analysis.array_car import END_S, Drive, nanoseconds
from tests.analysis.small_car import FOUR, drawn, seen, turned


def found_with(drive: Drive, **changes: Trace) -> Findings:
    recording = drive.recording()
    traces = {name: trace for name, trace in (recording.traces | changes).items() if trace.time_ns.size}
    return analyse(Event("stops", drive.engine, (replace(recording, traces=traces),)))


def starter(drive: Drive, at_s: float) -> Trace:
    """The battery, drawn down by a starter for 0.7 s."""
    battery = drive.recording().traces["battery_voltage"]
    time = battery.time_ns / 1e9
    return Trace(battery.time_ns, np.where((time > at_s) & (time < at_s + 0.7), 10.0, battery.value))


def lurch(at_s: float, rate_hz: float = 200.0, noise_g: float = 0.02) -> Trace:
    """A car at rest, jerked forward by half a g for 60 ms."""
    time = np.arange(0.0, END_S, 1.0 / rate_hz)
    push = np.where((time > at_s) & (time < at_s + 0.06), 0.5, 0.0)
    noise = np.random.default_rng(8).normal((0, 0, 1), noise_g, (time.size, 3))
    return Trace(nanoseconds(time), noise + np.column_stack((push, 0 * push, 0 * push)))


def test_pulses_that_end_at_idle_and_a_starter_are_an_engine_that_died() -> None:
    drive = Drive(silent=[(11.0, 12.6)])
    found = found_with(drive, battery_voltage=starter(drive, 11.9))
    assert [(s.effect, s.lowest_speed_ratio) for s in found.stumbles] == [("stall", 0.0)]
    assert found.stumbles[0].engine_onset_s == pytest.approx(11.0, abs=0.05)


@pytest.mark.parametrize(("rate_hz", "noise_g"), [(200.0, 0.02), (200.0, 0.12), (400.0, 0.12), (25.0, 0.02)])
def test_the_same_with_a_lurch_is_the_drivers_stall(rate_hz: float, noise_g: float) -> None:
    drive = Drive(silent=[(11.0, 12.6)])
    feed = Drive().recording().traces["ignition_feed_voltage"]
    jerked = lurch(10.98, rate_hz, noise_g)
    found = found_with(drive, battery_voltage=starter(drive, 11.9), ignition_feed_voltage=feed, acceleration=jerked)
    assert found.stumbles == []
    assert any("clutch" in rejected["why"] for rejected in found.rejected)


def test_an_engine_that_cranks_and_does_not_start_is_listed_with_what_was_seen() -> None:
    drive = Drive()
    recording = drive.recording()
    cranking = recording.pulses["tach_pulses"]
    cranking = cranking[(cranking > 2_000_000_000) & (cranking < 3_300_000_000)]
    found = analyse(Event("start", drive.engine, (replace(recording, pulses={"tach_pulses": cranking}),)))
    (start,) = found.failed_starts
    assert start.pulses_seen
    assert start.battery_voltage_v == pytest.approx(10.2, abs=0.1)
    assert found.stumbles == []


def test_a_recording_that_ends_while_the_engine_runs_says_nothing_about_it() -> None:
    recording = Drive().recording()
    until = 30_000_000_000

    def before(values: FloatArray, time_ns: FloatArray) -> FloatArray:
        return values[time_ns < until]

    traces = {n: Trace(t.time_ns[t.time_ns < until], before(t.value, t.time_ns)) for n, t in recording.traces.items()}
    pulses = {n: p[p < until] for n, p in recording.pulses.items()}
    found = analyse(
        Event("end", Drive().engine, (replace(recording, duration_ns=until, traces=traces, pulses=pulses),))
    )
    assert found.stumbles == []


def test_an_idle_without_pulses_for_over_a_second_was_a_crank_that_stood() -> None:
    # The battery is so flat that the starter's draw hardly shows; the feed and the rail hold.
    drive = Drive(silent=[(11.0, 12.6)])
    feed = Drive().recording().traces["ignition_feed_voltage"]
    found = found_with(drive, ignition_feed_voltage=feed, acceleration=lurch(10.98))
    assert found.stumbles == []
    assert any("clutch" in rejected["why"] for rejected in found.rejected)


def test_without_acceleration_a_stop_at_idle_that_nothing_explains_is_not_held_against_the_car() -> None:
    drive = Drive(silent=[(11.0, 12.6)])
    feed = Drive().recording().traces["ignition_feed_voltage"]
    nothing = Trace(np.empty(0, np.int64), np.empty((0, 3)))
    found = found_with(
        drive, battery_voltage=starter(drive, 11.9), ignition_feed_voltage=feed, key_sense=feed, acceleration=nothing
    )
    assert found.stumbles == []
    assert any("driver's stall" in rejected["why"] for rejected in found.rejected)


ON_THE_CRANK = replace(FOUR, tach_source="crank")
RUN_DOWN = turned((0.0, 900), (10.0, 900), (11.0, 0), engine=ON_THE_CRANK)  # the key turned off at 10 s
KEY = Trace(nanoseconds(np.array([0.0, 10.0])), np.array([1.0, 0.0]))
FEED = drawn(14.0, (0, 13.4), (9.995, 13.4), (10.0, 0.0))
CRANKED_AGAIN = turned((12.0, 210), (13.9, 210), engine=ON_THE_CRANK)


@pytest.mark.parametrize("recorded", [{"key_sense": KEY}, {"ignition_feed_voltage": FEED}])
def test_a_crank_that_runs_down_after_the_key_was_turned_off_is_no_failure(recorded: dict[str, Trace]) -> None:
    view = seen(RUN_DOWN, 14.0, recorded, ON_THE_CRANK)
    (stop,) = stops(view)
    assert stop.why == "key_off"
    assert stop.off_ns == pytest.approx(10.0e9, abs=1e6)
    found = analyse(Event("off", ON_THE_CRANK, (view.recording,)))
    assert found.stumbles == []
    assert found.rejected


def test_a_feed_that_came_back_before_the_engine_was_started_again_was_lost_and_not_switched_off() -> None:
    feed = drawn(16.0, (0, 13.4), (9.995, 13.4), (10.0, 0.0), (12.7, 0.0), (12.71, 13.4))
    tach = np.concatenate((RUN_DOWN, turned((13.0, 900), (16.0, 900), engine=ON_THE_CRANK)))
    stop = stops(seen(tach, 16.0, {"ignition_feed_voltage": feed}, ON_THE_CRANK))[0]
    assert (stop.why, stop.off_ns) == ("died", None)


@pytest.mark.parametrize(("opened_at_s", "why"), [(9.75, "unclear"), (10.1, "died")])
def test_an_idle_that_ends_at_once_under_a_growing_load_may_be_the_drivers_stall(opened_at_s: float, why: str) -> None:
    """With one pulse a revolution a crank that a clutch drags down within two firings shows no slower interval."""
    engine = replace(FOUR, tach_pulses_per_revolution=1.0)
    again = turned((12.0, 210), (13.0, 210), (13.2, 900), (15.0, 900), engine=engine)
    tach = np.concatenate((turned((0.0, 900), (10.0, 900), engine=engine), again))
    traces = {
        "throttle_position": drawn(15.0, (0, 1), (opened_at_s, 1), (opened_at_s + 0.05, 40), (11, 40), (11.1, 1)),
        "acceleration": pushed((0, 0.0), (15.0, 0.0)),
    }
    scale = LoadScale("throttle_position", 0.0, 100.0, 0)
    view = starts.without_standstills(seen(tach, 15.0, traces, engine), scale)
    assert stops(view)[0].why == why


KEY_STAYS = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))


@pytest.mark.parametrize("key", [KEY_STAYS, Trace(nanoseconds(np.array([0.0, 11.0])), np.array([1.0, 0.0]))])
def test_a_feed_that_is_lost_with_the_key_on_is_a_failure_though_the_car_lurches_or_the_driver_gives_up(
    key: Trace,
) -> None:
    """He turns the key a second later, if at all; the launch he was at jerks the car like a clutch let in."""
    time = np.arange(0.0, 14.0, 0.005)
    along = np.where((time > 9.95) & (time < 10.2), 0.6, 0.0)
    jerk = Trace(nanoseconds(time), np.column_stack((along, np.zeros(time.size), np.ones(time.size))))
    traces = {"key_sense": key, "ignition_feed_voltage": FEED, "acceleration": jerk}
    (stop,) = stops(seen(turned((0.0, 3000), (10.0, 3000)), 14.0, traces))
    assert stop.why == "died"


def test_a_late_pulse_of_a_crank_that_rocks_back_does_not_end_the_stretch_there() -> None:
    view = seen(turned((0.0, 900), (10.0, 900)), 14.0, {"key_sense": KEY})
    firings = view.firings
    late = replace(
        firings,
        time_ns=np.append(firings.time_ns, firings.time_ns[-1] + nanoseconds(np.array([0.1, 0.2, 0.3]))),
        seen=np.append(firings.seen, [False, False, True]),
        stretch=np.append(firings.stretch, [0, 0, 0]).astype(np.int32),
        speed_rps=np.append(firings.speed_rps, [5.0, 5.0, 5.0]),
    )
    more = {
        name: np.append(getattr(view, name), [getattr(view, name)[-1]] * 3) for name in ("state", "running", "load")
    }
    (stop,) = stops(replace(view, firings=late, **more))
    assert stop.last == firings.time_ns.size - 1


def dragged_down(**traces: Trace) -> Stop:
    """Idling until 10 s, then down to nothing within half a second with the key on, and cranked again at 12 s."""
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    tach = np.concatenate((turned((0.0, 900), (10.0, 900), (10.5, 0)), CRANKED_AGAIN))
    return stops(seen(tach, 14.0, {"key_sense": key, **traces}))[0]


@pytest.mark.parametrize(
    ("ratio_at_the_end", "why", "words"),
    [(14.0, "driver_stall", "with the mixture burning to the end"), (18.0, "died", "unburnt air in the exhaust")],
)
def test_an_exhaust_that_shows_no_air_to_the_end_tells_the_drivers_stall_from_a_failure(
    ratio_at_the_end: float, why: str, words: str
) -> None:
    probe = drawn(14.0, (0, 14.0), (10.1, 14.0), (10.2, ratio_at_the_end), (11.0, ratio_at_the_end), rate_hz=50.0)
    stop = dragged_down(air_fuel_ratio=probe)
    assert stop.why == why
    assert words in stop.reason


def test_an_exhaust_that_shows_air_all_the_while_tells_nothing_of_the_end() -> None:
    """Its engine had not burned for a while, or its fuel was cut as the car dragged it along."""
    stop = dragged_down(air_fuel_ratio=drawn(14.0, (0, 14.0), (8.0, 14.0), (8.1, 22.0), (14.0, 22.0), rate_hz=50.0))
    assert stop.reason == dragged_down().reason


@pytest.mark.parametrize(
    ("cranked_s", "runs", "why"),
    [(4.0, False, "died"), (1.5, False, "driver_stall"), (4.0, True, "died"), (1.5, True, "driver_stall")],
)
def test_an_engine_that_the_starter_turns_in_vain_was_not_only_stalled(cranked_s: float, runs: bool, why: str) -> None:
    """Dragged to a halt from idle with the key on; tried in two goes a second apart, at 200 rev/min."""
    goes = [turned((0.0, 200.0), (cranked_s / 2.0, 200.0)) + round(at * 1e9) for at in (13.0, 14.0 + cranked_s / 2.0)]
    again = (
        turned((0.0, 300.0), (0.4, 900.0), (8.0, 900.0)) + round((16.0 + cranked_s) * 1e9)
        if runs
        else CRANKED_AGAIN[:0]
    )
    tach = np.concatenate((turned((0.0, 900), (10.0, 900), (10.25, 0)), *goes, again))
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    assert stops(seen(tach, 30.0, {"key_sense": key}))[0].why == why


def test_a_start_that_fails_is_one_though_sparks_that_stray_leave_edges_between() -> None:
    cranking = turned((2.0, 200.0), (6.0, 200.0))
    stray = np.concatenate([cranking[8:11] + round(share * (cranking[9] - cranking[8])) for share in (0.2, 0.45, 0.7)])
    view = seen(np.sort(np.concatenate((cranking, stray))), 8.0, {})
    (failed,) = starts.failed_starts(view)
    assert (failed.from_s, failed.to_s) == (pytest.approx(2.0, abs=0.3), pytest.approx(6.0, abs=0.3))


def pushed(*points: tuple[float, float]) -> Trace:
    """Acceleration along the car through (second, g), with gravity and a little noise."""
    along = drawn(14.0, *points, rate_hz=200.0)
    noise = np.random.default_rng(8).normal((0, 0, 1), 0.01, (along.time_ns.size, 3))
    return Trace(along.time_ns, noise + np.outer(along.value, [1.0, 0.0, 0.0]))


@pytest.mark.parametrize(
    ("along", "why"),
    [
        (((0, 0.0), (9.97, 0.0), (9.98, 0.5), (10.05, 0.5), (10.06, 0.0)), "driver_stall"),  # it stood, and was jerked
        (((0, -0.4), (10.05, -0.4), (10.06, 0.0)), "died"),  # the brakes let go of it as it came to rest
    ],
)
def test_a_car_that_brakes_to_a_halt_is_not_a_standing_car_that_lurched(
    along: tuple[tuple[float, float], ...], why: str
) -> None:
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    tach = np.concatenate((turned((0.0, 900), (10.0, 900)), CRANKED_AGAIN))
    assert stops(seen(tach, 14.0, {"key_sense": key, "acceleration": pushed(*along)}))[0].why == why


SINGLE = replace(FOUR, cylinders=1, tach_pulses_per_revolution=0.5, tach_source="coil_negative")


@pytest.mark.parametrize(
    ("along", "rpm", "why"),
    [
        (
            ((0, 0.0), (9.0, 0.0), (9.2, 0.25), (10.1, 0.25), (10.2, -0.25), (10.9, -0.25), (11.0, 0.0)),
            850,
            "driver_stall",
        ),
        (((0, 0.0), (9.0, 0.0), (9.2, 0.25), (10.1, 0.25), (10.2, -0.25), (10.9, -0.25), (11.0, 0.0)), 2000, "died"),
        (((0, -0.25), (10.9, -0.25), (11.0, 0.0)), 850, "died"),  # it was braked all the while
    ],
)
def test_a_single_that_pushed_its_car_off_near_idle_until_its_last_pulse_was_stalled_by_the_clutch(
    along: tuple[tuple[float, float], ...], rpm: float, why: str
) -> None:
    """A pulse every two turns: between two of them the clutch stops the crank, so they end at full speed."""
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    again = turned((12.0, 210), (13.9, 210), engine=SINGLE)
    tach = np.concatenate((turned((0.0, rpm), (10.0, rpm), engine=SINGLE), again))
    view = seen(tach, 14.0, {"key_sense": key, "acceleration": pushed(*along)}, SINGLE)
    assert stops(view)[0].why == why


@pytest.mark.parametrize(
    ("pulses_per_revolution", "runs_again_s", "why"), [(0.5, 13.0, "unclear"), (0.5, 18.0, "died"), (1.0, 13.0, "died")]
)
def test_a_pulse_every_two_turns_cannot_tell_an_idle_that_died_from_one_stalled_and_started_again(
    pulses_per_revolution: float, runs_again_s: float, why: str
) -> None:
    """The car is not felt to move; six seconds later nobody starts what he has just stalled."""
    engine = replace(SINGLE, tach_pulses_per_revolution=pulses_per_revolution)
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    again = turned((runs_again_s, 900), (runs_again_s + 7.0, 900), engine=engine)
    tach = np.concatenate((turned((0.0, 900), (10.0, 900), engine=engine), again))
    view = seen(tach, 26.0, {"key_sense": key, "acceleration": pushed((0, 0.0), (26.0, 0.0))}, engine)
    assert stops(view)[0].why == why


@pytest.mark.parametrize(("volts", "stood"), [(10.4, True), (13.3, False)])
def test_a_silence_from_speed_is_a_standing_crank_only_where_a_starter_clearly_drew(volts: float, stood: bool) -> None:
    """2,250 rev/min are two and a half times idle; a starter draws volts, a load tenths of one."""
    tach = np.concatenate((turned((0.0, 2250), (10.0, 2250)), turned((12.0, 1500), (14.0, 1500))))
    battery = drawn(14.0, (0, 13.9), (11.0, 13.9), (11.05, volts), (11.7, volts), (11.75, 13.9))
    view = seen(tach, 14.0, {"battery_voltage": battery})
    silences = [(view.firings.time_ns[a - 1] / 1e9, view.firings.time_ns[b] / 1e9) for a, b in restarts(view)]
    assert silences == ([pytest.approx((10.0, 12.0), abs=0.05)] if stood else [])


@pytest.mark.parametrize(("gone_at_s", "stood"), [(10.0, False), (11.0, True)])
def test_a_battery_that_is_gone_as_the_pulses_end_was_not_drawn_down_by_a_starter(
    gone_at_s: float, stood: bool
) -> None:
    """A main feed that opened at full speed for 1.8 s; nobody reaches a starter in a fifth of a second."""
    tach = np.concatenate((turned((0.0, 6000), (10.0, 6000)), turned((12.0, 4500), (14.0, 4500))))
    battery = drawn(14.0, (0, 13.9), (gone_at_s, 13.9), (gone_at_s + 0.02, 1.7), (11.8, 1.7), (11.82, 13.9))
    view = seen(tach, 14.0, {"battery_voltage": battery})
    assert bool(restarts(view)) is stood


@pytest.mark.parametrize(
    ("rpm", "throttle", "lifted", "rail_kpa", "why"),
    [
        (3000.0, 50.0, 50.0, 300.0, "died"),
        (3000.0, 50.0, 0.0, 300.0, "key_off"),  # the foot left with the hand on the key
        (3000.0, 50.0, 50.0, 100.0, "key_off"),  # so did the pump
        (3000.0, 0.0, 0.0, 300.0, "key_off"),
        (900.0, 50.0, 50.0, 300.0, "key_off"),
    ],
)
def test_a_feed_that_is_gone_for_good_while_the_engine_pulled_was_not_switched_off(
    rpm: float, throttle: float, lifted: float, rail_kpa: float, why: str
) -> None:
    traces = {
        "ignition_feed_voltage": drawn(10.0, (0.0, 13.5), (6.0, 13.5), (6.005, 0.0), (10.0, 0.0)),
        "throttle_position": drawn(10.0, (0.0, throttle), (6.0, throttle), (6.05, lifted), (10.0, lifted)),
        "fuel_pressure": drawn(10.0, (0.0, 300.0), (6.0, 300.0), (6.4, rail_kpa), (10.0, rail_kpa)),
    }
    (stop,) = stops(seen(turned((0.0, rpm), (6.0, rpm)), 10.0, traces))
    assert stop.why == why


def test_pulses_that_are_back_at_once_ended_on_the_wire_and_not_with_the_engine() -> None:
    """At a speed that no crank can have reached meanwhile, so that nothing is laid across; no starter is that quick."""
    tach = np.concatenate((turned((0.0, 1500), (6.0, 1500)), turned((6.1, 4200), (9.0, 4200), (9.5, 4200))))
    view = seen(tach, 9.5, {})
    assert view.firings.stretch[-1] > 0
    assert [stop.at_ns for stop in stops(view) if stop.at_ns < 9e9] == []


def test_nor_does_a_gap_that_short_hide_a_feed_that_was_lost() -> None:
    tach = np.concatenate((turned((0.0, 1500), (6.0, 1500)), turned((6.1, 4200), (9.0, 4200), (9.5, 4200))))
    feed = drawn(9.5, (0.0, 13.5), (6.0, 13.5), (6.005, 0.0), (6.095, 0.0), (6.1, 13.5), (9.5, 13.5))
    (stop,) = [stop for stop in stops(seen(tach, 9.5, {"ignition_feed_voltage": feed})) if stop.at_ns < 9e9]
    assert stop.why == "died"


def shaken(until_s: float, depth_g: float = 0.08) -> Trace:
    """A box at rest that a single's crank shakes at 14 Hz until then, with a little noise."""
    time = np.arange(0.0, 14.0, 0.005)
    up = 1.0 + depth_g * np.sin(2.0 * np.pi * 14.0 * time) * (time < until_s)
    noise = np.random.default_rng(8).normal(0.0, 0.02, (time.size, 3))
    return Trace(nanoseconds(time), noise + np.column_stack((0 * time, 0 * time, up)))


@pytest.mark.parametrize(
    ("acceleration", "why"),
    [
        (shaken(9.9), "driver_stall"),
        (shaken(10.6), "died"),  # the crank turned on past the pulse that was due at 10.02 s
        (shaken(9.9, depth_g=0.0), "died"),  # nobody felt it turn
    ],
)
def test_a_crank_that_stood_before_its_next_pulse_was_due_was_dragged_to_a_halt(acceleration: Trace, why: str) -> None:
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    again = turned((12.0, 210), (13.9, 210), engine=SINGLE)
    tach = np.concatenate((turned((0.0, 850), (10.0, 850), engine=SINGLE), again))
    assert stops(seen(tach, 14.0, {"key_sense": key, "acceleration": acceleration}, SINGLE))[0].why == why


@pytest.mark.parametrize(
    ("lurch_s", "rpm", "why"), [(10.0, 900, "driver_stall"), (None, 900, "died"), (10.0, 1500, "died")]
)
def test_a_lurch_counts_where_an_idling_crank_began_to_slow_however_long_it_struggled_on(
    lurch_s: float | None, rpm: float, why: str
) -> None:
    """From more than idle it may be a bump that a car runs over as its engine dies."""
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    tach = np.concatenate((turned((0.0, rpm), (10.0, rpm), (10.05, 640), (10.7, 560), (10.8, 0)), CRANKED_AGAIN))
    jerk = ((lurch_s, 0.0), (lurch_s + 0.01, 0.5), (lurch_s + 0.07, 0.5), (lurch_s + 0.08, 0.0)) if lurch_s else ()
    shut = drawn(14.0, (0.0, 1.0), (14.0, 1.0))
    traces = {"key_sense": key, "acceleration": pushed((0.0, 0.0), *jerk), "throttle_position": shut}
    assert stops(seen(tach, 14.0, traces))[0].why == why


@pytest.mark.parametrize(("off_s", "why"), [(10.1, "key_off"), (10.75, "died")])
def test_a_driver_who_turns_the_key_on_an_engine_that_has_run_down_did_not_stop_it(off_s: float, why: str) -> None:
    """Its feed goes with the key, and says nothing of why it stopped."""
    key = Trace(nanoseconds(np.array([0.0, off_s])), np.array([1.0, 0.0]))
    feed = drawn(14.0, (0, 13.4), (off_s, 13.4), (off_s + 0.005, 0.0), (14.0, 0.0))
    stop = not_started_again(RAN_DOWN, key_sense=key, ignition_feed_voltage=feed)
    assert stop.why == why
    assert stop.reason.startswith("the crank ran down") is (why == "died")


@pytest.mark.parametrize(("aired_s", "why"), [(9.6, "died"), (10.1, "driver_stall"), (None, "driver_stall")])
def test_a_jerk_of_an_engine_that_has_not_burned_for_a_while_is_not_the_clutchs(
    aired_s: float | None, why: str
) -> None:
    """Plain air reaches the probe before its last pulse, or after it as in every stall."""
    key = Trace(nanoseconds(np.array([0.0])), np.array([1.0]))
    jerk = pushed((0, 0.0), (9.97, 0.0), (9.98, 0.5), (10.05, 0.5), (10.06, 0.0))
    traces = {"key_sense": key, "acceleration": jerk, "throttle_position": SHUT}
    if aired_s is not None:
        lean = ((0, 14.0), (aired_s, 14.0), (aired_s + 0.05, 20.9), (14.0, 20.9))
        traces["air_fuel_ratio"] = drawn(14.0, *lean, rate_hz=50.0)
    tach = np.concatenate((turned((0.0, 900), (9.4, 900), (10.0, 300)), CRANKED_AGAIN))
    assert stops(seen(tach, 14.0, traces))[0].why == why


@pytest.mark.parametrize(
    ("others", "why"),
    [
        ({}, "died"),
        ({"battery_voltage": drawn(16.0, (0, 13.4), (10.0, 13.4), (10.02, 13.7), (16.0, 12.6))}, "key_off"),
        ({"pump_feed_voltage": drawn(16.0, (0, 13), (10.0, 13), (10.1, 0), (12.7, 0), (12.71, 12))}, "key_off"),
        ({"pump_feed_voltage": drawn(16.0, (0, 13.0), (16.0, 13.0))}, "died"),
        # A rail that keeps its pressure for two seconds, and is filled again as the key is turned.
        ({"fuel_pressure": drawn(16.0, (0, 300), (11.9, 300), (12.1, 200), (12.7, 200), (12.9, 300))}, "key_off"),
        ({"fuel_pressure": drawn(16.0, (0, 300), (16.0, 300))}, "died"),
        ({"fuel_pressure": drawn(16.0, (0, 200), (12.7, 200), (12.9, 300), (16.0, 300))}, "died"),  # vacuum faded
    ],
)  # fmt: skip
def test_a_key_turned_off_and_on_takes_more_than_the_coils_feed_with_it(others: dict[str, Trace], why: str) -> None:
    feed = drawn(16.0, (0, 13.4), (9.995, 13.4), (10.0, 0.0), (12.7, 0.0), (12.71, 12.4), (16.0, 13.4))
    tach = np.concatenate((turned((0.0, 900), (10.0, 900)), turned((13.0, 900), (16.0, 900))))
    stop = stops(seen(tach, 16.0, {"ignition_feed_voltage": feed, **others}))[0]
    assert stop.why == why


@pytest.mark.parametrize(("at_s", "why"), [(10.0, "key_off"), (10.4, "unclear")])
def test_a_key_may_be_turned_between_two_pulses_of_a_single(at_s: float, why: str) -> None:
    """The pulse due at 10.02 s did not come: by then the feed was gone, or it is not what stopped the crank."""
    feed = drawn(16.0, (0, 13.4), (at_s, 13.4), (at_s + 0.005, 0.0), (12.7, 0.0), (12.71, 12.4), (16.0, 13.4))
    battery = drawn(16.0, (0, 13.4), (at_s, 13.4), (at_s + 0.02, 13.7), (16.0, 12.6))
    again = turned((13.0, 900), (16.0, 900), engine=SINGLE)
    tach = np.concatenate((turned((0.0, 850), (10.0, 850), engine=SINGLE), again))
    traces = {"ignition_feed_voltage": feed, "battery_voltage": battery}
    assert stops(seen(tach, 16.0, traces, SINGLE))[0].why == why


def test_where_only_the_crank_is_known_a_stop_with_a_restart_is_not_held_against_the_car() -> None:
    tach = np.concatenate((turned((0.0, 900), (10.0, 900), (11.0, 0)), CRANKED_AGAIN, turned((13.9, 900), (16.0, 900))))
    assert stops(seen(tach, 16.0, {}))[0].why == "unclear"
    rail = drawn(16.0, (0, 300), (16.0, 300))
    assert stops(seen(tach, 16.0, {"fuel_pressure": rail}))[0].why == "died"


# A crank that loses its firings at idle turns on for half a second, its coil's pulses ever slower.
RAN_DOWN = turned((0.0, 900), (10.0, 900), (10.5, 250), (10.6, 0))
SHUT = drawn(14.0, (0, 1.0), (14.0, 1.0))


def not_started_again(tach: IntArray, engine: Engine = FOUR, **traces: Trace) -> Stop:
    (stop,) = stops(seen(tach, 14.0, {"throttle_position": SHUT, **traces}, engine))
    return stop


@pytest.mark.parametrize(("off_s", "why"), [(10.0, "key_off"), (10.45, "died"), (11.5, "died")])
def test_a_coil_still_fed_as_its_crank_hardly_turns_was_not_switched_off(off_s: float, why: str) -> None:
    feed = drawn(14.0, (0, 13.4), (off_s, 13.4), (off_s + 0.005, 0.0), (14.0, 0.0))
    stop = not_started_again(RAN_DOWN, ignition_feed_voltage=feed)
    assert stop.why == why
    # Dated by where the crank began to slow, not by its last pulse.
    assert stop.slows_ns is None if why == "key_off" else stop.slows_ns == pytest.approx(10.0e9, abs=0.08e9)


def test_a_feed_that_was_dead_already_when_it_was_heard_of_again_says_nothing_of_when_it_went() -> None:
    """A loose tap, whose samples are not believed, from 8 s until the crank hardly turns."""
    feed = drawn(14.0, (0, 13.4), (10.0, 13.4), (10.005, 0.0), (14.0, 0.0))
    heard = (feed.time_ns < 8.0e9) | (feed.time_ns > 10.45e9)
    stop = not_started_again(RAN_DOWN, ignition_feed_voltage=Trace(feed.time_ns[heard], feed.value[heard]))
    assert stop.why == "key_off"


@pytest.mark.parametrize(("pump_off_s", "why"), [(9.99, "key_off"), (10.9, "unclear")])
def test_a_pump_that_keeps_its_feed_as_the_coil_loses_its_own_hangs_on_the_key_or_on_a_switch_of_its_own(
    pump_off_s: float, why: str
) -> None:
    feed = drawn(14.0, (0, 13.4), (9.995, 13.4), (10.0, 0.0), (14.0, 0.0))
    pump = drawn(14.0, (0, 13.0), (pump_off_s, 13.0), (pump_off_s + 0.005, 0.0), (14.0, 0.0))
    stopped = turned((0.0, 900), (10.0, 900))
    assert not_started_again(stopped, ignition_feed_voltage=feed, pump_feed_voltage=pump).why == why
    assert not_started_again(stopped, pump_feed_voltage=pump).why == why
    assert not_started_again(stopped).why == "key_off"


@pytest.mark.parametrize("tau_s", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("tach", [turned((0.0, 900), (10.0, 900)), RAN_DOWN])
def test_a_feed_that_fades_after_the_key_was_turned_did_not_outlast_it(tach: IntArray, tau_s: float) -> None:
    """A blower that runs out, or a capacitor, on the same switch; with a coil's pulses, and with the crank's."""
    feed = drawn(14.0, (0, 13.4), (14.0, 13.4))
    faded = 13.4 * np.exp(-np.maximum(feed.time_ns / 1e9 - 9.99, 0.0) / tau_s)
    assert not_started_again(tach, ignition_feed_voltage=replace(feed, value=faded)).why == "key_off"


@pytest.mark.parametrize("after_s", [0.2, 0.5, 1.0])
def test_one_edge_long_after_the_key_was_turned_does_not_make_a_crank_that_ran_down(after_s: float) -> None:
    late = np.append(turned((0.0, 900), (10.0, 900)), np.int64(round((10.0 + after_s) * 1e9)))
    feed = drawn(14.0, (0, 13.4), (10.0, 13.4), (10.005, 0.0), (14.0, 0.0))
    at_the_coil = replace(FOUR, tach_source="coil_negative")
    assert not_started_again(late, at_the_coil, ignition_feed_voltage=feed).why == "key_off"
    assert not_started_again(late, at_the_coil).why == "key_off"


def test_an_alternator_that_feeds_a_coil_switched_off_lets_the_battery_rise_first() -> None:
    at_the_coil = replace(FOUR, tach_source="coil_negative")
    rose = drawn(14.0, (0, 13.4), (9.99, 13.4), (10.02, 13.9), (14.0, 12.6))
    assert not_started_again(RAN_DOWN, at_the_coil, battery_voltage=rose).why == "key_off"


@pytest.mark.parametrize("per_revolution", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("from_rpm", [1300.0, 2500.0])
def test_a_crank_dragged_to_a_halt_from_above_idle_did_not_stop_at_full_speed(
    per_revolution: float, from_rpm: float
) -> None:
    """A clutch let in with the throttle opening, wherever the pulses happen to fall; nothing else is recorded."""
    engine = replace(FOUR, tach_pulses_per_revolution=per_revolution)
    throttle = drawn(14.0, (0, 1.0), (9.5, 1.0), (9.9, 40.0), (14.0, 40.0))
    for phase in np.arange(12) / 12.0 * 120.0 / from_rpm:
        tach = turned((0.0, from_rpm), (9.8 + phase, from_rpm), (10.3 + phase, 0.0), (10.4 + phase, 0.0), engine=engine)
        again = turned((11.5, 300), (12.0, 300), (12.2, 1200), (14.0, 1000), engine=engine)
        stop, *_ = stops(seen(np.concatenate((tach, again)), 14.0, {"throttle_position": throttle}, engine))
        assert stop.why != "died", phase


@pytest.mark.parametrize("off_s", [9.0, 4.0])
def test_an_engine_that_fires_on_for_seconds_after_the_key_was_turned_was_switched_off(off_s: float) -> None:
    key = Trace(nanoseconds(np.array([0.0, off_s])), np.array([1.0, 0.0]))
    assert not_started_again(turned((0.0, 900), (off_s, 900), (10.0, 600)), key_sense=key).why == "key_off"


def test_an_engine_that_catches_and_dies_again_cold_has_no_fault_yet() -> None:
    start = turned((0.0, 0.0), (2.0, 0.0), (2.05, 250), (3.0, 250), (3.2, 1200), (4.3, 900))
    again = turned((7.5, 250), (8.2, 250), (8.4, 1200), (14.0, 1000))
    feed = drawn(14.0, (0, 13.4), (14.0, 13.4))
    first, *_ = stops(seen(np.concatenate((start, again)), 14.0, {"ignition_feed_voltage": feed}))
    assert first.why == "unclear"


def test_a_coil_that_pulses_until_its_crank_hardly_turns_was_fed_to_the_end() -> None:
    at_the_coil, at_the_crank = (replace(FOUR, tach_source=source) for source in ("coil_negative", "crank"))
    assert not_started_again(RAN_DOWN, at_the_coil).why == "died"
    assert not_started_again(RAN_DOWN, at_the_crank).why == "key_off"
    assert not_started_again(RAN_DOWN).why == "key_off"  # nobody said what the wire hangs on


def test_a_crank_that_rocks_back_may_give_one_more_pulse_long_after() -> None:
    rocked = np.append(turned((0.0, 900), (10.0, 900)), np.int64(10_700_000_000))
    feed = drawn(14.0, (0, 13.4), (14.0, 13.4))
    stop = not_started_again(rocked, ignition_feed_voltage=feed)
    assert (stop.why, stop.reason) == ("died", "the pulses ended at full speed with the key on")
    assert stop.at_ns == pytest.approx(10.0e9, abs=0.05e9)


def test_pulses_that_end_at_idle_speed_after_a_long_fall_to_it_did_not_run_down() -> None:
    """A car rolls out in gear, its crank slows to idle with it, and there the coil gives up."""
    feed = drawn(14.0, (0, 13.4), (14.0, 13.4))
    stop = not_started_again(turned((0.0, 2500), (8.0, 2500), (9.3, 1200), (10.0, 880)), ignition_feed_voltage=feed)
    assert stop.reason == "the pulses ended at full speed with the key on"


def test_an_engine_that_dies_a_second_after_its_start_has_died() -> None:
    start = turned((0.0, 0.0), (2.0, 0.0), (2.05, 250), (3.0, 250), (3.2, 1200), (4.1, 1000))
    feed = drawn(14.0, (0, 13.4), (4.1, 13.4), (4.105, 0.2), (5.2, 0.2), (5.3, 13.4), (14.0, 13.4))
    again = turned((7.5, 250), (8.2, 250), (8.4, 1200), (14.0, 1000))
    died, *_ = stops(seen(np.concatenate((start, again)), 14.0, {"ignition_feed_voltage": feed}))
    assert died.why == "died"
    assert died.at_ns == pytest.approx(4.1e9, abs=0.1e9)
