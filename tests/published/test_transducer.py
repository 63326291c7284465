"""The 0.5-4.5 V convention of ratiometric transducers, against published worked examples."""

import numpy as np
import pytest

from logger import curves
from logger.conversion import Ratiometric

# onlinesensors.co.uk, "ratiometric pressure sensor": output 10 %, 50 % and 90 % of supply at zero, half and full range;
# forum.digikey.com, topic 4500: P = Pfs (V/Vs - 0.1) / 0.8. The 100 psi row is that page's worked example, the others
# are the formula's arithmetic.
EXAMPLES = [
    (100.0, 5.0, 0.5, 0.0),
    (100.0, 5.0, 2.5, 50.0),
    (100.0, 5.0, 4.5, 100.0),
    (150.0, 5.0, 1.66, 43.5),
    (150.0, 4.9, 2.45, 75.0),
]


@pytest.mark.parametrize(("full_scale", "supply_v", "volts", "pressure"), EXAMPLES)
def test_the_worked_examples_come_out(full_scale: float, supply_v: float, volts: float, pressure: float) -> None:
    curve = Ratiometric(full_scale)
    assert curve.to_si(np.array(volts), np.array(supply_v)) == pytest.approx(pressure, abs=0.01)
    assert curve.to_volts(np.array(pressure), np.array(supply_v)) == pytest.approx(volts, abs=0.001)


def test_against_a_fixed_5_volts_a_sagging_supply_would_be_taken_for_falling_pressure() -> None:
    curve = Ratiometric(150.0)
    assert curve.to_si(np.array(2.45), np.array(5.0)) == pytest.approx(73.1, abs=0.05)


@pytest.mark.parametrize("name", [name for name in curves.names() if name.startswith("pressure")])
def test_every_transducer_among_the_curves_follows_the_convention(name: str) -> None:
    curve = curves.load(name).channel
    assert (curve["zero_fraction"], curve["span_fraction"]) == (0.1, 0.8)


# Common practice, no source: vehicle diagnostics call a 5 V signal below 0.25 V or above 4.75 V a wiring fault.
def test_the_check_calls_a_signal_a_broken_wire_where_vehicle_diagnostics_do() -> None:
    from logger.check.sensors import HIGH_SHARE, LOW_SHARE

    assert (LOW_SHARE * 5.0, HIGH_SHARE * 5.0) == (0.25, 4.75)
