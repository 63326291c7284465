"""The emulated chips, register by register and under the drivers as they are installed."""

import numpy as np
import pytest
from adafruit_ads1x15 import ADS1015, ADS1115
from adafruit_ads1x15.ads1x15 import Mode
from adafruit_adxl34x import ADXL345

from logger.event import IntArray
from logger.virtualcar.chips import Ads1115, Adxl345
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.i2c_bus import Bus

MS = 1_000_000


def bus_with_adc(bits: int = 16, volts: float | None = None) -> tuple[VirtualClock, Bus, Ads1115]:
    clock = VirtualClock()
    bus = Bus(clock.spend)
    chip = Ads1115(clock, lambda n, t: n + 0.5 if volts is None else volts, bits=bits)
    bus.attach(0x48, chip)
    return clock, bus, chip


def register(bus: Bus, pointer: int) -> int:
    data = bytearray(2)
    bus.writeto_then_readfrom(0x48, bytes([pointer]), data)
    return int.from_bytes(data, "big")


def write_config(bus: Bus, word: int) -> None:
    bus.writeto(0x48, bytes([1, word >> 8, word & 0xFF]))


def test_the_driver_in_single_shot_mode_reads_each_input() -> None:
    _, bus, _ = bus_with_adc()
    driver = ADS1115(bus, gain=1)
    assert [driver.read(n + 4) for n in range(4)] == [4000, 12000, 20000, 28000]


def test_the_driver_of_the_twelve_bit_chip_reads_each_input() -> None:
    _, bus, _ = bus_with_adc(bits=12)
    driver = ADS1015(bus, gain=1)
    assert [driver.read(n + 4) for n in range(4)] == [4000, 12000, 20000, 28000]


def test_the_driver_in_continuous_mode_follows_its_one_input() -> None:
    _, bus, _ = bus_with_adc()
    driver = ADS1115(bus, gain=1, mode=Mode.CONTINUOUS, data_rate=860)
    bus.writeto(0x48, bytes([1, 0x52, 0xE3]))  # AIN1, continuous
    assert bus is driver.i2c_device.i2c
    bus._take(3 * MS)
    assert register(bus, 0) == 12000


def test_configuration_comes_up_as_the_data_sheet_says() -> None:
    _, bus, _ = bus_with_adc()
    assert register(bus, 1) == 0x8583
    assert register(bus, 0) == 0


def test_a_conversion_takes_its_time_and_the_chip_says_so() -> None:
    clock, bus, _ = bus_with_adc()
    write_config(bus, 0xC3E3)  # AIN0, +-4.096 V, single, 860 SPS
    assert register(bus, 1) == 0x43E3
    assert register(bus, 0) == 0
    clock.spend(round(1e9 / 860))
    assert register(bus, 1) == 0xC3E3
    assert register(bus, 0) == 4000


def test_a_result_stays_until_the_next_conversion_is_over() -> None:
    clock, bus, _ = bus_with_adc()
    write_config(bus, 0xC3E3)
    clock.spend(2 * MS)
    write_config(bus, 0xD3E3)  # AIN1
    assert register(bus, 0) == 4000
    clock.spend(2 * MS)
    assert register(bus, 0) == 12000


def test_inputs_can_be_measured_against_each_other() -> None:
    clock, bus, _ = bus_with_adc()
    write_config(bus, 0x83E3)  # AIN0 - AIN1 = -1 V
    clock.spend(2 * MS)
    assert register(bus, 0) == 0x10000 - 8000


@pytest.mark.parametrize(("volts", "code"), [(5.0, 0x7FFF), (-5.0, 0x8000)])
def test_codes_clip_at_both_ends(volts: float, code: int) -> None:
    clock, bus, _ = bus_with_adc(volts=volts)
    write_config(bus, 0xC3E3)
    clock.spend(2 * MS)
    assert register(bus, 0) == code


def test_the_twelve_bit_chip_leaves_the_low_bits_zero_and_clips_at_7ff() -> None:
    clock, bus, _ = bus_with_adc(bits=12, volts=5.0)
    write_config(bus, 0xC3E3)
    clock.spend(2 * MS)
    assert register(bus, 0) == 0x7FF0


