"""Pulls as the findings keep them: with the weather and the inertia that people entered."""

import json
from dataclasses import replace

import pytest

from logger.analysis.pull.pull_findings import pull_findings
from logger.circumstances import CIRCUMSTANCES
from tests.analysis.invented import event, running, seconds
from tests.analysis.test_pulls import sweep


def found(**entered: str | float) -> dict:  # type: ignore[type-arg]
    of = replace(event([sweep("r01"), sweep("r02", 0.9)]), circumstances=entered)
    return pull_findings(of, running(of), [])


def test_they_are_plain_json_with_shares_of_the_best_pull() -> None:
    told = found()
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    weaker = [share for share in told["pulls"][1]["relative"] if share is not None]
    assert weaker == pytest.approx([0.9] * len(weaker), abs=0.02)
    assert told["pulls"][0]["torque_nm"] is None
    assert "from the standard's own air of 99 kPa" in told["referred"]


def test_torque_is_in_newton_metres_where_the_inertia_was_entered() -> None:
    """800 rev/min a second are 83.8 rad/s²; 0.2 kg·m² of drum at half the turns are 0.05; with 20 % lost 5.24 N·m."""
    told = found(drum_inertia_kg_m2=0.2, drum_turns_per_turn=0.5, driveline_loss=0.2)
    assert told["pulls"][0]["torque_nm"][4] == pytest.approx(5.24, rel=0.02)
    assert "at the crank, with 20 % lost on the way to the wheels" in told["referred"]


def test_half_of_an_inertia_leaves_the_curves_relative() -> None:
    told = found(mass_kg=900.0)
    assert told["pulls"][0]["torque_nm"] is None
    for key in ("mass_kg", "metres_per_turn", "drum_inertia_kg_m2", "drum_turns_per_turn"):
        assert CIRCUMSTANCES[key].label in told["referred"]  # as the form names it
        assert key not in told["referred"]


def test_the_weather_entered_scales_the_output_to_standard_air() -> None:
    """Dry air of 85 kPa at 25 °C: 1.194."""
    told = found(air_pressure_kpa=85.0, air_temperature_degc=25.0, road="dry")
    assert told["pulls"][0]["air_factor"] == pytest.approx(1.194, abs=1e-3)
    assert "from entered air of 85 kPa and 25 °C" in told["referred"]


def test_no_pull_leaves_nothing() -> None:
    of = event([replace(sweep("r01"), pulses={"tach_pulses": seconds([])})])
    assert pull_findings(of, running(of), []) == {}
