"""Where a recording goes: the data directory, the power-up counter, the file's name, the space that is left."""

import json
import os
import uuid
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from logger.errors import StoreError
from logger.store.schema import PARTIAL_SUFFIX, SUFFIX, sync_directory

COUNTER = "power_up.json"
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
CLOCK_IS_SET = Path("/run/systemd/timesync/synchronized")
"""Made by the system's time service once the wall clock has been set from the network."""

RTC = Path("/sys/class/rtc/rtc0/since_epoch")
RTC_PLAUSIBLE_S = 1_735_689_600
"""2025: a clock chip that lost its battery starts again long before."""

RTC_AGREES_S = 5.0


@dataclass(frozen=True, slots=True)
class Place:
    """The name and the numbers of a recording that is about to begin."""

    path: Path
    power_up: int
    uuid: str
    boot_id: str
    clock_is_set: bool


def prepare(data_dir: Path, utc: datetime, *, clock_is_set: bool | None = None) -> Place:
    """Count this power-up and choose a free name. `clock_is_set`: whether `utc` can be believed, else looked up.

    Raises StoreError where the directory cannot be written.
    """
    recordings = data_dir / "recordings"
    believed = is_clock_set(utc) if clock_is_set is None else clock_is_set
    try:
        recordings.mkdir(parents=True, exist_ok=True)
        power_up = _count(data_dir, recordings)
        _remove_unborn(recordings)
    except OSError as error:
        raise StoreError(
            f"{data_dir}: cannot be written: {error.strerror or error}; make it writable for the user that records, "
            "or name another folder as recorder.data_dir in the settings"
        ) from error
    stem = f"{utc:%Y%m%dT%H%M%SZ}" if believed else f"boot-{power_up:06d}"
    return Place(_free_name(recordings, stem), power_up, str(uuid.uuid4()), boot_id(), believed)


def is_clock_set(utc: datetime) -> bool:
    """Whether the system's wall clock, which says `utc`, can be believed: set from the network, or from a clock chip
    that has kept time."""
    if CLOCK_IS_SET.exists():
        return True
    try:
        rtc_s = int(RTC.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return False
    return rtc_s > RTC_PLAUSIBLE_S and abs(utc.timestamp() - rtc_s) < RTC_AGREES_S


def boot_id() -> str:
    """The kernel's name for this boot; empty where there is none."""
    return BOOT_ID.read_text(encoding="ascii").strip() if BOOT_ID.exists() else ""


def free_mb(folder: Path) -> float:
    """Space left for an ordinary user, MB."""
    space = os.statvfs(folder)
    return space.f_bavail * space.f_frsize / 1e6


def _count(data_dir: Path, recordings: Path) -> int:
    counter = data_dir / COUNTER
    try:
        last = int(json.loads(counter.read_text(encoding="utf-8"))["power_up"])
    except (OSError, ValueError, KeyError, TypeError):
        # Not there yet, torn by a power cut, or a bad sector: the recordings themselves know.
        last = _highest_recorded(recordings)
    replace_file(counter, json.dumps({"power_up": last + 1}).encode(), durable=True)
    return last + 1


def _highest_recorded(recordings: Path) -> int:
    from logger.store.recording_reader import RecordingReader

    highest = 0
    for path in recordings.rglob(f"*{SUFFIX}"):
        try:
            with RecordingReader(path) as reader:
                highest = max(highest, reader.meta.power_up)
        except StoreError:
            # A damaged file cannot tell its number; the worker reports and salvages it.
            continue
    return highest


def _remove_unborn(recordings: Path) -> None:
    """Files whose making was cut short before they had a name; compaction's partial files have their original."""
    for partial in recordings.glob(f"*{SUFFIX}{PARTIAL_SUFFIX}"):
        if not partial.with_name(partial.name.removesuffix(PARTIAL_SUFFIX)).exists():
            partial.unlink(missing_ok=True)


def _free_name(recordings: Path, stem: str) -> Path:
    path, number = recordings / f"{stem}{SUFFIX}", 1
    while path.exists():
        number += 1
        path = recordings / f"{stem}-{number}{SUFFIX}"
    return path


def replace_file(path: Path, data: bytes, *, durable: bool = False, mode: int = 0o644) -> None:
    """Replace a small file in one step, so that nobody ever reads half of it; `durable`: also through a power cut."""
    draft = path.with_name(f".{path.name}.new")
    # A file object, for a bare write may take only the first part of the data where the disk is nearly full.
    with open(draft, "wb", opener=lambda name, flags: os.open(name, flags, mode)) as file:
        file.write(data)
        if durable:
            file.flush()
            os.fsync(file.fileno())
    os.replace(draft, path)
    if durable:
        sync_directory(path.parent)
