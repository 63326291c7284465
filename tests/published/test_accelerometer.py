"""ADXL345 counts to g, against the values of Analog Devices' data sheet."""

import numpy as np
import pytest

from logger.conversion import counts_to_g, g_to_counts


# Analog Devices, ADXL345 data sheet, table 1: sensitivity in full resolution 256 LSB/g typical, 3.9 mg/LSB, in all
# ranges; data registers low byte first.
@pytest.mark.parametrize(("low", "high", "g"), [(0x00, 0x01, 1.0), (0x00, 0xFF, -1.0), (0x00, 0x10, 16.0)])
def test_register_bytes_give_the_data_sheets_g(low: int, high: int, g: float) -> None:
    counts = np.frombuffer(bytes([low, high, 0, 0, 0, 0]), dtype="<i2").reshape(1, 3)
    assert counts_to_g(counts)[0, 0] == g


def test_one_count_is_within_the_data_sheets_rounding_of_3_9_mg() -> None:
    assert counts_to_g(np.array([[1, 0, 0]]))[0, 0] * 1000 == pytest.approx(3.9, abs=0.05)


def test_counts_and_g_are_each_others_inverse_for_any_mounting() -> None:
    counts = np.array([[256, -128, 64]], dtype=np.int16)
    mounting = ("-y", "+x", "+z")
    assert g_to_counts(counts_to_g(counts, mounting), mounting).tolist() == counts.tolist()
