"""An export is there whole or not at all, whatever interrupts it."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store.exports.forms import FORMS
from logger.store.exports.write import write
from logger.store.store import Store
from tests.store import recordings


@pytest.fixture
def car(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "car") as store:
        recordings.write(store.data_dir / "recordings" / "one.sqlite", 3)
        yield store


def visible(folder: Path) -> list[str]:
    """Everything in a folder that has a final name."""
    return [path.name for path in folder.rglob("*") if not any(part.startswith(".") for part in path.parts)]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("stop", [KeyboardInterrupt, OSError(28, "No space left on device"), StoreError("damaged")])
def test_an_export_that_is_stopped_leaves_nothing(form, stop, car: Store, tmp_path: Path):
    (tmp_path / "out").mkdir()

    def interrupt(share: float) -> None:
        raise stop

    with pytest.raises(stop if isinstance(stop, type) else StoreError):
        write(car, car.find("latest"), form, tmp_path / "out" / "event", progress=interrupt)
    left = [path for path in (tmp_path / "out").rglob("*") if path.is_file()]
    assert left == []


@pytest.mark.parametrize("form", FORMS)
def test_a_killed_export_leaves_no_half_file_under_the_final_name(form, car: Store, tmp_path: Path):
    (tmp_path / "out").mkdir()
    script = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from logger.store.exports.write import write\n"
        "from logger.store.store import Store\n"
        "store = Store(Path(sys.argv[1]))\n"
        "kill = lambda share: os.kill(os.getpid(), signal.SIGKILL)\n"
        "write(store, store.find('latest'), sys.argv[2], Path(sys.argv[3]), progress=kill)\n"
    )
    to = tmp_path / "out" / "event"
    command = [sys.executable, "-c", script, str(car.data_dir), form, str(to)]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    assert not to.is_file()
    assert [name for name in visible(tmp_path / "out") if name not in ("event", "car=car")] == []
    written = write(car, car.find("latest"), form, to, overwrite=to.exists())
    assert written.exists()


def test_what_a_killed_export_left_is_taken_away_after_a_day_and_nothing_else_is(car: Store, tmp_path: Path):
    place = tmp_path / "out"
    names = {".event.abc.stumblelog-draft": 2, ".event.def.stumblelog-draft": 0, ".event.backup": 2, ".e.x": 2}
    for name, days in names.items():
        (place / name).mkdir(parents=True)
        os.utime(place / name, (time.time() - 86_400 * days,) * 2)
    write(car, car.find("latest"), "csv", place / "event")
    assert sorted(path.name for path in place.iterdir()) == [
        ".e.x", ".event.backup", ".event.def.stumblelog-draft", "event",
    ]  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_something_else_of_that_name_is_never_touched(form, car: Store, tmp_path: Path):
    event_id = car.find("latest")
    place = tmp_path / "out"
    inside = place / "car=car" / f"event={event_id}" if form == "parquet" else place
    inside.mkdir(parents=True)
    (inside / "diary.txt").write_text("mine")
    for overwrite in (False, True):
        with pytest.raises(StoreError, match=r"already exists|holds other files"):
            write(car, event_id, form, place, overwrite=overwrite)
    assert [path.name for path in inside.iterdir()] == ["diary.txt"]


@pytest.mark.parametrize("form", FORMS)
def test_an_export_is_replaced_when_asked_for(form, car: Store, tmp_path: Path):
    event_id = car.find("latest")
    written = write(car, event_id, form, tmp_path / "event")
    with pytest.raises(StoreError, match="already exists"):
        write(car, event_id, form, tmp_path / "event")
    before = {path: path.stat().st_ino for path in [written, *written.rglob("*")]}
    write(car, event_id, form, tmp_path / "event", overwrite=True)
    after = {path: path.stat().st_ino for path in [written, *written.rglob("*")]}
    assert before.keys() == after.keys()
    assert before != after
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith(".")) == []


def test_exports_leave_no_file_open(car: Store, tmp_path: Path):
    event_id = car.find("latest")
    for form in FORMS:
        write(car, event_id, form, tmp_path / form)
    before = len(os.listdir("/proc/self/fd"))
    for form in FORMS:
        for _ in range(5):
            write(car, event_id, form, tmp_path / form, overwrite=True)
    assert len(os.listdir("/proc/self/fd")) <= before


def test_an_event_without_anything_readable_says_why(tmp_path: Path):
    with Store(tmp_path / "car") as store:
        path = store.data_dir / "recordings" / "one.sqlite"
        recordings.write(path, 3)
        event_id = store.find("latest")
        path.unlink()
        with pytest.raises(StoreError, match=r"nothing to export: .*the file is gone"):
            write(store, event_id, "bundle", tmp_path / "event.zip")
