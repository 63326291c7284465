"""The one test in real time: an interpreter that is really stopped, on the pin library that a Pi uses."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = Path(__file__).with_name("stalled_program.py")


@pytest.mark.skipif(importlib.util.find_spec("lgpio") is None, reason="lgpio is not installed")
def test_an_interpreter_stopped_for_500_ms_loses_no_pulse_of_1000_a_second(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    command = [sys.executable, str(PROGRAM), str(tmp_path)]
    result = subprocess.run(
        command, capture_output=True, text=True, timeout=60, env={"PYTHONPATH": str(root)}, cwd=tmp_path
    )
    assert result.returncode == 0, result.stderr
    seen = json.loads(result.stdout)
    assert seen["stall_s"] >= 0.5
    assert len(seen["sent"]) == 1500
    assert seen["recorded"] == seen["sent"]
