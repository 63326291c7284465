"""Generated capture folders: readable, repeatable, and broken where they say."""

import json
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from logger.store.capture import read_folder
from logger.virtualcar import generated
from logger.virtualcar.car import Car
from logger.virtualcar.cases import choose, main, names_of, write_case
from logger.virtualcar.faults import Fault
from logger.virtualcar.garage import HELD_OUT, TUNED
from logger.virtualcar.generated import HEALTHY, build_case
from logger.virtualcar.verdicts import event_truth
from logger.virtualcar.wires import WireFault, broken, sensing_for, tach_wire


def _files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_a_case_reads_back_as_the_event_it_describes(tmp_path: Path) -> None:
    truth = write_case(tmp_path / "case", tmp_path / "truth.json", 11, "chafe_feed", "six_injected")
    event = read_folder(tmp_path / "case")
    assert event.engine.cylinders == 6
    assert [r.name for r in event.recordings] == [row["recording"] for row in truth["recordings"]]
    for recording, row in zip(event.recordings, truth["recordings"], strict=True):
        assert recording.duration_ns / 1e9 == pytest.approx(row["duration_s"], abs=0.6)
        assert sorted({*recording.traces, *recording.pulses}) == truth["channels"]
    assert json.loads((tmp_path / "truth.json").read_text()) == truth


def test_the_same_seed_writes_the_same_bytes(tmp_path: Path) -> None:
    for place in ("a", "b"):
        write_case(tmp_path / place / "case", tmp_path / place / "truth.json", 4, "surge", "three_injected")
    assert _files(tmp_path / "a") == _files(tmp_path / "b")


def test_a_healthy_case_has_no_stumbles_and_no_cause() -> None:
    truth = build_case("case", 3, HEALTHY, "four_injected").truth
    assert truth["stumbles"] == []
    assert truth["event"]["main_cause"] is None


def test_a_repair_that_worked_ends_the_stumbles_and_is_in_the_folder(tmp_path: Path) -> None:
    truth = write_case(tmp_path / "case", tmp_path / "truth.json", 0, "chafe_feed", "three_injected", repair=True)
    assert truth["repairs"][0]["true_outcome"] == "gone"
    assert any(row["scored"] for row in truth["stumbles"])
    assert not any(row["after_repair"] for row in truth["stumbles"])
    (repair,) = read_folder(tmp_path / "case").repairs
    assert repair.suspect == "ignition_primary"


def test_a_fault_that_makes_noise_on_the_tach_wire_makes_it_on_every_drive(monkeypatch: pytest.MonkeyPatch) -> None:
    really = generated.sick

    def noisy(*arguments: Any) -> Fault:
        fault = really(*arguments)
        fault.noise = 1.0
        return fault

    cars: list[Car] = []

    def truth(*arguments: Any) -> dict[str, Any]:
        cars.extend(arguments[5])
        return event_truth(*arguments)

    monkeypatch.setattr(generated, "sick", noisy)
    monkeypatch.setattr(generated, "event_truth", truth)
    build_case("case", 9, "coil_lead", "four_injected")
    lost = [car for car in cars if (car.log.column("fault") >= 0).any()]
    assert lost
    assert all(car.ignition.stray for car in lost if (car.log.column("fault") >= 0).sum() > 5)


def test_truth_has_the_fields_that_a_scorer_needs() -> None:
    truth = build_case("case", 8, "coil_lead", "four_injected").truth
    assert {"stumbles", "event", "sensor_faults", "repairs", "recordings", "running_s", "suite"} <= set(truth)
    assert {"main_cause", "accept_main", "linked_heat", "linked_shock", "links_scored", "fault_kinds"} <= set(
        truth["event"]
    )
    for row in truth["stumbles"]:
        assert row["onset_s"] <= row["engine_onset_s"] <= row["end_s"]
        assert row["cause"] in row["accept"]


def test_held_out_cars_are_never_among_the_tuned() -> None:
    assert not set(TUNED) & set(HELD_OUT)
    assert names_of("held_out") == list(HELD_OUT)
    assert all(choose(number, 1, ["plug"], names_of("held_out"))[1] in HELD_OUT for number in range(20))


def test_a_fault_that_no_car_of_the_choice_can_have_becomes_a_healthy_case() -> None:
    assert choose(0, 1, ["injector_drive"], ["four_carburettor"]) == (HEALTHY, "four_carburettor")


def test_an_unknown_car_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(KeyError, match="four_injected"):
        names_of("steam_engine")


def test_the_command_writes_cases_and_truth(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main([str(tmp_path), "--count", "2", "--seed", "3", "--faults", "healthy,ground", "--engines", "three_injected"])
    assert (tmp_path / "case_001" / "capture.toml").is_file()
    assert (tmp_path / "truth" / "case_002.json").is_file()
    assert "case_002: three_injected, ground" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("kind", "channel"), [("stuck", "battery_voltage"), ("open", "fuel_pressure"), ("short", "coolant_temperature")]
)
def test_a_broken_wire_leaves_the_rest_alone(kind: str, channel: str) -> None:
    time = np.arange(0.0, 10.0, 0.01)
    value = 12.0 + np.sin(time)
    sensing = sensing_for(250.0, Random(1))
    result = broken(time, value, WireFault(channel, 3.0, 5.0, kind), sensing, np.random.default_rng(1))
    inside = (time >= 3.0) & (time <= 5.0)
    assert np.array_equal(result[~inside], value[~inside])
    if kind == "stuck":
        assert np.ptp(result[inside]) == 0.0
    else:
        assert np.all(np.isnan(result[inside]) | (np.abs(result[inside] - value[inside]) > 10.0))


def test_a_tach_wire_drops_or_adds_only_inside_its_fault() -> None:
    times = np.arange(0.0, 10.0, 0.01)
    dropped = tach_wire(times, WireFault("tach_pulses", 3.0, 5.0, "dropped_pulses"), np.random.default_rng(2))
    added = tach_wire(times, WireFault("tach_pulses", 3.0, 5.0, "extra_pulses"), np.random.default_rng(2))
    assert np.isin(dropped, times).all()
    assert 20 < times.size - dropped.size < 180
    assert np.isin(times, added).all()
    extra = added[~np.isin(added, times)]
    assert extra.size > 20
    assert extra.min() >= 3.0
    assert extra.max() <= 5.002
