"""The commands around event files, on a laptop: no Pi, none of its modules, nothing but the files."""

import json
import shutil
import subprocess
import sys
import urllib.request
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest

from logger.cli import main
from logger.store.capture_out import write_folder
from logger.store.exports.forms import FORMS
from logger.store.store import Store
from tests.store import recordings
from tests.store.events import small_event

EVENT_ID = "2026-05-09-larch-hollow-hill-climb-round-2"
PI_ONLY = ("lgpio", "gpiozero", "board", "busio", "adafruit_ads1x15", "adafruit_adxl34x", "adafruit_bus_device")
POSIX_FUNCTIONS = (
    "nice", "getuid", "geteuid", "fdatasync", "fork", "getloadavg", "sched_setaffinity",
    "sched_setscheduler", "mkfifo", "chown", "O_CLOEXEC",
)  # fmt: skip
POSIX_ONLY = ("fcntl", "termios", "pwd", "grp", "resource")


@pytest.fixture(autouse=True)
def data_dir(tmp_path: Path, monkeypatch) -> Path:
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "data"))
    return tmp_path / "data"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_folder(small_event(), tmp_path / "captured")
    return tmp_path / "captured"


@pytest.mark.parametrize("form", [form for form, about in FORMS.items() if about.comes_back])
def test_what_one_command_writes_the_other_takes_in(form: str, folder: Path, tmp_path: Path, monkeypatch, capsys):
    main(["import", str(folder)])
    capsys.readouterr()
    monkeypatch.chdir(tmp_path)
    assert main(["export", "latest", "--as", form]) == 0
    written = capsys.readouterr().out.strip()
    assert written.startswith(EVENT_ID)
    monkeypatch.setenv("STUMBLELOG_DATA_DIR", str(tmp_path / "laptop"))
    assert main(["import", written]) == 0
    assert capsys.readouterr().out == f"{EVENT_ID}\n"
    with Store(tmp_path / "laptop") as store:
        assert [repair.what for repair in store.repairs(EVENT_ID)] == ["renewed the coil feed wire"]


def test_parquet_is_not_put_into_a_capture_folder_of_the_same_name(folder: Path, tmp_path: Path, monkeypatch, capsys):
    main(["import", str(folder)])
    monkeypatch.chdir(tmp_path)
    assert main(["export", "latest", "--as", "csv"]) == 0
    assert main(["export", "latest", "--as", "parquet", "--to", EVENT_ID]) == 2
    assert "is a capture folder; choose another folder" in capsys.readouterr().err


def test_every_form_has_a_usual_name_of_its_own(folder: Path, tmp_path: Path, monkeypatch, capsys):
    main(["import", str(folder)])
    monkeypatch.chdir(tmp_path)
    capsys.readouterr()
    for form in ("csv", "parquet", "sqlite", "bundle"):
        assert main(["export", "latest", "--as", form]) == 0, form
    assert len(set(capsys.readouterr().out.split())) == 4


def test_what_a_library_prints_does_not_reach_the_output(folder: Path, tmp_path: Path, monkeypatch, capsys):
    main(["import", str(folder)])
    capsys.readouterr()
    monkeypatch.setattr("logger.store.exports.write.write", lambda *_, **__: print("0.5 MB/s") or tmp_path / "mdf")
    assert main(["export", "latest", "--as", "mdf"]) == 0
    assert capsys.readouterr().out == f"{tmp_path / 'mdf'}\n"


def test_a_bundle_is_analysed_and_brings_both_reports(folder: Path, tmp_path: Path):
    main(["import", str(folder)])
    assert main(["export", "latest", "--as", "bundle", "--to", str(tmp_path / "event.zip")]) == 0
    with zipfile.ZipFile(tmp_path / "event.zip") as archive:
        assert "Larch Hollow" in archive.read("report.html").decode()
        assert "Larch Hollow" in archive.read("report.txt").decode()
        assert json.loads(archive.read("logbook.json"))["event"][0]["findings"] is not None


def test_a_season_that_is_here_already_brings_nothing_new(folder: Path, tmp_path: Path, capsys):
    main(["import", str(folder)])
    for car in ("blue", "green"):
        main(["export", "latest", "--as", "parquet", "--car", car, "--to", str(tmp_path / "season")])
    capsys.readouterr()
    assert main(["import", str(tmp_path / "season")]) == 0
    assert capsys.readouterr().out == "nothing new\n"


