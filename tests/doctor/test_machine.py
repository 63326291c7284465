"""The machine: another one's files under a folder, another one's commands as a table."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from logger import settings
from logger.check.line import CheckLine, worst
from logger.commands.check import print_lines
from logger.doctor import functions, machine_lines, pi
from logger.doctor.host import Host
from logger.event import NS_PER_S
from logger.store.recording_writer import RecordingWriter
from tests.store.recordings import meta, second

DEFAULT = settings.default()


def a_host(root: Path, files: Mapping[str, str], commands: Mapping[str, str] | None = None) -> Host:
    for name, text in files.items():
        path = root / name.lstrip("/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")

    def run(command: Sequence[str]) -> str | None:
        return (commands or {}).get(" ".join(command))

    return Host(root, run)


# What is missing for which function


def test_a_machine_with_everything_can_do_everything() -> None:
    found = functions.lines(True, lambda name: True, lambda name: True)
    assert {line.verdict for line in found} == {"ok"}


def test_a_missing_package_is_named_with_the_function_that_needs_it() -> None:
    found = {line.subject: line for line in functions.lines(True, lambda name: name != "scipy", lambda name: True)}
    assert (found["analyse, report"].value, found["analyse, report"].verdict) == ("missing: scipy", "look")
    assert found["record"].verdict == "ok"


def test_the_pins_package_is_missed_on_a_pi_only() -> None:
    def absent(name: str) -> bool:
        return name != "lgpio"

    on_pi = next(line for line in functions.lines(True, absent) if line.subject == "record")
    elsewhere = next(line for line in functions.lines(False, absent) if line.subject == "record")
    assert (on_pi.verdict, elsewhere.verdict) == ("stop", "ok")
    assert "stumblelog[pi]" in on_pi.todo


def test_a_machine_that_is_no_pi_is_neither_praised_nor_blamed_for_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = machine_lines(settings.default(), a_host(tmp_path, {}))[0]
    assert (first.value, first.verdict) == ("no Raspberry Pi", "not_judged")
    assert worst([first]) == "ok"
    print_lines([first])
    assert capsys.readouterr().out.startswith("-     Machine  no Raspberry Pi")


def test_the_packages_that_are_asked_for_are_those_of_the_project() -> None:
    # All are installed where the tests run, so a name that cannot be found is a wrong name.
    assert [line for line in functions.lines(True) if line.value.startswith("missing")] == []


def test_on_a_machine_that_is_no_pi_only_its_functions_are_judged(tmp_path: Path) -> None:
    found = machine_lines(DEFAULT, a_host(tmp_path, {}))
    assert {line.subject for line in found} == {"machine", *functions.FUNCTIONS, "developers"}


def test_a_healthy_pi_has_a_line_for_everything(tmp_path: Path) -> None:
    host = a_host(
        tmp_path,
        {
            "/proc/device-tree/model": "Raspberry Pi 4 Model B Rev 1.4\0", "/dev/i2c-1": "", "/dev/gpiochip0": "",
            "/sys/class/thermal/thermal_zone0/temp": "48312", "/sys/class/net/wlan0/operstate": "up",
            "/run/systemd/timesync/synchronized": "", "/sys/block/mmcblk0/device/name": "SC32G",
            "/sys/block/mmcblk0/device/date": "03/2024",
        },
        {
            "vcgencmd get_throttled": "throttled=0x0",
            **{f"systemctl is-active {unit}": "active" for unit in pi.SERVICES},
            **{f"systemctl is-enabled {unit}": "enabled" for unit in pi.SERVICES},
            "nmcli -t -f NAME,TYPE connection show --active": "stumblelog-hotspot:802-11-wireless\nlo:loopback",
        },
    )  # fmt: skip
    here = replace(DEFAULT, recorder=replace(DEFAULT.recorder, data_dir=str(tmp_path)))
    found = {line.subject: line for line in machine_lines(here, host)}
    assert [line for line in found.values() if line.verdict == "stop"] == []
    assert found["machine"].value == "Raspberry Pi 4 Model B Rev 1.4"
    assert found["heat"].value == "48 °C"
    assert found["wifi"].value == "up, stumblelog-hotspot"
    assert found["card"].value == "SC32G, made 03/2024"
    assert found["clock"].verdict == "ok"
    assert {"i2c", "gpio", "supply", "space", "writes", *pi.SERVICES} <= found.keys()


# Permissions


def test_a_bus_that_is_not_switched_on_is_said_with_the_line_that_does(tmp_path: Path) -> None:
    bus, pins = pi.permissions(a_host(tmp_path, {}), DEFAULT)
    assert (bus.verdict, pins.verdict) == ("stop", "stop")
    assert "dtparam=i2c_arm=on" in bus.todo


def test_a_bus_that_may_not_be_used_names_the_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.access", lambda path, mode: False)
    bus, pins = pi.permissions(a_host(tmp_path, {"/dev/i2c-1": "", "/dev/gpiochip0": ""}), DEFAULT)
    assert "usermod -aG i2c" in bus.todo
    assert "usermod -aG gpio" in pins.todo


# Supply


@pytest.mark.parametrize(
    ("word", "verdict", "said"),
    [
        ("0x0", "ok", "good"),
        ("0x50005", "stop", "under-voltage now"),
        ("0x50000", "look", "under-voltage since"),
        ("0x4", "look", "slowed down by heat"),
    ],
)
def test_the_firmwares_word_on_its_supply_is_put_into_words(tmp_path: Path, word: str, verdict: str, said: str) -> None:
    by_command = pi.power(a_host(tmp_path / "a", {}, {"vcgencmd get_throttled": f"throttled={word}"}))
    by_kernel = pi.power(
        a_host(tmp_path / "b", {"/sys/devices/platform/soc/soc:firmware/get_throttled": word.removeprefix("0x")})
    )
    for line in (by_command, by_kernel):
        assert line.verdict == verdict
        assert said in line.value


def test_the_voltage_monitor_stands_in_where_the_firmware_is_silent(tmp_path: Path) -> None:
    files = {"/sys/class/hwmon/hwmon1/name": "rpi_volt", "/sys/class/hwmon/hwmon1/in0_lcrit_alarm": "1"}
    assert pi.power(a_host(tmp_path, files)).verdict == "stop"


def test_a_machine_that_tells_nothing_of_its_supply_is_not_accused(tmp_path: Path) -> None:
    assert pi.power(a_host(tmp_path, {})).verdict == "not_judged"


# Card


def of(lines: list[CheckLine], subject: str) -> CheckLine:
    return next(line for line in lines if line.subject == subject)


def test_a_sound_card_is_fast_enough_and_the_probe_is_gone(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    ticks = itertools.count(0.0, 0.004)
    found = pi.card(a_host(tmp_path, {}), data, lambda: next(ticks))
    assert (of(found, "writes").verdict, of(found, "writes").value) == ("ok", "4.0 ms, at most 4 ms")
    assert list(data.iterdir()) == []


@pytest.mark.parametrize(("each_s", "verdict"), [(0.3, "look"), (1.5, "stop")])
def test_a_slow_card_is_found(tmp_path: Path, each_s: float, verdict: str) -> None:
    ticks = itertools.count(0.0, each_s)
    assert of(pi.card(a_host(tmp_path, {}), tmp_path, lambda: next(ticks)), "writes").verdict == verdict


def test_errors_of_the_file_system_are_a_stop(tmp_path: Path) -> None:
    host = a_host(tmp_path, {"/sys/fs/ext4/mmcblk0p2/errors_count": "3\n", "/sys/fs/ext4/mmcblk0p1/errors_count": "0"})
    assert of(pi.card(host, tmp_path), "file system").value == "3 errors noted"


@pytest.mark.parametrize(("wear", "verdict"), [("0x02 0x01", "ok"), ("0x0a 0x03", "look")])
def test_worn_memory_is_told_by_its_own_register(tmp_path: Path, wear: str, verdict: str) -> None:
    host = a_host(tmp_path, {"/sys/block/mmcblk0/device/name": "DG4016", "/sys/block/mmcblk0/device/life_time": wear})
    assert of(pi.card(host, tmp_path), "card").verdict == verdict


def test_a_full_card_is_a_stop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.doctor.pi.free_mb", lambda folder: 3.0)
    assert of(pi.card(a_host(tmp_path, {}), tmp_path), "space").verdict == "stop"


def test_a_data_directory_that_is_not_there_is_named(tmp_path: Path) -> None:
    assert "is not there" in of(pi.card(a_host(tmp_path, {}), tmp_path / "nowhere"), "data_dir").value


# Clock, services, network


def test_a_clock_that_was_never_set_is_looked_at_unless_it_has_a_battery(tmp_path: Path) -> None:
    assert pi.clock(a_host(tmp_path / "a", {})).verdict == "look"
    assert pi.clock(a_host(tmp_path / "b", {"/sys/class/rtc/rtc0/name": "rtc"})).verdict == "ok"


def test_a_service_that_has_failed_says_where_to_read_why(tmp_path: Path) -> None:
    recorder, page = pi.SERVICES
    host = a_host(
        tmp_path, {},
        {f"systemctl is-active {recorder}": "failed", f"systemctl is-enabled {recorder}": "enabled",
         f"systemctl is-active {page}": "inactive", f"systemctl is-enabled {page}": "not-found"},
    )  # fmt: skip
    failed, absent = pi.services(host)
    assert f"journalctl -u {recorder}" in failed.todo
    assert absent.todo == "Not installed: sudo systemd/install.sh"


def test_a_machine_without_systemd_is_told_once(tmp_path: Path) -> None:
    assert [line.verdict for line in pi.services(a_host(tmp_path, {}))] == ["ok"]


def recorded(data: Path, boot_id: str, started_ns: int) -> None:
    (data / "recordings").mkdir(parents=True, exist_ok=True)
    told = meta(boot_id=boot_id, started_monotonic_ns=started_ns)
    with RecordingWriter(data / "recordings" / f"{boot_id}-{started_ns}.sqlite", told) as writer:
        writer.append(second(1))  # its first sample a second after the recording's zero


def test_the_first_sample_of_this_boot_is_told_by_its_recording(tmp_path: Path) -> None:
    host = a_host(tmp_path, {"/proc/sys/kernel/random/boot_id": "b2\n"})
    recorded(tmp_path, "b1", 2 * NS_PER_S)
    assert pi.start_up(host, tmp_path) is None
    recorded(tmp_path, "b2", 11_400_000_000)
    recorded(tmp_path, "b2", 300 * NS_PER_S)  # the recorder was started once more
    (tmp_path / "recordings" / "damaged.sqlite").write_bytes(b"nobody knows what this was" * 100)
    line = pi.start_up(host, tmp_path)
    assert line is not None
    assert line.value == "12.4 s after the kernel's start"


def test_wifi_that_is_switched_off_is_found(tmp_path: Path) -> None:
    files = {
        "/sys/class/net/wlan0/operstate": "down", "/sys/class/rfkill/rfkill0/type": "wlan",
        "/sys/class/rfkill/rfkill0/soft": "1",
    }  # fmt: skip
    assert "rfkill unblock" in pi.network(a_host(tmp_path / "a", files)).todo
    assert pi.network(a_host(tmp_path / "b", {})).verdict == "ok"


def test_a_command_that_is_not_there_is_no_error() -> None:
    assert Host().run(["no-such-command-anywhere"]) is None
