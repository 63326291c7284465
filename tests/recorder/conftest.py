"""What every recorder test starts from: a clock that jumps, known hardware, settings that write below tmp_path."""

from dataclasses import replace
from pathlib import Path

import pytest

from logger import settings
from logger.recorder.viewers import Viewers
from logger.settings import Settings
from tests.recorder.standin import JumpingClock, StandInHardware


@pytest.fixture
def clock() -> JumpingClock:
    return JumpingClock()


@pytest.fixture
def hardware(clock: JumpingClock) -> StandInHardware:
    return StandInHardware(clock)


@pytest.fixture
def wiring(tmp_path: Path) -> Settings:
    default = settings.default()
    recorder = replace(default.recorder, data_dir=str(tmp_path / "data"), run_dir=str(tmp_path / "run"), warn_mb=1.0)
    return replace(default, recorder=recorder)


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody looks at the live values all the time."""
    monkeypatch.setattr(Viewers, "are_looking", lambda self, now_ns: True)
