"""`stumblelog repair`: work is entered, also afterwards, and every repair of the season is listed with its verdict."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logger.cli import main
from logger.event import Repair
from logger.store.store import Store
from tests.seasons import CLEAN, FAILED, FEED, Day, put_in

MAY, JUNE = datetime(2026, 5, 9, 8, 0, tzinfo=UTC), datetime(2026, 6, 9, 8, 0, tzinfo=UTC)


@pytest.fixture
def said(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    """Two events, the first of which failed; runs the command and returns what it said, as one line."""
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "data"))
    # What the analysis would make of these recordings of two seconds is not what is asked here.
    monkeypatch.setattr("logger.commands.repair.fresh_findings", lambda store, event_id: {})
    with Store(tmp_path / "data") as store:
        put_in(store, tmp_path / "may", Day("May", [FAILED] * 3, MAY, (Repair("new plugs", after_recording="r02"),)))
        put_in(store, tmp_path / "june", Day("June", [CLEAN] * 7, JUNE))

    def run(*arguments: str) -> str:
        assert main(["repair", *arguments]) == 0
        return " ".join(capsys.readouterr().out.split())

    return run


def test_all_repairs_of_the_season_are_listed_with_their_verdicts(said: Callable[..., str]) -> None:
    text = said()
    assert text.startswith("2 events, May to June, 2026-05-09 to 2026-06-09 [1] new plugs: too early after r02, May")


def test_a_repair_entered_after_the_season_is_judged_at_once(said: Callable[..., str]) -> None:
    text = said("May", FEED, "--after-recording", "r03")
    assert f"[2] {FEED}: fixed after r03, May Before, 3 of 3 runs failed; since, none of 7" in text


def test_work_still_to_be_done_is_told_how_long_its_proof_takes(said: Callable[..., str]) -> None:
    said("--take-back", "1")
    text = said("June", "new coil")
    assert "[2] new coil: too early after r07, June Before, 3 of 10 runs failed; none has been driven since." in text
    assert "without a stumble, about" in text


def test_a_repair_can_be_taken_back(said: Callable[..., str]) -> None:
    assert "No repair is written down." in said("--take-back", "1")


def test_the_verdicts_come_as_json_too(said: Callable[..., str]) -> None:
    (car,) = json.loads(said("--json"))
    (repair,) = car["repairs"]
    assert (repair["what"], repair["verdict"], repair["after_recording"]) == ("new plugs", "too_early", "r02")


def test_when_without_what_is_refused(said: Callable[..., str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["repair", "May", "--after-recording", "r01"]) == 2
    assert "say what was done: stumblelog repair EVENT WHAT" in capsys.readouterr().err


def test_a_year_that_cannot_be_meant_is_refused(said: Callable[..., str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["repair", "May", "new coil", "--when", "2062-05-09T10:30"]) == 2
    assert "more than two years from" in capsys.readouterr().err
    assert "new coil" in said("May", "new coil", "--when", "2026-05-10T10:30")


def test_before_any_event_it_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "none"))
    assert main(["repair"]) == 0
    assert capsys.readouterr().out == "No event is recorded yet.\n"


def test_a_repair_that_is_not_there_is_answered_with_those_there_are(
    said: Callable[..., str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["repair", "--take-back", "77"]) == 2
    assert "--take-back 77: there is no repair of that number; the repairs are 1" in capsys.readouterr().err
    said("--take-back", "1")
    assert main(["repair", "--take-back", "1"]) == 2
    assert "no repair is written down" in capsys.readouterr().err
