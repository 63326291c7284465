"""What may be entered of fuel, road, weather and vehicle."""

import re

import pytest

from logger.circumstances import checked
from logger.errors import SettingsError


def test_words_stay_and_numbers_become_numbers() -> None:
    assert checked({"road": "wet", "air_pressure_kpa": "97,4", "mass_kg": 900}) == {
        "road": "wet",
        "air_pressure_kpa": 97.4,
        "mass_kg": 900.0,
    }


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("road", "icy", "road is 'icy'; allowed are dry, damp, wet"),
        ("air_pressure_kpa", "1013", "air pressure (air_pressure_kpa) is '1013'; allowed is 40 to 120 kPa"),
        ("mass_kg", "light", "mass (mass_kg) is 'light'; allowed is 100 to 20000 kg"),
        ("driveline_loss", "nan", "driveline loss (driveline_loss) is 'nan'; allowed is 0 to 0.5"),
        ("colour", "red", "'colour' cannot be entered; known are fuel, road"),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_is_allowed(name: str, value: str, said: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(said)):
        checked({name: value})
