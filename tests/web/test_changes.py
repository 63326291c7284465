"""Settings changed from the page: what counts when, what is refused in which words, and the way back."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger import settings
from logger.analysis import analyse
from logger.cli import main
from logger.errors import SettingsError
from logger.event import Event
from logger.store.blocks import Series
from logger.store.capture_out import write_folder
from logger.store.description import RecordingMeta, stored_channel
from logger.store.exports.incoming import take_in
from logger.store.exports.write import write
from logger.store.recording_writer import RecordingWriter, Second
from logger.store.store import Store
from logger.work import analyse_event
from tests.analysis.array_car import NATURAL, Drive
from tests.web.client import Client
from tests.web.errors import assert_error
from tests.web.starts import idling, say_again
from web.app import create_app

ENGINE = {"cylinders": 4, "tach_pulses_per_revolution": 2.0, "idle_rpm": 900.0, "redline_rpm": 6000.0}


def record(store: Store, number: int, name: str = "", **engine: float) -> None:
    """A recording of two seconds, made by a recorder whose settings say ENGINE and this event's name."""
    meta = RecordingMeta(
        f"u{number}", (stored_channel("tach_pulses"),), boot_id="b", power_up=number,
        settings={"engine": ENGINE | engine, "event": {"name": name, "kind": "competition"}},
    )  # fmt: skip
    with RecordingWriter(store.data_dir / "recordings" / f"{number}.sqlite", meta) as writer:
        writer.append(Second(0, [Series(0, np.array([10**9 // 4, 10**9 // 2], np.int64))]))


@pytest.fixture
def day(tmp_path: Path) -> Iterator[tuple[Client, Store, str]]:
    with Store(tmp_path / "data") as store:
        record(store, 1, "Larch Hollow")
        yield Client(create_app(store, tmp_path / "run")), store, store.events()[0].event_id


def test_the_form_shows_the_engine_of_the_newest_recording(day: tuple[Client, Store, str]) -> None:
    client, _, _ = day
    shown = {field["name"]: field["value"] for field in client.get("/api/settings").json()["engine"]}
    assert shown == {
        "cylinders": "4", "strokes": "4", "tach_pulses_per_revolution": "2", "tach_source": "", "fuel_system": "",
        "idle_rpm": "900", "redline_rpm": "6000",
    }  # fmt: skip


def test_a_changed_engine_counts_for_old_events_and_is_taken_back_and_put_back(day: tuple[Client, Store, str]) -> None:
    client, store, event_id = day
    before = store.input_fingerprint(event_id)
    form = {"cylinders": "6", "tach_pulses_per_revolution": "3,0", "tach_source": "coil_negative", "idle_rpm": ""}
    assert client.post("/settings/engine", data=form).headers["location"] == "/settings#sl-engine-h"
    engine = store.outline(event_id).engine
    assert (engine.cylinders, engine.tach_pulses_per_revolution, engine.tach_source) == (6, 3.0, "coil_negative")
    assert engine.idle_rpm is None
    assert engine.redline_rpm == 6000.0, "what nobody changed stays"
    assert store.input_fingerprint(event_id) != before, "the findings are worked out anew"
    assert store.recorded_engine(event_id).cylinders == 4

    html = client.get("/settings").text
    assert "Number of cylinders: 6 instead of 4" in html
    assert "Warm idle speed: not given instead of 900" in html
    for change in store.changes():
        assert client.post(f"/settings/changes/{change.id}/remove").status_code == 303
    assert store.outline(event_id).engine == store.recorded_engine(event_id)
    assert store.input_fingerprint(event_id) == before
    (cylinders,) = [change for change in store.changes() if change.key == "cylinders"]
    client.post(f"/settings/changes/{cylinders.id}/restore")
    assert store.outline(event_id).engine.cylinders == 6


@pytest.mark.parametrize(
    ("field", "wrote", "said"),
    [
        ("cylinders", "99", "is 99; it must be a whole number from 1 to 16"),
        ("cylinders", "six", "is &#39;six&#39;; it must be a whole number from 1 to 16"),
        ("cylinders", "", "is empty; it must be a whole number from 1 to 16"),
        ("tach_pulses_per_revolution", "0", "is 0.0; it must be a number from 0.25 to 120"),
        ("redline_rpm", "nan", "is nan; it must be a number from 1000 to 25000 (rpm)"),
        ("redline_rpm", "950", "it is 950.0; it must be a number from 1000"),
        ("tach_source", "<b>", "it must be one of coil_negative, ignition_module, control_unit, crank"),
    ],
)
def test_what_is_not_allowed_is_said_beside_its_field_and_nothing_is_kept(
    day: tuple[Client, Store, str], field: str, wrote: str, said: str
) -> None:
    client, store, _ = day
    answer = client.post("/settings/engine", data={"idle_rpm": "950", field: wrote})
    assert answer.status_code == 422
    assert f'id="sl-engine-{field}-error"><strong>Not saved:</strong>' in answer.text
    assert said in answer.text
    assert 'value="950"' in answer.text, "what was written is still there to be mended"
    assert store.changes() == []


def test_an_idle_speed_above_the_highest_speed_is_refused(day: tuple[Client, Store, str]) -> None:
    client, _, event_id = day
    for path in ("/settings/engine", f"/events/{event_id}/engine"):
        answer = client.post(path, data={"idle_rpm": "5000", "redline_rpm": "1000"})
        assert answer.status_code == 422
        assert "it is 1000; it must be more than the warm idle speed of 5000 rpm" in answer.text
    for path in ("/api/settings/engine", f"/api/events/{event_id}/engine"):
        error = assert_error(client.post(path, json={"idle_rpm": 7000}), 400)
        assert error["what"].startswith("engine.redline_rpm: it is 6000; it must be more than the warm idle speed of")
    assert client.post("/settings/engine", data={"idle_rpm": "", "redline_rpm": "1000"}).status_code == 303


def test_a_name_longer_than_a_page_shows_is_refused_both_ways(day: tuple[Client, Store, str]) -> None:
    client, store, _ = day
    answer = client.post("/settings/event", data={"name": "x" * 201})
    assert answer.status_code == 422
    assert "has more than 200 letters" in answer.text
    error = assert_error(client.post("/api/settings/event", json={"name": "x" * 201}), 400)
    assert error["what"] == "event.name has 201 letters; at most 200 are kept"
    assert store.changes() == []


def test_saving_what_counts_already_makes_no_version(day: tuple[Client, Store, str]) -> None:
    client, store, _ = day
    client.post("/settings/engine", data={"cylinders": "4", "idle_rpm": "900", "fuel_system": ""})
    assert store.changes() == []


def test_programs_change_settings_by_the_same_rules(day: tuple[Client, Store, str]) -> None:
    client, store, _ = day
    answer = client.post("/api/settings/engine", json={"cylinders": 8, "idle_rpm": None})
    assert answer.status_code == 201
    assert [change.id for change in store.changes()] == answer.json()
    error = assert_error(client.post("/api/settings/engine", json={"cylinders": 2.5}), 400)
    assert error["what"] == "engine.cylinders is 2.5; it must be a whole number from 1 to 16"
    error = assert_error(client.post("/api/settings/engine", json={"data_dir": "/"}), 400)
    assert error["what"] == "engine.data_dir is not to be changed on the page; change it in the settings file"
    assert_error(client.post("/api/settings/recorder", json={"data_dir": "/"}), 422)
    assert_error(client.post("/api/settings/changes/99/remove"), 404)


def test_one_events_engine_outweighs_that_of_all_and_an_imported_one_knows_its_own(tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store:
        client = Client(create_app(store))
        record(store, 1, "Larch Hollow")
        write_folder(Event("Elsewhere", NATURAL, (replace(Drive().recording(), name="r01"),)), tmp_path / "captured")
        imported = store.import_folder(tmp_path / "captured")
        own = next(entry.event_id for entry in store.events() if entry.event_id != imported)
        store.change("engine", {"cylinders": 6}, was=ENGINE)
        assert (store.outline(own).engine.cylinders, store.outline(imported).engine.cylinders) == (6, 4)
        assert client.post(f"/events/{own}/engine", data={"cylinders": "8"}).status_code == 303
        store.change("engine", {"cylinders": 12}, was=ENGINE)
        assert store.outline(own).engine.cylinders == 8
        assert "Number of cylinders: 8" in client.get(f"/events/{own}/engine").text
        refused = client.post(f"/events/{own}/engine", data={"cylinders": "0"})
        assert refused.status_code == 422
        assert "is 0; it must be a whole number from 1 to 16" in refused.text
        (change,) = store.changes(own)
        client.post(f"/events/{own}/engine/{change.id}/remove")
        assert store.outline(own).engine.cylinders == 12


def test_an_event_taken_over_from_another_machine_knows_its_own_engine(tmp_path: Path) -> None:
    with Store(tmp_path / "pi") as pi, Store(tmp_path / "laptop") as laptop:
        record(pi, 1, "Larch Hollow")
        write(pi, pi.events()[0].event_id, "bundle", tmp_path / "event.zip")
        (taken,) = take_in(laptop, tmp_path / "event.zip")
        laptop.change("engine", {"cylinders": 6}, was=ENGINE)
        assert laptop.outline(taken).engine.cylinders == 4


def test_wrong_pulses_per_turn_are_corrected_on_the_page_and_the_findings_follow(tmp_path: Path) -> None:
    failed = replace(Drive(silent=[(21.0, 21.2), (27.0, 27.12), (44.0, 44.5)]).recording(), name="r01")
    right = Event("Tallow Down", NATURAL, (failed,))
    wrong = replace(right, engine=replace(NATURAL, tach_pulses_per_revolution=6.0))
    write_folder(wrong, tmp_path / "captured")
    with Store(tmp_path / "data") as store:
        event_id = store.import_folder(tmp_path / "captured")
        client = Client(create_app(store))
        assert any("tach_pulses_per_revolution is too many" in s for s in analyse_event(store, event_id).not_judged)
        answer = client.post(f"/api/events/{event_id}/engine", json={"tach_pulses_per_revolution": None})
        assert answer.status_code == 201
        assert not store.has_fresh_findings(event_id)
        analyse_event(store, event_id)
        found, expected = store.findings(event_id), json.loads(json.dumps(analyse(right).as_json()))
        assert found
        assert [s["onset_s"] for s in found["stumbles"]] == [s["onset_s"] for s in expected["stumbles"]]
        assert found["not_judged"] == expected["not_judged"]


def test_recordings_to_come_belong_to_the_event_named_on_the_page(day: tuple[Client, Store, str]) -> None:
    client, store, event_id = day
    client.post("/settings/event", data={"name": "Tallow Down", "kind": "bench"})
    assert store.outline(event_id).name == "Larch Hollow", "the event there is keeps its name"
    record(store, 2, "Larch Hollow")
    newest = store.events()[0]
    assert (newest.name, newest.kind, newest.n_recordings) == ("Tallow Down", "bench", 1)
    record(store, 3, "Larch Hollow")
    assert store.events()[0].n_recordings == 2


def test_a_settings_file_changed_later_counts_again(day: tuple[Client, Store, str]) -> None:
    """Four cylinders were corrected to six; then another engine goes in, and the file says eight."""
    client, store, event_id = day
    client.post("/settings/engine", data={"cylinders": "6"})
    client.post("/settings/event", data={"name": "Tallow Down", "kind": "competition"})
    record(store, 2, "Furze Lane", cylinders=8)
    newest = store.events()[0]
    assert newest.name == "Furze Lane", "the file's name is another one now"
    assert store.outline(newest.event_id).engine.cylinders == 8
    assert store.outline(event_id).engine.cylinders == 6
    shown = {field["name"]: field["value"] for field in client.get("/api/settings").json()["engine"]}
    assert shown["cylinders"] == "8"


def test_live_speed_and_start_check_go_by_the_corrected_engine(tmp_path: Path) -> None:
    idling(tmp_path / "data", tmp_path / "run")  # six cylinders at 3 pulses a turn, idling at about 870 rpm
    with Store(tmp_path / "data") as store:
        client = Client(create_app(store, tmp_path / "run"))
        say_again(tmp_path / "run")
        before = client.get("/api/now").json()["values"]["engine_rpm"]
        store.events()
        values = {"tach_pulses_per_revolution": 1.5, "idle_rpm": 1700.0}
        assert client.post("/api/settings/engine", json=values).status_code == 201
        say_again(tmp_path / "run")
        assert client.get("/api/now").json()["values"]["engine_rpm"] == pytest.approx(2 * before, abs=0.2)
        tach = next(one for one in client.get("/api/now/check").json()["lines"] if one["label"] == "Tach")
        assert 1650 < float(tach["value"].split()[0]) < 1800
        assert tach["expected"].startswith("about 1700 rpm")


def test_wiring_that_does_not_go_with_the_engine_is_said_without_refusing_the_truth(
    day: tuple[Client, Store, str],
) -> None:
    client, _, _ = day
    assert client.get("/api/settings").json()["does_not_fit"] == ""
    client.post("/settings/engine", data={"tach_pulses_per_revolution": "60", "redline_rpm": "9000"})
    said = client.get("/api/settings").json()["does_not_fit"]
    assert said.startswith("tach.debounce_us is 200; at 9000 rpm pulses come 111 microseconds apart")


def test_what_only_the_settings_file_can_change_is_listed_with_its_value(day: tuple[Client, Store, str]) -> None:
    client, _, _ = day
    lines = {line["name"]: line["value"] for line in client.get("/api/settings").json()["of_the_file"]}
    assert lines["recorder.data_dir"] == "/var/lib/stumblelog"
    assert lines["tach.pin"] == "17"
    assert lines["lamp.fitted"] == "true"
    assert lines["accelerometer.mounting"] == "+x, +y, +z"
    assert lines["channels.fuel_pressure"].startswith("chip 0x48, input 2")
    assert not any(name.startswith(("engine.", "event.")) for name in lines)
    assert {name.split(".")[0] for name in lines} <= {section.split(".")[0] for section, _, _ in settings.rules()}


def test_a_rule_says_the_same_of_a_written_and_of_a_given_value(tmp_path: Path) -> None:
    rule = settings.ENGINE_RULES["idle_rpm"]
    assert rule.read(" 850,5 ") == 850.5
    with pytest.raises(ValueError, match=r"is 50.0; it must be a number from 100 to 5000 \(rpm\)"):
        rule.read("50")
    with Store(tmp_path / "data") as store, pytest.raises(SettingsError, match=r"engine.idle_rpm is 50.0; it must be"):
        store.change("engine", {"idle_rpm": 50.0}, was={})


def test_units_for_every_device_hold_until_a_device_chooses_its_own_and_are_taken_back(
    own: tuple[Client, Store, str], capsys: pytest.CaptureFixture[str]
) -> None:
    client, store, event_id = own
    assert client.post("/settings/display", data={"pressure": "psi", "temperature": "degF"}).status_code == 303
    page = client.get(f"/events/{event_id}").text
    assert "°F" in page
    assert "°C" not in page
    assert "°C" in client.get(f"/events/{event_id}", headers={"Cookie": "sl_temperature=degC"}).text
    assert "Unit of pressures: psi instead of kPa" in client.get("/settings").text
    assert main(["report", event_id, "--data-dir", str(store.data_dir)]) == 0
    assert "°C" not in capsys.readouterr().out
    again = Client(create_app(store))  # started anew
    assert "°F" in again.get(f"/events/{event_id}").text
    for change in store.changes():
        client.post(f"/settings/changes/{change.id}/remove")
    assert "°F" not in client.get(f"/events/{event_id}").text
