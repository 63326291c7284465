"""On a read-only root file system only the data directory and the run directory are written."""

import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.recorder.test_process import GIVE_UP_S, Process

CALLS = "open,openat,creat,mkdir,mkdirat,rename,renameat,renameat2,link,linkat,unlink,unlinkat,truncate,chmod"
HARMLESS = ("/dev/null", "/dev/shm/", "/proc/self/")
OPENED = re.compile(r'(\w+)\((?:AT_FDCWD[^,]*, )?"([^"]*)"(?:, ([A-Z_|]+))?.*= \d')


def written(log: str) -> set[str]:
    """Paths that were opened for writing, made, renamed or removed."""
    out = set()
    for line in log.splitlines():
        match = OPENED.search(line)
        if match and (match[1] not in ("open", "openat") or re.search(r"O_(WRONLY|RDWR|CREAT)", match[3] or "")):
            out.add(match[2])
    return out


def test_what_counts_as_writing() -> None:
    log = (
        '7 openat(AT_FDCWD, "/etc/a", O_RDONLY|O_CLOEXEC) = 3\n'
        '7 openat(AT_FDCWD</root>, "/data/b", O_RDWR|O_CREAT, 0644) = 4\n'
        '7 mkdir("/run/c", 0777) = -1 EEXIST (File exists)\n'
        '7 unlink("/data/d") = 0\n'
    )
    assert written(log) == {"/data/b", "/data/d"}


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace, which takes down the recorder's system calls")
def test_nothing_but_the_data_and_the_run_directory_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")
    log = tmp_path / "calls"
    tracer = ["strace", "-f", "-qq", "-o", str(log), "-e", f"trace={CALLS}", sys.executable]
    process = Process(tmp_path, tracer)
    try:
        process.until(lambda: process.committed() >= 3)
        [child] = Path(f"/proc/{process.popen.pid}/task/{process.popen.pid}/children").read_text().split()
        subprocess.run(["kill", f"-{int(signal.SIGTERM)}", child], check=True)
        process.popen.communicate(timeout=GIVE_UP_S)
    finally:
        if process.popen.poll() is None:
            process.kill()
    places = (f"{tmp_path / 'data'}", f"{tmp_path / 'run'}", *HARMLESS)
    paths = written(log.read_text())
    assert any(path.endswith(".sqlite-wal") for path in paths)
    assert {path for path in paths if not path.startswith(places)} == set()
