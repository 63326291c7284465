"""All parts together."""

import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from logger import settings
from logger.sensors.budget import bus_loads
from logger.sensors.linux_bus import LinuxBus
from tests.sensors.bench import MS, Bench

DEFAULT = settings.default()


def test_the_default_wiring_reads_everything_at_its_rate() -> None:
    bench = Bench(DEFAULT)
    bench.run(10.0)
    expected = {name: channel.rate_hz * 10 for name, channel in DEFAULT.channels.items()} | {"acceleration": 4000}
    for name, count in expected.items():
        assert abs(bench.samples(name)[0].size - count) <= 11, name
    assert [health.part for health in bench.batches[-1].health if health.state != "ok"] == []
    assert all(health.missed == 0 for health in bench.batches[-1].health)


def test_times_rise_within_every_channel() -> None:
    bench = Bench(DEFAULT)
    bench.run(3.0)
    for name in (*DEFAULT.channels, "acceleration"):
        times, _ = bench.samples(name)
        assert (times[1:] > times[:-1]).all(), name


def test_the_adc_is_never_more_than_two_milliseconds_late() -> None:
    bench = Bench(DEFAULT)
    bench.run(10.0)
    late = [
        health.peak_late_ms for batch in bench.batches[1:] for health in batch.health if health.part.startswith("adc")
    ]
    assert max(late) < 2.0


def test_everything_absent_is_a_list_of_missing_parts_and_no_error() -> None:
    bench = Bench(DEFAULT)
    bench.adc.connected = bench.second.connected = bench.accelerometer.connected = False
    bench.run(1.0)
    missing = [health.part for health in bench.batches[-1].health if health.state == "missing"]
    assert missing == ["adc 0x48", "adc 0x49", "accelerometer"]


def test_closing_twice_gives_every_pin_back() -> None:
    bench = Bench(DEFAULT)
    bench.run(0.2)
    bench.hardware.close()
    bench.hardware.close()
    assert "closed" in repr(bench.hardware)
    again = Bench(DEFAULT)
    again.pins = bench.pins
    again.hardware = type(bench.hardware)(DEFAULT, again.bus, bench.pins, again.clock)
    again.run(0.2)
    assert again.health("tach_pulses").state == "ok"


def test_the_repr_says_what_and_where() -> None:
    bench = Bench(DEFAULT)
    bench.run(0.2)
    text = repr(bench.hardware)
    assert "AdcChip(0x48, battery_voltage" in text
    assert "PulseInput(tach_pulses, GPIO 17; ok)" in text


def test_fifty_openings_leave_no_thread_and_no_file_behind() -> None:
    def files() -> int:
        return len(os.listdir("/proc/self/fd"))

    Bench(DEFAULT).run(0.1)
    before = (threading.active_count(), files())
    for _ in range(50):
        bench = Bench(DEFAULT)
        bench.run(0.1)
        bench.hardware.close()
    assert (threading.active_count(), files()) == before


def test_opening_the_sensors_imports_nothing_heavy() -> None:
    program = "import sys, logger.sensors.hardware; print([m for m in %r if m in sys.modules])"
    heavy = ["scipy", "pandas", "pyarrow", "fastapi", "sqlite_utils", "board", "logger.analysis", "web"]
    result = subprocess.run([sys.executable, "-c", program % heavy], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


@pytest.mark.skipif(Path("/dev/gpiochip0").exists(), reason="this machine has GPIO pins")
def test_a_machine_that_is_no_pi_is_refused_in_one_sentence(tmp_path: Path) -> None:
    # In a process of its own: importing lgpio starts a thread that never ends.
    program = (
        "import sys, os; from dataclasses import replace\n"
        "from logger import settings; from logger.clock import SystemClock; from logger.errors import SensorError\n"
        "from logger.sensors.hardware import open_hardware\n"
        "wiring = settings.default(); before = os.getcwd()\n"
        "wiring = replace(wiring, recorder=replace(wiring.recorder, run_dir=sys.argv[1]))\n"
        "try: open_hardware(wiring, SystemClock())\n"
        "except SensorError as error: print(error)\n"
        "print(os.getcwd() == before)\n"
    )
    command = [sys.executable, "-c", program, str(tmp_path / "run")]
    result = subprocess.run(command, capture_output=True, text=True, check=True)
    sentence, still_there = result.stdout.splitlines()
    assert re.search("pins (cannot be opened|need a package)", sentence)
    assert still_there == "True"


def test_a_bus_that_is_not_there_is_an_error_in_words_at_each_transfer() -> None:
    bus = LinuxBus(31)
    for _ in range(2):
        with pytest.raises(OSError, match="there is no I2C bus 31; switch I2C on"):
            bus.writeto(0x48, b"")


def test_the_default_wiring_uses_less_than_half_of_the_bus() -> None:
    loads = {load.part: load.share() for load in bus_loads(DEFAULT)}
    assert list(loads) == ["adc 0x48", "adc 0x49", "accelerometer"]
    assert sum(loads.values()) < 0.5
    # 400 conversions a second: 800 transfers of 40 us, 9 bytes of 22.5 us each, and a look at the chip every 64.
    assert loads["adc 0x48"] == pytest.approx(0.032 + 0.081 + 6.25 * (40e-6 + 5 * 22.5e-6), abs=1e-6)


def test_a_poll_returns_at_the_time_it_was_asked_for() -> None:
    bench = Bench(DEFAULT)
    until = bench.clock.monotonic_ns() + 123 * MS
    bench.hardware.poll(until)
    assert until <= bench.clock.monotonic_ns() < until + 3 * MS
