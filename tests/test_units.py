"""A reader's own units, where something is shown or entered."""

import pytest

from logger.units import Units

OTHERS = Units(pressure="psi", temperature="degF")


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        # 100 kPa are 14.5 psi, 1 kPa 0.145 psi; 92 °C are 197.6 °F.
        (
            "fuel pressure fell by 100 kPa before",
            "fuel pressure fell by 14.5 psi before",
        ),
        ("often 15-40 kPa", "often 2.2-5.8 psi"),
        ("200.0 to 300.0 kPa", "29.01 to 43.51 psi"),
        ("with the coolant above 92 °C", "with the coolant above 198 °F"),
        ("12.9-14.1 V at 80 °C", "12.9-14.1 V at 176 °F"),
        ("9.1 V at -1 °C", "9.1 V at 30 °F"),
        ("r12 kPa, 3 kPaX, about 0.4 % per degree", "r12 kPa, 3 kPaX, about 0.4 % per degree"),
    ],
)
def test_a_sentence_in_si_is_told_in_other_units(sentence: str, said: str) -> None:
    assert OTHERS.said(sentence) == said
    assert Units().said(sentence) == sentence


def test_bar_keeps_two_places() -> None:
    assert Units(pressure="bar").said("from 270 kPa at 20 °C") == "from 2.70 bar at 20 °C"


@pytest.mark.parametrize(("degc", "shown"), [(91.99, "91.9 °C"), (92.0, "92.0 °C"), (69.96, "69.9 °C")])
def test_below_a_limit_reads_below_it(degc: float, shown: str) -> None:
    assert Units().show_tenths(degc) == shown
    assert Units(temperature="degF").show_tenths(92.0) == "197.6 °F"
    assert Units(temperature="degF").show_tenths(91.99) == "197.5 °F"
