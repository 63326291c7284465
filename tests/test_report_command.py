"""`stumblelog report`: text, JSON or a file to print; test cards; and what is entered before an analysis."""

import json
from pathlib import Path

import pytest

from logger.cli import main
from logger.store.capture_out import write_folder
from tests.conftest import Stored
from tests.web.example import event

Said = pytest.CaptureFixture[str]


@pytest.fixture
def event_id(stored: Stored, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """An event that is worked out already."""
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "data"))
    store, event_id = stored(tmp_path / "data")
    store.close()
    return event_id


def refused(capsys: Said, *arguments: str) -> str:
    assert main(list(arguments)) == 2
    return capsys.readouterr().err


def test_the_story_comes_as_text(event_id: str, capsys: Said) -> None:
    assert main(["report", "latest"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Larkfold Hill, spring meeting\n")
    assert said.index("What happened") < said.index("What it probably is") < said.index("What was repaired")


def test_the_story_comes_as_json(event_id: str, capsys: Said) -> None:
    assert main(["report", "latest", "--as", "json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["event"]["name"] == "Larkfold Hill, spring meeting"
    assert "Then: renewed the coil." in told["story"]["happened"]
    assert len(told["findings"]["stumbles"]) == 3


def test_the_story_comes_as_one_file_with_pictures_and_the_same_each_time(
    event_id: str, tmp_path: Path, capsys: Said
) -> None:
    to = tmp_path / "report.html"
    assert main(["report", event_id, "--as", "html", "--to", str(to)]) == 0
    assert capsys.readouterr().out == f"{to}\n"
    first = to.read_bytes()
    assert b"<svg" in first
    assert b"<script" not in first
    assert main(["report", event_id, "--as", "html", "--to", str(to)]) == 0
    assert to.read_bytes() == first


def test_the_card_of_a_cause_needs_no_event(capsys: Said, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "none"))
    assert main(["report", "--card", "fuel_delivery"]) == 0
    assert capsys.readouterr().out.startswith("TEST CARD: FUEL DELIVERY\n")
    assert main(["report", "--card", "fuel_delivery", "--as", "html"]) == 0
    assert "Test card: the fuel delivery" in capsys.readouterr().out
    assert not (tmp_path / "none").exists()


def test_the_card_of_an_event_is_that_of_its_main_cause(event_id: str, capsys: Said) -> None:
    assert main(["report", "latest", "--card"]) == 0
    assert capsys.readouterr().out.startswith("TEST CARD: IGNITION PRIMARY\n")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["report"], "say which event"),
        (["report", "--card"], "say for which event, or for which cause"),
        (["report", "--card", "gremlins"], "--card is 'gremlins'; allowed are supply_voltage"),
        (["report", "--card", "ignition_primary", "--as", "json"], "a test card is text or html"),
        (["serve", "--port", "99999"], "cannot listen on 127.0.0.1 port 99999: ports go from 1 to 65535"),
        (["analyse", "latest", "--enter", "wet"], "--enter 'wet': write NAME=VALUE"),
        (["analyse", "latest", "--enter", "road=icy"], "road is 'icy'; allowed are dry, damp, wet"),
    ],
)
def test_mistakes_are_named_with_what_is_allowed(event_id: str, capsys: Said, arguments: list[str], said: str) -> None:
    assert said in refused(capsys, *arguments)


def test_what_is_entered_is_in_the_findings_made_with_it(event_id: str, capsys: Said, tmp_path: Path) -> None:
    assert main(["analyse", "latest", "--enter", "road=wet", "--enter", "fuel=half", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["exposure"]
    assert all(run["entered"] == {"road": "wet", "fuel": "half"} for run in found["exposure"])
    write_folder(event(), tmp_path / "captured")
    assert "import the folder first" in refused(capsys, "analyse", str(tmp_path / "captured"), "--enter", "road=wet")


@pytest.mark.parametrize("to", ["", "nowhere/report.txt"])
def test_a_file_that_cannot_be_written_is_named_with_the_reason(
    event_id: str, capsys: Said, tmp_path: Path, to: str
) -> None:
    said = refused(capsys, "report", event_id, "--to", str(tmp_path / to))
    assert f"{tmp_path / to}: cannot be written: " in said
    assert said.endswith("name another file with --to\n")
    assert "Errno" not in said
