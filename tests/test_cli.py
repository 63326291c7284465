"""Commands: what they print, that a mistake is one line and exit code 2, and that nothing heavy loads needlessly."""

import io
import json
import os
import shlex
import signal
import socket
import subprocess
import sys
import urllib.request
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

from logger import __version__, analysis
from logger.analysis import analyse
from logger.check.line import CheckLine
from logger.cli import COMMANDS, build_parser, main
from logger.commands import terminal
from logger.commands.check import print_lines
from logger.errors import StumblelogError
from logger.event import Engine, Event, Recording
from logger.store.capture import read_folder
from logger.store.capture_out import write_folder
from logger.store.store import Store
from tests.store.events import assert_same_event, small_event

EVENT_ID = "2026-05-09-larch-hollow-hill-climb-round-2"


@pytest.fixture(autouse=True)
def data_dir(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.delenv("DEBUG", raising=False)
    return tmp_path / "data"


@pytest.fixture(autouse=True)
def signals_as_they_were():
    """The commands of services take SIGTERM over; the tests' own process gets it back."""
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture
def folder(tmp_path) -> Path:
    write_folder(small_event(), tmp_path / "day")
    return tmp_path / "day"


def refused(capsys, *argv: str) -> str:
    """Run a command that must be refused: exit code 2, nothing on standard output, one line on standard error."""
    assert main(argv) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert printed.err.startswith(f"stumblelog {argv[0]}: ")
    return printed.err.removeprefix(f"stumblelog {argv[0]}: ").strip()


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_one_sentence_and_an_example_that_parses(command, capsys):
    with pytest.raises(SystemExit):
        main([command, "--help"])
    text = capsys.readouterr().out
    sentence = " ".join(text.split("\n\n")[1].split())
    assert sentence == import_module(f"logger.commands.{COMMANDS[command]}").HELP
    assert max(map(len, text.split("\n\n")[1].splitlines())) <= 80
    example = text.rpartition("Example: ")[2].strip()
    assert example.startswith(f"stumblelog {command}")
    assert build_parser().parse_args(shlex.split(example)[1:]).command == command


def test_the_version_is_told(capsys):
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out == f"stumblelog {__version__}\n"


def test_analysing_a_folder_prints_one_json_object_and_nothing_else(folder, capsys):
    assert main(["analyse", str(folder), "--json"]) == 0
    printed = capsys.readouterr()
    findings = json.loads(printed.out)
    assert printed.out.count("\n") == 1
    assert printed.err == ""
    assert {"stumbles", "sensor_faults", "main_cause", "linked_heat", "linked_shock", "repairs"} <= findings.keys()


def test_analysing_a_folder_stores_nothing(folder, data_dir):
    assert main(["analyse", str(folder), "--json"]) == 0
    assert not data_dir.exists()


def test_earlier_days_are_given_as_folders_of_the_same_car(folder, tmp_path, monkeypatch, capsys):
    given = []

    def noted(event, *, earlier=None, progress=None):
        given.append(earlier)
        return analyse(event, earlier=earlier or (), progress=progress)

    monkeypatch.setattr(analysis, "analyse", noted)
    earlier = tmp_path / "earlier"
    write_folder(replace(small_event(), name="the day before"), earlier)
    assert main(["analyse", str(folder), "--earlier", str(earlier), "--earlier", str(earlier), "--json"]) == 0
    taught = given[0], given[1], len(given[2])
    assert taught == (None, None, 2)
    assert given[2][0]["changed"]  # the repair of that day


def test_an_earlier_day_of_another_car_or_for_a_stored_event_is_refused(folder, tmp_path, capsys):
    other = tmp_path / "other"
    write_folder(replace(small_event(), engine=Engine(6)), other)
    assert "another one" in refused(capsys, "analyse", str(folder), "--earlier", str(other))
    assert "stored event" in refused(capsys, "analyse", "latest", "--earlier", str(folder))


def test_analysing_a_folder_prints_a_report(folder, capsys):
    assert main(["analyse", str(folder)]) == 0
    assert capsys.readouterr().out.startswith('Larch Hollow hill climb, "round 2"\ncompetition · 2026-05-09 08:02 UTC')


def test_a_steady_engine_that_stops_firing_for_a_moment_is_found(tmp_path, capsys):
    """Six cylinders at 3000 rpm give 150 pulses a second; 18 of them are missing after 30 s, with the crank turning."""
    time_ns = np.arange(0, 60 * 150, dtype=np.int64) * 1_000_000_000 // 150
    lost = (time_ns >= 30_000_000_000) & (time_ns < 30_120_000_000)
    event = Event("Bench", Engine(6), (Recording("r01", int(time_ns[-1]), {}, {"tach_pulses": time_ns[~lost]}),))
    write_folder(event, tmp_path / "bench")
    assert main(["analyse", str(tmp_path / "bench"), "--json"]) == 0
    (stumble,) = json.loads(capsys.readouterr().out)["stumbles"]
    assert stumble["recording"] == "r01"
    assert stumble["onset_s"] == pytest.approx(30.0, abs=0.02)


def test_a_commissioning_recording_that_does_not_pass_says_why(folder, capsys):
    assert main(["analyse", str(folder), "--commission"]) == 1
    assert len(capsys.readouterr().out.splitlines()) > 1
    assert main(["analyse", str(folder), "--commission", "--json"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert (result["passed"], len(result["problems"]) > 0) == (False, True)


def test_an_import_says_the_events_id_and_an_export_gives_the_folder_back(folder, tmp_path, capsys):
    assert main(["import", str(folder)]) == 0
    assert capsys.readouterr().out == f"{EVENT_ID}\n"
    assert main(["export", EVENT_ID, "--as", "csv", "--to", str(tmp_path / "out")]) == 0
    assert capsys.readouterr().out == f"{tmp_path / 'out'}\n"
    assert_same_event(read_folder(tmp_path / "out"), small_event())


def test_a_stored_event_is_analysed_kept_and_reported(folder, data_dir, capsys):
    main(["import", str(folder)])
    assert main(["analyse", "latest", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out.splitlines()[-1])
    with Store(data_dir) as store:
        assert store.findings(EVENT_ID) == printed
        assert store.has_fresh_findings(EVENT_ID)
    assert main(["report", EVENT_ID]) == 0
    assert capsys.readouterr().out.startswith("Larch Hollow hill climb")


def test_a_repair_is_entered_where_the_clock_says(folder, data_dir):
    main(["import", str(folder)])
    assert main(["repair", "latest", "changed the coil", "--when", "2026-05-09T08:03:11Z"]) == 0
    assert main(["repair", "latest", "changed the lead", "--after-recording", "r01", "--suspect", "mixture"]) == 0
    with Store(data_dir) as store:
        entered = [(r.what, r.offset_ns, r.after_recording, r.suspect) for r in store.repairs(EVENT_ID)[1:]]
    assert entered == [
        ("changed the coil", 60_000_000_000, None, None),
        ("changed the lead", None, "r01", "mixture"),
    ]


def test_one_round_of_the_worker_leaves_findings(folder, data_dir, monkeypatch):
    monkeypatch.setattr("os.nice", lambda by: by)
    main(["import", str(folder)])
    assert main(["work", "--once"]) == 0
    with Store(data_dir) as store:
        assert store.has_fresh_findings(EVENT_ID)


def test_the_page_is_served_and_its_worker_ends_with_it(folder, data_dir):
    main(["import", str(folder)])
    command = [sys.executable, "-m", "logger.cli", "serve", "--port", "0"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        address = server.stdout.readline().strip()
        with urllib.request.urlopen(f"{address}api/events", timeout=30) as answer:
            assert EVENT_ID in answer.read().decode()
        workers = Path(f"/proc/{server.pid}/task/{server.pid}/children").read_text().split()
    finally:
        server.terminate()
        _, said = server.communicate(timeout=30)
    assert (server.returncode, "Traceback" in said) == (0, False), said
    assert workers
    assert not any(Path(f"/proc/{worker}").exists() for worker in workers)


# Mistakes


def test_a_folder_that_is_not_there_is_named(tmp_path, capsys):
    assert refused(capsys, "analyse", str(tmp_path / "nowhere")) == (
        f"{tmp_path / 'nowhere'}: no such folder; give the folder that holds capture.toml"
    )


def test_a_folder_without_capture_toml_is_named(tmp_path, capsys):
    assert "no capture.toml in it" in refused(capsys, "import", str(tmp_path))
    assert "no such file or folder" in refused(capsys, "import", str(tmp_path / "mistyped"))
    assert "no such folder" in refused(capsys, "analyse", str(tmp_path / "mistyped"))


@pytest.mark.parametrize("command", ["analyse", "import"])
def test_a_bad_file_is_named_with_its_line(folder, capsys, command):
    (folder / "r01" / "battery_voltage.csv").write_text("time_s,value\n0.0,12.5\n0.5,flat\n")
    assert refused(capsys, command, str(folder)) == (
        f"{folder}/r01/battery_voltage.csv: line 3: value is 'flat'; expected a number or an empty field"
    )


def test_a_second_import_is_refused(folder, capsys):
    main(["import", str(folder)])
    capsys.readouterr()
    assert f"imported already, as event {EVENT_ID}" in refused(capsys, "import", str(folder))


def test_an_import_waits_for_the_engine_to_stop(folder, tmp_path, capsys, monkeypatch):
    live = tmp_path / "live.json"
    monkeypatch.setattr("logger.commands.common.SETTINGS_FILE", tmp_path / "settings.toml")
    (tmp_path / "settings.toml").write_text(f'engine.cylinders = 6\nrecorder.run_dir = "{tmp_path}"\n')
    live.write_text('{"engine_rpm": 850.0}')
    assert "the engine is running" in refused(capsys, "import", str(folder))
    os.utime(live, (0, 0))  # left behind by a recorder that is gone
    assert main(["import", str(folder)]) == 0


def test_an_import_goes_on_with_the_engine_standing(folder, tmp_path, monkeypatch):
    monkeypatch.setattr("logger.commands.common.SETTINGS_FILE", tmp_path / "settings.toml")
    (tmp_path / "settings.toml").write_text(f'engine.cylinders = 6\nrecorder.run_dir = "{tmp_path}"\n')
    (tmp_path / "live.json").write_text('{"engine_rpm": 0.0}')
    assert main(["import", str(folder)]) == 0


@pytest.mark.parametrize("command", [["report"], ["analyse"], ["repair"], ["export"]])
def test_an_unknown_event_is_answered_with_those_there_are(folder, capsys, command):
    main(["import", str(folder)])
    capsys.readouterr()
    rest = {"repair": ["renewed it"], "export": ["--to", "out"]}.get(command[0], [])
    assert EVENT_ID in refused(capsys, *command, "paris", *rest)


def test_an_export_over_something_else_is_refused(folder, capsys):
    main(["import", str(folder)])
    capsys.readouterr()
    assert "already exists; choose another folder" in refused(capsys, "export", "latest", "--to", str(folder))


def test_a_time_that_is_none_is_named(folder, capsys):
    main(["import", str(folder)])
    capsys.readouterr()
    said = refused(capsys, "repair", "latest", "changed the coil", "--when", "after lunch")
    assert said == "--when is 'after lunch'; write date and time as 2026-05-09T10:30"


def test_an_empty_logbook_is_refused_and_left_alone(data_dir, capsys):
    data_dir.mkdir()
    (data_dir / "logbook.sqlite").touch()
    assert "the logbook is empty (0 bytes); restore a copy" in refused(capsys, "report", "latest")
    assert (data_dir / "logbook.sqlite").read_bytes() == b""


def test_a_file_that_may_not_be_read_is_named(folder, capsys, monkeypatch):
    def forbid(*_: object) -> None:
        raise PermissionError(13, "Permission denied", "/somewhere/r01.csv")

    monkeypatch.setattr("logger.store.capture.read_folder", forbid)
    assert refused(capsys, "analyse", str(folder)) == "/somewhere/r01.csv: Permission denied"


def test_debug_shows_the_traceback(tmp_path, monkeypatch):
    monkeypatch.setenv("DEBUG", "1")
    with pytest.raises(StumblelogError):
        main(["analyse", str(tmp_path / "nowhere")])


# Around it


def test_the_progress_bar_is_drawn_on_a_terminal_only():
    class Terminal:
        def __init__(self, is_terminal: bool) -> None:
            self.is_terminal = is_terminal
            self.written = ""

        def isatty(self) -> bool:
            return self.is_terminal

        def write(self, text: str) -> None:
            self.written += text

        def flush(self) -> None:
            pass

        def fileno(self) -> int:
            raise OSError("no terminal behind it")

    for is_terminal in (True, False):
        stream = Terminal(is_terminal)
        with terminal.progress("recording", stream) as progress:
            progress(0.5)
        assert ("recording" in stream.written and " 50 %" in stream.written) == is_terminal


def test_a_reader_that_leaves_early_causes_no_complaint(folder):
    command = f"{sys.executable} -m logger.cli analyse {folder} | head -n 1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=True)
    assert done.stdout == 'Larch Hollow hill climb, "round 2"\n'
    assert done.stderr == ""


HEAVY = ("scipy", "fastapi", "uvicorn", "pyarrow", "sqlite_utils", "pandas", "logger.analysis", "web")


def test_the_command_line_itself_loads_nothing_heavy():
    look = f"import sys, logger.cli as c; c.build_parser(); print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_store_loads_no_page_and_no_analysis():
    never = ("web", "fastapi", "scipy", "logger.analysis")
    look = f"import sys, logger.store.store; print([m for m in {never!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_port_in_use_is_said_before_anything_else(capsys):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        assert f"cannot listen on 127.0.0.1 port {port}: Address already in use" in refused(
            capsys, "demo", "--port", port
        )


def test_the_demo_does_not_mix_with_events_that_are_there(folder, data_dir, capsys):
    main(["import", str(folder)])
    capsys.readouterr()
    said = refused(capsys, "demo", "--no-serve", "--data-dir", str(data_dir))
    assert "holds events already; choose another folder" in said


def test_output_that_knows_no_utf8_gets_plainer_letters(monkeypatch):
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    terminal.allow_any_encoding()
    print("▁█ ±5 → 92 °C Ω ł", file=out, flush=True)
    assert out.buffer.getvalue() == b"_^ +-5 -> 92 deg C ohm ?\n"


def test_the_progress_bar_is_never_wider_than_its_terminal(monkeypatch):
    class Narrow(io.StringIO):
        def isatty(self) -> bool:
            return True

        def fileno(self) -> int:
            return 1

    monkeypatch.setattr(terminal.os, "get_terminal_size", lambda _: os.terminal_size((30, 24)))
    stream = Narrow()
    with terminal.progress("fetching 2026-06-13-larkspur-ridge-hill-climb", stream) as progress:
        progress(1.0)
    assert max(map(len, stream.getvalue().split("\r"))) < 30


def test_lines_of_a_check_fit_their_terminal(capsys, monkeypatch):
    rows = [
        CheckLine("a", "Fuel pressure", "285 kPa", "0 kPa up to 310 kPa"),
        CheckLine(
            "b",
            "Coolant",
            "nothing",
            "0 to 110 °C",
            "stop",
            "Look at the plug of the sensor and its wire.",
        ),
    ]
    monkeypatch.setenv("COLUMNS", "50")
    print_lines(rows)
    assert capsys.readouterr().out.splitlines() == [
        "ok    Fuel pressure  285 kPa",
        "stop  Coolant        nothing",
        "                     expected: 0 to 110 °C",
        "                     Look at the plug of the",
        "                     sensor and its wire.",
    ]
    monkeypatch.setenv("COLUMNS", "90")
    print_lines(rows)
    assert capsys.readouterr().out.splitlines()[0] == "ok    Fuel pressure  285 kPa  expected: 0 kPa up to 310 kPa"


def test_a_file_is_not_analysed_but_told_to_be_taken_in(tmp_path, capsys):
    (tmp_path / "event.zip").write_bytes(b"")
    assert "take it in with import first" in refused(capsys, "analyse", str(tmp_path / "event.zip"))


def test_an_address_of_another_machine_is_no_matter_of_ports(capsys, tmp_path):
    said = refused(capsys, "serve", "--host", "203.0.113.9", "--open", "--data-dir", str(tmp_path))
    assert said.endswith("give an address of this machine with --host, or 0.0.0.0 for all of them")
    assert "while attempting" not in said
