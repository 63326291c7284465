"""The Pi itself: who may use bus and pins, its own supply, the card, the clock, services, and the network."""

import grp
import os
import pwd
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from logger.channels import CHANNELS
from logger.check.line import CheckLine, Verdict
from logger.doctor.host import Host
from logger.errors import StoreError
from logger.event import NS_PER_S
from logger.recorder.place import BOOT_ID, free_mb
from logger.settings import Settings
from logger.store.recording_reader import RecordingReader

UNDER_VOLTAGE, CAPPED, THROTTLED = 0x1, 0x2, 0x4
SINCE_BOOT = 16
"""Bits of the firmware's get_throttled word; 16 higher: the same since boot (Raspberry Pi documentation)."""

HOT_DEGC = 75.0
N_WRITES = 20
WRITE_BYTES = 4096
SLOW_MS, TOO_SLOW_MS = 150.0, 1000.0
"""A second of recording must be stored within a second; the buffer rides out stalls, not a card that is always late."""

N_RECORDINGS = 10
"""The newest files among which a recording of this boot is looked for."""

FIRST_NS = 10 * NS_PER_S
SERVICES = ("stumblelog-recorder.service", "stumblelog-page.service")
CLOCK_IS_SET = "/run/systemd/timesync/synchronized"


def permissions(host: Host, settings: Settings) -> list[CheckLine]:
    """Whether this user may use the bus and the pins."""
    bus = f"/dev/i2c-{settings.recorder.i2c_bus}"
    lines = [
        _device(host, "i2c", "I2C bus", host.path(bus), f"dtparam=i2c_arm=on in the boot configuration makes {bus}")
    ]
    chips = host.find("/dev", "gpiochip*")
    pins = chips[0] if chips else host.path("/dev/gpiochip0")
    return [*lines, _device(host, "gpio", "Pins", pins, "This kernel has no pins; is it a Pi?")]


def _device(host: Host, group: str, label: str, path: Path, absent: str) -> CheckLine:
    name = f"/{path.relative_to(host.root)}"
    if not path.exists():
        return CheckLine(group, label, f"{name} is not there", f"{name}, readable and writable", "stop", f"{absent}.")
    if os.access(path, os.R_OK | os.W_OK):
        return CheckLine(group, label, name, "readable and writable")
    user = pwd.getpwuid(os.getuid()).pw_name
    todo = f"sudo usermod -aG {group} {user}, then log in again; the service has its own rights."
    return CheckLine(group, label, f"{user} may not use {name}", f"a member of group {group}", "look", todo)


def members() -> CheckLine | None:
    """Whether the service's user is in the groups of bus and pins; None where there is no such user."""
    try:
        pwd.getpwnam("stumblelog")
    except KeyError:
        return None
    missing = [name for name in ("i2c", "gpio") if not _has_group(name)]
    if not missing:
        return CheckLine("groups", "Groups", "i2c, gpio", "i2c, gpio")
    todo = "The service asks for them: install them with your system's packages, or make them with groupadd."
    return CheckLine("groups", "Groups", f"no {', '.join(missing)}", "i2c, gpio", "stop", todo)


def _has_group(name: str) -> bool:
    return any(entry.gr_name == name for entry in grp.getgrall())


def power(host: Host) -> CheckLine:
    """Whether the Pi's 5 V has sagged, now or since it was switched on."""
    word = _throttled(host)
    expected = "5 V that never sagged"
    if word is None:
        return CheckLine("supply", "Pi's supply", "not told on this machine", expected, "not_judged")
    todo = "The 5 V at the Pi is low: thicker and shorter wire from the converter, its rating, the hold-up."
    if word & UNDER_VOLTAGE:
        return CheckLine("supply", "Pi's supply", "under-voltage now", expected, "stop", todo)
    if word & UNDER_VOLTAGE << SINCE_BOOT:
        return CheckLine("supply", "Pi's supply", "under-voltage since it was switched on", expected, "look", todo)
    if word & (CAPPED | THROTTLED):
        return CheckLine("supply", "Pi's supply", "slowed down by heat", expected, "look", "Give the case air.")
    return CheckLine("supply", "Pi's supply", "good since it was switched on", expected)