def without(*modules: str) -> str:
    """Code that makes these modules unknown, and the functions of `os` that Windows does not have."""
    return (
        f"import os, shutil, sys; sys.modules.update(dict.fromkeys({modules!r}, None)); "
        f"[delattr(os, name) for name in {POSIX_FUNCTIONS!r}]; "
    )


def test_a_bundle_is_served_whole_without_a_pi_and_nothing_is_kept(folder: Path, tmp_path: Path, data_dir: Path):
    main(["import", str(folder)])
    main(["export", "latest", "--as", "bundle", "--to", str(tmp_path / "event.zip")])
    shutil.rmtree(data_dir)
    run = without(*PI_ONLY, *POSIX_ONLY) + "from logger.cli import main; raise SystemExit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", run, "serve", str(tmp_path / "event.zip"), "--port", "0"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        address = server.stdout.readline().strip()
        events = json.load(urllib.request.urlopen(f"{address}api/events"))["events"]
        assert [event["event_id"] for event in events] == [EVENT_ID]
        for path in (f"events/{EVENT_ID}", f"events/{EVENT_ID}/r02/whole", f"events/{EVENT_ID}/report"):
            assert urllib.request.urlopen(f"{address}{path}").status == 200
    finally:
        server.terminate()
        _, said = server.communicate(timeout=30)
    assert (server.returncode, "Traceback" in said) == (0, False), said
    assert not data_dir.exists()


def test_a_laptop_imports_analyses_and_exports_without_the_pis_modules(folder: Path, tmp_path: Path):
    run = without(*PI_ONLY, *POSIX_ONLY) + "from logger.cli import main; raise SystemExit(main(sys.argv[1:]))"

    def said(*words: str) -> str:
        command = [sys.executable, "-c", run, *words]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    assert said("import", str(folder)) == f"{EVENT_ID}\n"
    assert json.loads(said("analyse", str(folder), "--json"))["stumbles"] == []
    assert said("export", "latest", "--as", "bundle", "--to", str(tmp_path / "event.zip")).strip().endswith("event.zip")
    with zipfile.ZipFile(tmp_path / "event.zip") as archive:
        assert "report.html" in archive.namelist()


def test_a_pass_phrase_can_be_made_where_users_have_no_numbers(data_dir: Path):
    run = without(*PI_ONLY, *POSIX_ONLY) + "from logger.cli import main; raise SystemExit(main(sys.argv[1:]))"
    done = subprocess.run([sys.executable, "-c", run, "serve", "--new-pass-phrase"], capture_output=True, text=True)
    assert (done.returncode, "Pass-phrase: " in done.stdout) == (0, True), done.stderr
    assert (data_dir / "access" / "pass-phrase.json").is_file()


def test_the_worker_ends_with_the_page_that_started_it_however_that_ended(tmp_path: Path):
    command = [sys.executable, "-m", "logger.cli", "work", "--with-input", "--data-dir", str(tmp_path / "data")]
    worker = subprocess.Popen(command, stdin=subprocess.PIPE)
    worker.communicate(timeout=60)  # closes the pipe, as the end of the page does
    assert worker.returncode == 0


def test_every_module_of_a_laptop_starts_without_the_pis(tmp_path: Path):
    code = without(*PI_ONLY, *POSIX_ONLY) + (
        "import logger.cli, logger.store, logger.store.door, logger.store.bundle, logger.work, web.app, web.server;"
        "logger.cli.build_parser(); print('started')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "started\n"


def test_a_bundle_that_is_none_is_one_line(tmp_path: Path, capsys):
    (tmp_path / "event.zip").write_text("hello")
    assert main(["serve", str(tmp_path / "event.zip"), "--port", "0"]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"stumblelog serve: {tmp_path}/event.zip: neither a bundle nor an exported SQLite file")
    assert said.count("\n") == 1


def test_an_export_beside_a_growing_recording_leaves_it_room(data_dir: Path, tmp_path: Path, monkeypatch, capsys):
    (data_dir / "recordings").mkdir(parents=True)
    writer = recordings.write(data_dir / "recordings" / "one.sqlite", 3, close=False)
    monkeypatch.setattr("shutil.disk_usage", lambda path: SimpleNamespace(free=400e6))
    command = ["export", "latest", "--as", "csv", "--to", str(tmp_path / "out")]
    assert main(command) == 2
    assert "only 400 MB are left beside the recordings, and they keep 500 MB" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    writer.close()
    assert main(command) == 0


def test_fetch_names_a_logger_that_does_not_answer(capsys):
    assert main(["fetch", "127.0.0.1:9"]) == 2
    assert "http://127.0.0.1:9/api/downloads: cannot be reached" in capsys.readouterr().err
