"""Fuel, road, weather and vehicle, as entered for an event."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import SettingsError
from logger.store.capture_out import write_folder
from logger.store.store import Store
from tests.store.events import small_event


@pytest.fixture
def stored(tmp_path: Path) -> Iterator[tuple[Store, str]]:
    write_folder(small_event(), tmp_path / "captured")
    with Store(tmp_path / "data") as store:
        yield store, store.import_folder(tmp_path / "captured")


def test_the_newest_entry_of_each_name_stands_and_reaches_the_event(stored: tuple[Store, str]) -> None:
    store, event_id = stored
    store.enter_circumstances(event_id, {"road": "dry", "air_pressure_kpa": "97,4"})
    store.enter_circumstances(event_id, {"road": "wet"})
    assert store.circumstances(event_id) == {"road": "wet", "air_pressure_kpa": 97.4}
    assert store.event(event_id).circumstances == {"road": "wet", "air_pressure_kpa": 97.4}


def test_an_empty_value_takes_back_what_was_entered(stored: tuple[Store, str]) -> None:
    store, event_id = stored
    store.enter_circumstances(event_id, {"road": "wet", "fuel": "half"})
    store.enter_circumstances(event_id, {"road": ""})
    assert store.circumstances(event_id) == {"fuel": "half"}


def test_one_wrong_value_leaves_all_as_it_was(stored: tuple[Store, str]) -> None:
    store, event_id = stored
    with pytest.raises(SettingsError, match=r"mass \(mass_kg\) is 'light'"):
        store.enter_circumstances(event_id, {"road": "wet", "mass_kg": "light"})
    assert store.circumstances(event_id) == {}


def test_what_is_entered_makes_findings_stale_and_entering_the_same_again_does_not(stored: tuple[Store, str]) -> None:
    store, event_id = stored
    before = store.input_fingerprint(event_id)
    store.enter_circumstances(event_id, {"road": "wet"})
    wet = store.input_fingerprint(event_id)
    store.enter_circumstances(event_id, {"road": "wet"})
    assert before != wet == store.input_fingerprint(event_id)