def _throttled(host: Host) -> int | None:
    """The firmware's word from the kernel, from its own command, or, of the present alone, from the voltage monitor."""
    word = host.read("/sys/devices/platform/soc/soc:firmware/get_throttled")
    if word is None:
        said = host.run(["vcgencmd", "get_throttled"])
        word = said.partition("=")[2] if said else None
    if word:
        try:
            return int(word, 16)
        except ValueError:
            return None
    for monitor in host.find("/sys/class/hwmon", "hwmon*"):
        here = f"/{monitor.relative_to(host.root)}"
        if host.read(f"{here}/name") == "rpi_volt":
            return host.number(f"{here}/in0_lcrit_alarm")
    return None


def temperature(host: Host) -> CheckLine | None:
    """The processor's temperature; None where it is not told."""
    millis = host.number("/sys/class/thermal/thermal_zone0/temp")
    if millis is None:
        return None
    degc = millis / 1000.0
    verdict: Verdict = "look" if degc > HOT_DEGC else "ok"
    todo = "Give the case air, or a place away from exhaust and sun." if verdict == "look" else ""
    return CheckLine("heat", "Pi's heat", f"{degc:.0f} °C", f"below {HOT_DEGC:.0f} °C", verdict, todo)


def card(host: Host, data_dir: Path, now: Callable[[], float] = time.perf_counter) -> list[CheckLine]:
    """The card that recordings go to: writable, sound, room on it, and fast enough to store a second each second."""
    lines = [line for line in (_file_system(host), _wear(host)) if line is not None]
    if not data_dir.is_dir():
        todo = "It is made by install.sh or the first recording; else name another as recorder.data_dir."
        return [*lines, CheckLine("data_dir", "Recordings", f"{data_dir} is not there", "a folder", "look", todo)]
    free = free_mb(data_dir)
    room: Verdict = "ok" if free >= 500.0 else "look" if free >= 20.0 else "stop"
    todo = "Fetch old recordings and delete them." if room != "ok" else ""
    lines.append(CheckLine("space", "Free space", f"{free:.0f} MB", "500 MB or more", room, todo))
    return [*lines, _writes(data_dir, now)]


def _writes(data_dir: Path, now: Callable[[], float]) -> CheckLine:
    """Time of a small write that is truly on the card, as each second of recording is."""
    probe = data_dir / ".doctor-probe"
    took = []
    try:
        with probe.open("wb", buffering=0) as file:
            for _ in range(N_WRITES):
                begun = now()
                file.write(bytes(WRITE_BYTES))
                os.fsync(file.fileno())
                took.append(1000.0 * (now() - begun))
    except OSError as error:
        todo = f"Run doctor as the user that records: sudo -u stumblelog ... ({error.strerror})"
        return CheckLine("writes", "Write time", f"{data_dir} cannot be written", "writable", "look", todo)
    finally:
        probe.unlink(missing_ok=True)
    median, longest = float(np.median(took)), max(took)
    said, expected = f"{median:.1f} ms, at most {longest:.0f} ms", f"less than {SLOW_MS:.0f} ms"
    if median <= SLOW_MS and longest <= TOO_SLOW_MS:
        return CheckLine("writes", "Write time", said, expected)
    todo = "The card is slow or worn: copy the recordings, then take a high-endurance one."
    return CheckLine("writes", "Write time", said, expected, "stop" if median > TOO_SLOW_MS else "look", todo)


def _file_system(host: Host) -> CheckLine | None:
    errors = sum(
        host.number(f"/{path.relative_to(host.root)}") or 0 for path in host.find("/sys/fs/ext4", "*/errors_count")
    )
    if not errors:
        return None
    todo = "Copy the recordings now, then check the card with fsck, or better take a new one."
    return CheckLine("file system", "File system", f"{errors} errors noted", "none", "stop", todo)


def _wear(host: Host) -> CheckLine | None:
    """What the memory tells of its own wear; most SD cards tell nothing."""
    for device in host.find("/sys/block", "mmcblk[0-9]"):
        here = f"/{device.relative_to(host.root)}/device"
        name, wear = host.read(f"{here}/name") or "card", host.read(f"{here}/life_time")
        if wear is None:
            return CheckLine("card", "Card", f"{name}, made {host.read(f'{here}/date') or '?'}", "tells no wear")
        used = 10 * max(int(word, 16) for word in wear.split())
        verdict: Verdict = "look" if used > 80 else "ok"
        todo = "Near the end of its life: copy the recordings and renew it." if verdict == "look" else ""
        return CheckLine("card", "Card", f"{name}, {used} % of its life used", "less than 80 %", verdict, todo)
    return None


