"""The engine's pieces against values that can be worked out by hand."""

import math

import pytest

from logger.virtualcar.electrics import Coil, Electrics
from logger.virtualcar.engine import (
    EngineSpec,
    advance,
    balanced_ratio,
    friction_kpa,
    idle_air_for,
    lean_torque,
    light_chance,
    orifice_flow,
)


def test_constant_torque_adds_its_work_to_the_flywheel() -> None:
    speed, dt, turned = advance(100.0, 10.0, 0.1, math.pi)
    assert speed == pytest.approx(math.sqrt(100.0**2 + 2.0 * 10.0 * math.pi / 0.1))
    assert dt == pytest.approx(2.0 * math.pi / (100.0 + speed))
    assert turned == math.pi


def test_a_crank_that_lacks_the_energy_stops_on_the_way() -> None:
    speed, _, turned = advance(10.0, -20.0, 0.1, math.pi)
    assert speed == 0.0
    assert turned == pytest.approx(0.1 * 10.0**2 / (2.0 * 20.0))


def test_a_crank_at_rest_without_torque_stays_at_rest() -> None:
    assert advance(0.0, -5.0, 0.1, math.pi) == (0.0, 0.02, 0.0)


def test_throttle_flow_is_choked_below_0_528_and_nothing_without_a_pressure_difference() -> None:
    assert orifice_flow(0.3) == 1.0
    assert orifice_flow(0.5283) == pytest.approx(1.0, abs=1e-3)
    assert orifice_flow(1.0) == 0.0
    # gamma 1.4 at 0.9: sqrt(7 (0.9^(2/1.4) - 0.9^(2.4/1.4))) / 0.6847
    assert orifice_flow(0.9) == pytest.approx(0.6172, abs=2e-4)


def test_a_choked_manifold_stands_at_the_ratio_of_supply_to_swallowing() -> None:
    assert balanced_ratio(0.3) == pytest.approx(0.3, abs=1e-3)
    assert 0.9 < balanced_ratio(3.0) < 1.0


def test_friction_is_the_published_polynomial_scaled_and_dearer_with_cold_oil() -> None:
    hot = friction_kpa(3000.0 * math.pi / 30.0, 90.0)
    assert hot == pytest.approx(0.8 * (97.0 + 15.0 * 3.0 + 5.0 * 9.0))
    assert friction_kpa(3000.0 * math.pi / 30.0, -10.0) == pytest.approx(2.0 * hot)


def test_idle_air_is_found_for_every_size_of_engine() -> None:
    for litres, cylinders in ((0.35, 1), (1.8, 4), (4.3, 8)):
        assert 0.01 < idle_air_for(EngineSpec(litres=litres, cylinders=cylinders)) < 0.1


def test_a_weak_mixture_first_costs_torque_and_then_does_not_light() -> None:
    assert lean_torque(0.92) == 1.0
    assert lean_torque(1.2) < 0.9
    assert light_chance(1.1) == 1.0
    assert light_chance(1.46) == pytest.approx(0.5)
    assert light_chance(1.8) < 0.001


def test_coil_current_follows_resistance_and_inductance() -> None:
    coil = Coil(ohm=0.55, henry=0.004, feed_ohm=0.05, limit_a=99.0)
    # t = -(L/R) ln(1 - I R / V): 7 A at 13.5 V after 2.485 ms
    assert coil.current(13.5, 0.002485) == pytest.approx(7.0, abs=0.01)


def test_alternator_holds_its_voltage_fast_and_cannot_at_rest() -> None:
    bus = Electrics(set_v=14.2)
    for _ in range(2000):
        bus.step(0.01, 300.0, 15.0, 0.0)
    assert bus.voltage == pytest.approx(14.2, abs=0.05)
    for _ in range(2000):
        bus.step(0.01, 0.0, 15.0, 0.0)
    assert bus.voltage < 13.0
