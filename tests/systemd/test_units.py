"""The units hold water by systemd's own tools, where those are installed."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[2] / "systemd"
needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed (Debian package systemd)"
)


def analyse(*arguments: str) -> str:
    result = subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, timeout=60)
    return result.stdout + result.stderr


@pytest.fixture
def units(tmp_path):
    """The units with a command that exists here, since verify looks for the program."""
    for path in UNITS.glob("*.service"):
        text = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", path.read_text(), flags=re.M)
        (tmp_path / path.name).write_text(text)
    return tmp_path


@needs_systemd
@pytest.mark.parametrize("name", [path.name for path in sorted(UNITS.glob("*.service"))])
def test_systemd_finds_nothing_to_complain_about_in_the_unit(units, name):
    said = analyse("verify", "--man=no", str(units / name))
    complaints = [line for line in said.splitlines() if name in line]
    assert complaints == []


@needs_systemd
@pytest.mark.parametrize(("name", "limit"), [("stumblelog-page.service", 2.0), ("stumblelog-recorder.service", 2.0)])
def test_the_exposure_of_the_unit_is_at_most_its_limit(units, name, limit):
    said = analyse("security", "--offline=true", "--no-pager", str(units / name))
    found = re.search(r"Overall exposure level.*?: ([0-9.]+)", said)
    assert found is not None, said
    assert float(found.group(1)) <= limit


def test_the_recorder_waits_for_the_local_disk_and_for_nothing_that_may_never_come():
    text = (UNITS / "stumblelog-recorder.service").read_text()
    awaited = {
        word for line in re.findall(r"^(?:After|Wants|Requires|BindsTo)=(.*)$", text, re.M) for word in line.split()
    }
    assert awaited == {
        "local-fs.target", "systemd-tmpfiles-setup.service", "systemd-sysusers.service",
        "systemd-modules-load.service", "systemd-udev-trigger.service",
    }  # fmt: skip
    assert "DefaultDependencies=no" in text  # else it would come after all of sysinit and basic.target


@pytest.mark.parametrize("name", ["install.sh", "uninstall.sh"])
def test_the_scripts_are_valid_shell(name):
    assert subprocess.run(["sh", "-n", str(UNITS / name)], capture_output=True).returncode == 0


@pytest.mark.parametrize("name", ["install.sh", "uninstall.sh"])
def test_the_scripts_refuse_an_unknown_option_before_they_change_anything(name):
    result = subprocess.run(["sh", str(UNITS / name), "--sideways"], capture_output=True, text=True)
    assert result.returncode == 2
    assert "--sideways" in result.stderr or "needs root" in result.stderr


def test_the_power_hold_waits_for_the_file_that_the_recorder_leaves():
    from logger.recorder.power import REQUEST

    assert f"PathExists=/run/stumblelog/{REQUEST}\n" in (UNITS / "stumblelog-power-off.path").read_text()


@pytest.mark.parametrize("name", ["install.sh", "uninstall.sh"])
def test_every_unit_there_is_gets_installed_and_removed(name):
    script = (UNITS / name).read_text()
    for path in (*UNITS.glob("*.service"), *UNITS.glob("*.path")):
        assert path.name in script