def test_an_absent_chip_does_not_answer_the_drivers_probe() -> None:
    _, bus, chip = bus_with_adc()
    chip.connected = False
    with pytest.raises(ValueError, match="No I2C device at address: 0x48"):
        ADS1115(bus)


def test_a_hung_bus_times_out_and_takes_the_kernels_patience() -> None:
    clock, bus, _ = bus_with_adc()
    bus.hung = True
    before = clock.monotonic_ns()
    with pytest.raises(OSError, match="timed out"):
        bus.writeto(0x48, b"")
    assert clock.monotonic_ns() - before == 20 * MS


def test_transfers_take_bus_time() -> None:
    clock, bus, _ = bus_with_adc()
    before = clock.monotonic_ns()
    register(bus, 0)
    # Five bytes of nine bits at 400 kHz, and 40 us around them.
    assert clock.monotonic_ns() - before == 5 * 22_500 + 40_000


def sawtooth(times: IntArray) -> IntArray:
    rows = np.zeros((times.size, 3), dtype=np.int64)
    rows[:, 0] = (times - 30_000_000_000) // 100_000 % 500
    rows[:, 2] = 256
    return rows


def bus_with_accelerometer() -> tuple[VirtualClock, Bus, Adxl345, ADXL345]:
    clock = VirtualClock()
    bus = Bus(clock.spend)
    chip = Adxl345(clock, sawtooth)
    bus.attach(0x53, chip)
    return clock, bus, chip, ADXL345(bus)


def read(bus: Bus, first: int, length: int) -> bytes:
    data = bytearray(length)
    bus.writeto_then_readfrom(0x53, bytes([first]), data)
    return bytes(data)


def test_the_driver_reads_acceleration_in_its_own_unit() -> None:
    clock, _, _, driver = bus_with_accelerometer()
    driver.range = 3
    clock.spend(20 * MS)
    # The driver takes 4 mg for a count of 3.90625.
    assert driver.acceleration[2] == pytest.approx(256 * 0.004 * 9.80665)


def test_the_id_register_holds_e5() -> None:
    _, bus, _, _ = bus_with_accelerometer()
    assert read(bus, 0x00, 1) == b"\xe5"


def test_without_the_fifo_the_newest_sample_is_read() -> None:
    clock, bus, _, _ = bus_with_accelerometer()
    clock.spend(35 * MS)
    first = read(bus, 0x32, 6)
    assert read(bus, 0x32, 6) == first
    clock.spend(10 * MS)
    assert read(bus, 0x32, 6) != first


def test_the_fifo_gives_every_sample_once_and_in_order() -> None:
    clock, bus, _, driver = bus_with_accelerometer()
    driver.data_rate = 0x0C
    bus.writeto(0x53, bytes([0x38, 0x80]))
    clock.spend(50 * MS)
    waiting = read(bus, 0x39, 1)[0] & 0x3F
    assert waiting == 20
    x = [int.from_bytes(read(bus, 0x32, 6)[:2], "little") for _ in range(waiting)]
    assert (np.diff(x) % 500).tolist() == [25] * 19  # 2.5 ms apart, a count for each 0.1 ms, the tooth 500 high


def test_an_overflowing_fifo_keeps_the_newest_32_and_says_so() -> None:
    clock, bus, _, driver = bus_with_accelerometer()
    driver.data_rate = 0x0C
    bus.writeto(0x53, bytes([0x38, 0x80]))
    clock.spend(200 * MS)
    assert read(bus, 0x39, 1)[0] & 0x3F == 32
    assert read(bus, 0x30, 1)[0] & 0x01
    read(bus, 0x32, 6)
    assert not read(bus, 0x30, 1)[0] & 0x01


def test_ten_bit_format_spreads_the_range_and_full_resolution_does_not() -> None:
    clock, bus, _, _ = bus_with_accelerometer()
    for data_format, counts in ((0x03, 32), (0x0B, 256), (0x00, 256)):
        bus.writeto(0x53, bytes([0x31, data_format]))
        clock.spend(20 * MS)
        assert int.from_bytes(read(bus, 0x36, 2), "little") == counts


def test_a_power_cycle_puts_the_chip_to_sleep() -> None:
    clock, bus, chip, _ = bus_with_accelerometer()
    chip.power_cycle()
    clock.spend(50 * MS)
    assert read(bus, 0x32, 6) == bytes(6)
