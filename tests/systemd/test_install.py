"""The installer run for real, on folders of the test's own in place of the machine's, with stand-ins for systemd."""

import os
import re
import stat
import subprocess
import sys
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
FOLDERS = ("/usr/lib", "/etc", "/opt/stumblelog", "/var/lib/stumblelog", "/run/stumblelog")
STAND_INS = {
    "id": "echo 0",
    "systemd-sysusers": "true",
    "systemd-tmpfiles": "true",
    "systemctl": "true",
    "nmcli": "true",
    "runuser": 'shift 3; exec "$@"',
}


class Machine:
    """A machine of folders and stand-ins."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.bin = root / "bin"
        for name in ("usr/lib/sysusers.d", "usr/lib/tmpfiles.d", "etc/systemd/system", "opt/stumblelog/bin", "bin"):
            (root / name).mkdir(parents=True)
        for name in ("etc/NetworkManager/system-connections", "var/lib/stumblelog"):
            (root / name).mkdir(parents=True)
        for name, script in STAND_INS.items():
            self.program(self.bin / name, script)
        installed = root / "opt/stumblelog/bin"
        self.program(installed / "python", f'exec {sys.executable} "$@"')
        self.program(installed / "pip", "true")
        self.program(installed / "stumblelog", f'exec {sys.executable} -m logger.cli "$@"')
        script = (SYSTEMD / "install.sh").read_text(encoding="utf-8")
        script = script.replace('here=$(cd "$(dirname "$0")" && pwd)', f"here={SYSTEMD}")
        script = re.sub(rf"(?<![\w/])({'|'.join(FOLDERS)})(?=[/\s\"])", rf"{root}\1", script)
        self.program(root / "install.sh", script.removeprefix("#!/bin/sh\n"))

    @staticmethod
    def program(path: Path, script: str) -> None:
        path.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
        path.chmod(0o755)

    def install(self, *options: str) -> str:
        environment = {"PATH": f"{self.bin}:{os.environ['PATH']}", "PYTHONPATH": str(SYSTEMD.parent)}
        done = subprocess.run(
            [str(self.root / "install.sh"), *options], env=environment, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def read(self, path: str) -> str:
        return (self.root / path).read_text(encoding="utf-8")


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_installing_shows_a_pass_phrase_once_and_installing_again_keeps_it(machine: Machine) -> None:
    said = machine.install("--hotspot")
    assert re.search(r"^Pass-phrase: [a-z2-9]{4}-[a-z2-9]{4}-[a-z2-9]{4} ", said, re.M)
    assert "http://10.42.0.1:8765/log-in?once=" in said
    assert "█" in said
    kept = machine.read("var/lib/stumblelog/access/pass-phrase.json")
    (machine.root / "etc/stumblelog/settings.toml").write_text("# mine\n")
    again = machine.install("--hotspot")
    assert "Pass-phrase" not in again
    assert machine.read("var/lib/stumblelog/access/pass-phrase.json") == kept
    assert machine.read("etc/stumblelog/settings.toml") == "# mine\n"


def test_only_the_pages_user_can_read_the_pass_phrases_hash(machine: Machine) -> None:
    machine.install()
    path = machine.root / "var/lib/stumblelog/access/pass-phrase.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_the_page_listens_on_this_machine_only_unless_a_hot_spot_was_asked_for(machine: Machine) -> None:
    assert "█" not in machine.install()
    assert "STUMBLELOG_HOST=127.0.0.1\n" in machine.read("etc/stumblelog/page.env")
    machine.install("--hotspot")  # what was chosen once stays
    assert "STUMBLELOG_HOST=127.0.0.1\n" in machine.read("etc/stumblelog/page.env")


def test_a_hot_spot_gets_a_pass_phrase_of_its_own_that_stays(machine: Machine) -> None:
    machine.install("--hotspot")
    profile = "etc/NetworkManager/system-connections/stumblelog-hotspot.nmconnection"
    kept = machine.read(profile)
    assert re.search(r"^psk=[a-z2-9]{12}$", kept, re.M)
    assert "STUMBLELOG_HOST=10.42.0.1\n" in machine.read("etc/stumblelog/page.env")
    machine.install("--hotspot")
    assert machine.read(profile) == kept
