"""Power hold: through key-off and cranking it records on, then asks for a clean shutdown."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.event import NS_PER_S
from logger.recorder.power import REQUEST, PowerHold, request_power_off, withdraw_request
from logger.recorder.recorder import Recorder
from logger.recorder.viewers import say_in_use
from logger.sensors.batch import Batch
from logger.sensors.hardware import Hardware
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.drive import Drive
from logger.virtualcar.rig import Rig
from tests.recorder.rig_process import PULSES_HZ, steady_drive

MIN_NS = 60 * NS_PER_S


def batch(key: int | None = None, at_ns: int = 0, pulse_ns: int | None = None) -> Batch:
    states = {} if key is None else {"key_sense": (np.array([at_ns]), np.array([key], dtype=np.int8))}
    pulses = {} if pulse_ns is None else {"tach_pulses": np.array([pulse_ns])}
    return Batch({}, pulses, states, None, (), ())


def test_it_is_over_once_the_key_has_been_off_for_so_long() -> None:
    hold = PowerHold(10.0)
    assert not hold.is_over(batch(1), 0)
    assert not hold.is_over(batch(0, 5 * NS_PER_S), 6 * NS_PER_S)
    assert not hold.is_over(batch(), 10 * MIN_NS)
    assert hold.is_over(batch(), 10 * MIN_NS + 5 * NS_PER_S)


def test_a_key_that_comes_on_again_begins_the_wait_anew() -> None:
    hold = PowerHold(10.0)
    hold.is_over(batch(0, 0), 0)
    assert not hold.is_over(batch(1, 9 * MIN_NS), 9 * MIN_NS)
    assert not hold.is_over(batch(), 30 * MIN_NS)
    assert not hold.is_over(batch(0, 30 * MIN_NS), 30 * MIN_NS)
    assert hold.is_over(batch(), 40 * MIN_NS)


def test_an_engine_that_turns_is_never_switched_off_by_a_broken_key_wire() -> None:
    hold = PowerHold(10.0)
    hold.is_over(batch(0, 0), 0)
    assert not hold.is_over(batch(pulse_ns=9 * MIN_NS), 10 * MIN_NS)
    assert not hold.is_over(batch(), 19 * MIN_NS - 1)
    assert hold.is_over(batch(), 19 * MIN_NS)


@pytest.mark.parametrize(("after_min", "key"), [(0.0, 0), (10.0, None)])
def test_switched_off_in_the_settings_or_without_key_sense_it_never_ends(after_min: float, key: int | None) -> None:
    hold = PowerHold(after_min)
    hold.is_over(batch(key), 0)
    assert not hold.is_over(batch(), 10_000 * MIN_NS)


def test_while_the_page_is_in_use_the_shutdown_waits_until_it_was_left_alone_for_as_long() -> None:
    hold = PowerHold(10.0, at_latest_min=60.0)
    hold.is_over(batch(0, 0), 0)
    assert not hold.is_over(batch(), 12 * MIN_NS, used_ns=9 * MIN_NS)
    assert not hold.is_over(batch(), 19 * MIN_NS - 1, used_ns=9 * MIN_NS)
    assert hold.is_over(batch(), 19 * MIN_NS, used_ns=9 * MIN_NS)


def test_a_page_that_is_never_left_alone_holds_it_up_for_a_bounded_time() -> None:
    hold = PowerHold(10.0, at_latest_min=60.0)
    hold.is_over(batch(0, 0), 0)
    assert not hold.is_over(batch(), 60 * MIN_NS - 1, used_ns=60 * MIN_NS - 1)
    assert hold.is_over(batch(), 60 * MIN_NS, used_ns=60 * MIN_NS)


def test_reading_never_makes_the_wait_shorter_than_without() -> None:
    hold = PowerHold(10.0, at_latest_min=5.0)
    hold.is_over(batch(0, 0), 0)
    assert not hold.is_over(batch(), 9 * MIN_NS, used_ns=9 * MIN_NS)
    assert hold.is_over(batch(), 10 * MIN_NS, used_ns=10 * MIN_NS)


def test_the_request_is_a_file_that_the_next_start_withdraws(tmp_path: Path) -> None:
    request_power_off(tmp_path)
    assert (tmp_path / REQUEST).exists()
    withdraw_request(tmp_path)
    withdraw_request(tmp_path)
    assert not (tmp_path / REQUEST).exists()


def keyed_drive(seconds: float, key: list[tuple[float, float]], pulses_until_s: float) -> Drive:
    drive = steady_drive(seconds)
    times, states = np.array(key).T
    pulses = {"tach_pulses": drive.pulses["tach_pulses"][: round(pulses_until_s * PULSES_HZ)]}
    return replace(drive, pulses=pulses, steps={"key_sense": (times, states)})


def record(wiring: Settings, drive: Drive) -> tuple[Recorder, Rig]:
    clock = VirtualClock()
    rig = Rig(drive, wiring, clock, lead_s=1.0)
    recorder = Recorder(
        wiring, Hardware(wiring, rig.bus, rig.pins, clock), clock, inline=True, clock_is_set=True, say=lambda text: None
    )
    rig.play()
    recorder.run(rig.end_ns)
    rig.close()
    return recorder, rig


def test_recording_goes_on_through_key_off_and_ends_clean_after_the_minutes_set(wiring: Settings) -> None:
    short = replace(wiring, recorder=replace(wiring.recorder, power_off_after_min=0.1))
    recorder, rig = record(short, keyed_drive(20.0, [(0.0, 1.0), (8.0, 0.0)], 8.0))
    assert recorder.wants_power_off
    assert recorder.place is not None
    with RecordingReader(recorder.place.path) as reader:
        assert reader.how_closed == "closed"
        zero_ns = reader.meta.started_monotonic_ns
        last_s = (int(reader.raw("battery_voltage").time_ns[-1]) + zero_ns - rig.start_ns) / NS_PER_S
        assert 13.9 <= last_s <= 14.2  # six seconds after the last pulse
        assert reader.gaps() == ()
        assert reader.read("key_sense").value[-1] == 0.0


def test_whoever_reads_the_page_has_as_long_again(wiring: Settings) -> None:
    short = replace(wiring, recorder=replace(wiring.recorder, power_off_after_min=0.1))
    clock = VirtualClock()
    rig = Rig(keyed_drive(40.0, [(0.0, 1.0), (8.0, 0.0)], 8.0), short, clock, lead_s=1.0)
    hardware = Hardware(short, rig.bus, rig.pins, clock)
    recorder = Recorder(short, hardware, clock, inline=True, say=lambda text: None)
    clock.call_at(rig.start_ns + 13 * NS_PER_S, lambda: say_in_use(Path(short.recorder.run_dir)))
    rig.play()
    recorder.run(rig.end_ns)
    rig.close()
    assert recorder.wants_power_off
    # Key off at 8 s, six seconds to wait; the page was used at 13 s, which the recorder saw within a second.
    assert 19.0 <= (clock.monotonic_ns() - rig.start_ns) / NS_PER_S <= 21.1


def test_a_stop_of_less_than_the_minutes_set_is_recorded_through(wiring: Settings) -> None:
    short = replace(wiring, recorder=replace(wiring.recorder, power_off_after_min=0.1))
    recorder, _ = record(short, keyed_drive(20.0, [(0.0, 1.0), (8.0, 0.0), (12.0, 1.0)], 8.0))
    assert not recorder.wants_power_off
    assert recorder.place is not None
    with RecordingReader(recorder.place.path) as reader:
        assert reader.raw("battery_voltage").time_ns.size >= 2050
        assert reader.gaps() == ()


def test_while_the_starter_pulls_every_chip_down_no_pulse_is_lost_and_the_holes_are_named(wiring: Settings) -> None:
    """Two seconds of cranking: each 250 ms the supply of all chips dips for 60 ms, as a weak battery lets it."""
    clock = VirtualClock()
    rig = Rig(steady_drive(12.0), wiring, clock, lead_s=1.0)

    def dip(number: int, plugged: bool) -> None:
        for chip in (*rig.adcs.values(), rig.accelerometer):
            chip.power_cycle()
            chip.connected = plugged

    for number in range(8):
        at_ns = rig.start_ns + 4 * NS_PER_S + number * NS_PER_S // 4
        clock.call_at(at_ns, lambda number=number: dip(number, False))  # type: ignore[misc]
        clock.call_at(at_ns + 60_000_000, lambda number=number: dip(number, True))  # type: ignore[misc]
    recorder = Recorder(
        wiring, Hardware(wiring, rig.bus, rig.pins, clock), clock, inline=True, clock_is_set=True, say=lambda text: None
    )
    rig.play()
    health = recorder.run(rig.end_ns + NS_PER_S)
    assert health.pulses == 12 * PULSES_HZ
    assert recorder.place is not None
    with RecordingReader(recorder.place.path) as reader:
        zero_ns = reader.meta.started_monotonic_ns
        times = reader.raw("battery_voltage").time_ns + zero_ns - rig.start_ns
        cranking = (times >= 4 * NS_PER_S) & (times < 6.1 * NS_PER_S)
        assert cranking.sum() >= 100  # of 210; never a false zero among them:
        assert np.ptp(reader.read("battery_voltage").value) < 0.05
        holes = np.flatnonzero(np.diff(times) > 150_000_000)
        named = [(gap.from_ns + zero_ns - rig.start_ns, gap.to_ns + zero_ns - rig.start_ns) for gap in reader.gaps()]
        for hole in holes:
            assert any(
                since <= times[hole] + 20_000_000 and until >= times[hole + 1] - 20_000_000 for since, until in named
            )
        after = times >= 7 * NS_PER_S
        assert np.diff(times[after]).max() < 12_000_000
