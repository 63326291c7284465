"""ADC codes to volts, against Texas Instruments' data sheets of the ADS1113/4/5 (SBAS444) and its sister parts."""

import numpy as np
import pytest

from logger.conversion import FULL_SCALE_V, counts_to_volts, volts_to_counts

# SBASAV5 (ADS1114L/5L, December 2023), table 8-1: full-scale range and LSB size of the 16-bit part, in microvolts.
LSB_UV = {6.144: 187.5, 4.096: 125.0, 2.048: 62.5, 1.024: 31.25, 0.512: 15.625, 0.256: 7.8125}


@pytest.mark.parametrize(("gain", "full_scale"), FULL_SCALE_V.items())
def test_one_code_is_worth_the_lsb_of_the_data_sheets_table(gain: float, full_scale: float) -> None:
    assert counts_to_volts(1, gain) * 1e6 == pytest.approx(LSB_UV[full_scale], rel=1e-12)


# SBASAV5, table 8-3: input against ideal output code.
@pytest.mark.parametrize(
    ("share_of_full_scale", "code"),
    [(32767 / 32768, 0x7FFF), (1.0, 0x7FFF), (1 / 32768, 0x0001), (0.0, 0x0000), (-1 / 32768, 0xFFFF), (-1.0, 0x8000)],
)
def test_ideal_codes_are_those_of_the_data_sheets_table(share_of_full_scale: float, code: int) -> None:
    got = int(volts_to_counts(share_of_full_scale * 4.096, 1.0))
    assert got & 0xFFFF == code


# Arithmetic on table 8-1 for an ideal part.
@pytest.mark.parametrize(
    ("volts", "gain", "code"),
    [
        (3.3, 1.0, 0x6720),
        (2.5, 1.0, 0x4E20),
        (1.0, 2.0, 0x3E80),
        (-1.0, 2.0, 0xC180),
        (4.5, 0.667, 0x5DC0),
        (0.5, 0.667, 0x0A6B),
    ],
)
def test_ideal_codes_of_worked_examples(volts: float, gain: float, code: int) -> None:
    assert int(volts_to_counts(volts, gain)) & 0xFFFF == code
    assert counts_to_volts(np.int16(code - 0x10000 if code > 0x7FFF else code), gain) == pytest.approx(volts, abs=1e-4)


def test_the_twelve_bit_parts_left_justified_result_is_on_the_same_scale() -> None:
    # TI support forum, data converters, thread 248021: 3.3 V at +-4.096 V gives 672h from the 12-bit part.
    assert counts_to_volts(0x672 << 4, 1.0) == pytest.approx(3.3, abs=0.002)
