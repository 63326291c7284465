"""The pulls of an event as the findings keep them: plain lists, ready for JSON.

    pull_findings(event, running, stumbles) -> dict, empty where there is no pull

`pulls`: for each its place, gear (a group of like gearing), warmth, coolant, air factor, `break_ups_s` and
`break_ups_rpm`; then over `speed_rpm` the shares `relative` (of the torque of the best pull of that gear at the same
speed, None where that one did not go), `torque` and `power` (of that pull's highest), and at the crank `torque_nm` and
`power_kw` where the inertia was entered. `best`: number of the best pull of each gear. `differences`
(pulls_compared.py), `sentences` for people, and `referred`: to which air, and with which loss, the curves are referred.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite
from typing import Any

from logger.analysis.findings import Stumble
from logger.analysis.links.frames import Interval
from logger.analysis.pull import air, pulls
from logger.analysis.pull.pull import Pull, Vehicle
from logger.analysis.pull.pulls_compared import Comparison, compare
from logger.errors import AnalysisError
from logger.event import Event, FloatArray

STANDARD: air.Standard = "SAE J1349"


def pull_findings(event: Event, running: Sequence[Sequence[Interval]], stumbles: Sequence[Stumble]) -> dict[str, Any]:
    """Find the pulls and lay them over each other, with weather and inertia as entered for the event."""
    return laid(event, pulls.find(event, running, stumbles, **asdict(air_of(event))))


def air_of(event: Event) -> pulls.Air:
    """The weather as entered for the event, or the standard's own."""
    given = _numbers(event)
    temperature = given.get("air_temperature_degc", air.DEFAULT_TEMPERATURE_DEGC)
    return pulls.Air(
        STANDARD,
        given.get("air_pressure_kpa", air.DEFAULT_PRESSURE_KPA),
        temperature,
        air.vapour_pressure(temperature, given.get("air_humidity_percent", 0.0)),
    )


def _numbers(event: Event) -> dict[str, float]:
    return {key: float(value) for key, value in event.circumstances.items() if not isinstance(value, str)}


def laid(event: Event, found: Sequence[Pull]) -> dict[str, Any]:
    """The findings of these pulls, their gears told apart, in time order."""
    if not found:
        return {}
    given, weather = _numbers(event), air_of(event)
    compared = compare(found)
    vehicle, loss = _vehicle(given), given.get("driveline_loss", 0.0)
    gear = Counter(pull.gear for pull in found).most_common(1)[0][0]
    return {
        "pulls": [
            _plain(pull, compared, n, vehicle if pull.gear == gear else None, loss) for n, pull in enumerate(found)
        ],
        "best": {str(one): number for one, number in compared.best.items()},
        "differences": [asdict(difference) for difference in compared.differences],
        "sentences": compared.sentences,
        "referred": _referred(given, weather.pressure_kpa, weather.temperature_degc, vehicle, loss),
    }


def _vehicle(given: dict[str, float]) -> Vehicle | None:
    vehicle = Vehicle(
        given.get("mass_kg"), given.get("metres_per_turn"), given.get("drum_inertia_kg_m2"),
        given.get("drum_turns_per_turn"),
    )  # fmt: skip
    try:
        return vehicle if vehicle.inertia_kg_m2 > 0 else None
    except AnalysisError:  # half of what it takes was entered: the curves stay relative, and `referred` says so
        return None


def _plain(pull: Pull, compared: Comparison, n: int, vehicle: Vehicle | None, loss: float) -> dict[str, Any]:
    return {
        "recording": pull.recording,
        "from_s": round(pull.from_s, 3),
        "to_s": round(pull.to_s, 3),
        "gear": pull.gear,
        "warmth": pull.warmth,
        "coolant_degc": None if pull.coolant_degc is None else round(pull.coolant_degc, 1),
        "air_factor": round(pull.air_factor, 4),
        "speed_rpm": pull.speed_rpm.tolist(),
        "relative": _rounded(compared.relative[n], 4),
        "torque": _rounded(compared.torque[n], 4),
        "power": _rounded(compared.power[n], 4),
        "torque_nm": None if vehicle is None else _rounded(pull.torque_nm(vehicle, loss), 1),
        "power_kw": None if vehicle is None else _rounded(pull.power_kw(vehicle, loss), 2),
        "break_ups_s": [round(at, 3) for at in pull.break_ups_s],
        "break_ups_rpm": [round(rpm, 1) for rpm in pull.break_ups_rpm],
    }


def _rounded(values: FloatArray, digits: int) -> list[float | None]:
    return [round(value, digits) if isfinite(value) else None for value in values.tolist()]


def _referred(
    given: dict[str, float], pressure: float, temperature: float, vehicle: Vehicle | None, loss: float
) -> str:
    """What the curves mean, in one or two sentences."""
    weather = "entered" if {"air_pressure_kpa", "air_temperature_degc"} & given.keys() else "the standard's own"
    words = f"Referred to standard air by {STANDARD}, from {weather} air of {pressure:g} kPa and {temperature:g} °C"
    words += " (the intake air's own temperature where it was measured)."
    if vehicle is None:
        return (
            f"{words} Torque and power are shares of the best pull's; for N·m and kW enter the mass of car and crew "
            "with the way per turn of the crank, or the drum inertia of the dyno with the drum turns per turn of the "
            "crank."
        )
    at = f"at the crank, with {100 * loss:.0f} % lost on the way to the wheels" if loss else "as felt at the wheels"
    return f"{words} Torque and power {at}; slope, drag and the engine's own inertia are in them."