def clock(host: Host) -> CheckLine:
    """Whether the wall clock can be believed. Without, recordings still have an order, and can be dated later."""
    has_rtc = bool(host.find("/sys/class/rtc", "rtc*"))
    if host.path(CLOCK_IS_SET).exists():
        return CheckLine("clock", "Clock", "set from the network", "set")
    said = "not set; it has a battery clock" if has_rtc else "not set"
    verdict: Verdict = "ok" if has_rtc else "look"
    todo = (
        "" if has_rtc else "Set it from a telephone: the button on the page's Now. Recordings keep their order without."
    )
    return CheckLine("clock", "Clock", said, "set, or a battery clock", verdict, todo)


def start_up(host: Host, data_dir: Path) -> CheckLine | None:
    """How long after the kernel's start this boot's first sample was taken; None where no recording of this boot is
    there. A recording holds it: its times count from the kernel's start."""
    boot_id = host.read(str(BOOT_ID))
    newest = sorted(data_dir.glob("recordings/*.sqlite"), key=lambda path: path.stat().st_mtime)[-N_RECORDINGS:]
    found = [second for path in newest if (second := _first_sample_s(path, boot_id)) is not None]
    if not found:
        return None
    said = f"{min(found):.1f} s after the kernel's start"
    return CheckLine("start", "First sample", said, "systemd-analyze critical-chain tells what it waited for")


def _first_sample_s(path: Path, boot_id: str | None) -> float | None:
    try:
        with RecordingReader(path) as reader:
            if reader.meta.boot_id != boot_id:
                return None
            sampled = [name for name in reader.channels if CHANNELS[name].kind == "sampled"]
            series = reader.raws(sampled, 0, FIRST_NS).values()
            firsts = [int(one.time_ns[0]) for one in series if one.time_ns.size]
            return (reader.meta.started_monotonic_ns + min(firsts)) / NS_PER_S if firsts else None
    except StoreError:
        return None  # a damaged file; the worker reports it


def services(host: Host) -> list[CheckLine]:
    """Whether recorder and page run, and come with the power."""
    lines = []
    for unit in SERVICES:
        active, enabled = (host.run(["systemctl", word, unit]) for word in ("is-active", "is-enabled"))
        if active is None:
            return [CheckLine("services", "Services", "no systemd here", "recorder and page as services")]
        label = unit.removeprefix("stumblelog-").removesuffix(".service")
        said = f"{active or 'unknown'}, {'comes' if enabled == 'enabled' else 'does not come'} with the power"
        good = active == "active" and enabled == "enabled"
        todo = "" if good else f"sudo systemctl enable --now {unit}; if it fails: journalctl -u {unit}"
        if not good and enabled in (None, "", "not-found"):
            todo = "Not installed: sudo systemd/install.sh"
        lines.append(
            CheckLine(unit, f"Service {label}", said, "active, comes with the power", "ok" if good else "look", todo)
        )
    return lines


def network(host: Host) -> CheckLine:
    """How a telephone in the paddock gets at the page; recording needs no network."""
    wireless = host.find("/sys/class/net", "wl*")
    if not wireless:
        return CheckLine("wifi", "Wi-Fi", "none", "or a cable")
    blocked = [path for path in host.find("/sys/class/rfkill", "*/soft") if _blocked(host, path)]
    if blocked:
        todo = "sudo rfkill unblock wifi; a Pi also wants its country set, in raspi-config."
        return CheckLine("wifi", "Wi-Fi", "switched off", "on, or a cable", "look", todo)
    state = host.read(f"/sys/class/net/{wireless[0].name}/operstate") or "unknown"
    connections = (host.run(["nmcli", "-t", "-f", "NAME,TYPE", "connection", "show", "--active"]) or "").splitlines()
    names = [line.split(":")[0] for line in connections if "wireless" in line]
    said = f"{state}" + (f", {', '.join(names)}" if names else "")
    return CheckLine("wifi", "Wi-Fi", said, "up, or a cable")


def _blocked(host: Host, soft: Path) -> bool:
    here = f"/{soft.parent.relative_to(host.root)}"
    return host.read(f"{here}/type") == "wlan" and host.number(f"{here}/soft") == 1
