"""What every recorder test starts from: a clock that jumps, known hardware, settings that write below tmp_path."""

from dataclasses import replace
from pathlib import Path

import pytest

from logger import settings
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
