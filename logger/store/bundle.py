"""Bundles: an event as one .zip to hand to somebody, and how one from a stranger is unpacked.

::

    bundle.json              what this is: format, version, event
    README.txt               how to open it
    report.html, report.txt  what was found, for people
    logbook.json             what people entered and what was found: the small tables of an event file
    recordings/001.sqlite    every recording as the logger stored it
    SHA256SUMS               check sums of all other files, as sha256sum -c reads them

Nothing in a bundle is believed: names other than these are refused, so nothing can be unpacked elsewhere; links, and
sizes beyond all reason, too. Its logbook is text that is checked row by row, never a database that is opened.
"""

import hashlib
import json
import mmap
import re
import shutil
import stat
import zipfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from logger.errors import StoreError
from logger.store.exports.columns import Row, plain, typed
from logger.store.exports.contents import Contents, snapshot
from logger.store.exports.placing import whole_file
from logger.store.exports.tables import TABLES, VERSION

FORMAT = "stumblelog-bundle"
SUMS = "SHA256SUMS"
ABOUT = "bundle.json"
LOGBOOK = "logbook.json"
README = "README.txt"
REPORTS = ("report.html", "report.txt")
RECORDING = re.compile(r"recordings/[0-9]{3,6}\.sqlite")

MOST_FILES = 10_000
MOST_BYTES = 64 << 30
MOST_LOGBOOK_BYTES = 256 << 20
MOST_RATIO = 100
"""Recordings are compressed already and logbooks shrink to a tenth; what shrinks more is not what it says it is."""

SMALL_BYTES = 1 << 20
"""Below this nobody cares how much an entry shrinks."""

_CHUNK = 1 << 20
_LISTED = b"PK\x01\x02"
_FOLDER_INSIDE = re.compile(r"([^/\\.][^/\\]*/)?(capture\.toml|car=[^/\\]+/event=[^/\\]+/[^\\]+)")
"""In the .zip of an export that is a folder, as the page makes it."""

_README = """{name}

An event recorded by stumblelog: {n} recordings, what people entered, and what was found.

Read report.html (or report.txt) for the findings; nothing needs to be installed for that.
To see everything, with stumblelog installed on any computer (no Raspberry Pi is needed):

    stumblelog serve {file}

To keep it among your own events:

    stumblelog import {file}

To see whether the files are whole, unpack and run: sha256sum -c SHA256SUMS
The layout is described in FORMATS.md of stumblelog.
"""


def write_bundle(
    contents: Contents,
    path: Path,
    reports: Mapping[str, str],
    *,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> None:
    """Write the event as a bundle, whole or not at all; reports: the text of each of REPORTS. Raises StoreError."""
    about = {"format": FORMAT, "version": VERSION, "event_id": contents.event_id, "name": contents.event.name}
    readme = _README.format(name=contents.event.name, n=len(contents.recordings), file=path.name)
    texts = {ABOUT: json.dumps(about, indent=1), README: readme, LOGBOOK: logbook_text(contents), **reports}
    with whole_file(path, overwrite=overwrite) as draft, zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as archive:
        sums: list[str] = []
        for name, text in texts.items():
            data = text.encode()
            archive.writestr(name, data)
            sums.append(f"{hashlib.sha256(data).hexdigest()}  {name}\n")
        copy = draft.with_name("recording")
        for number, held in enumerate(contents.recordings, 1):
            name = f"recordings/{held.position:03d}.sqlite"
            copy.unlink(missing_ok=True)
            snapshot(held.reader.path, copy)
            # Stored, not deflated: its blocks are compressed already.
            archive.write(copy, name, zipfile.ZIP_STORED)
            sums.append(f"{sha256_of(copy)}  {name}\n")
            progress(number / len(contents.recordings))
        archive.writestr(SUMS, "".join(sums))


def unpack(path: Path, folder: Path) -> dict[str, list[Row]]:
    """Unpack a bundle's recordings into an empty folder, as 001.sqlite ..., and return the rows of its logbook.

    Raises StoreError where it is no bundle, is damaged, or holds anything that a bundle does not.
    """
    _refuse_a_crowd(path)
    try:
        with zipfile.ZipFile(path) as archive:
            entries = _checked(path, archive, shutil.disk_usage(folder).free)
            about = json.loads(archive.read(ABOUT))
            if not isinstance(about, dict) or about.get("format") != FORMAT:
                raise StoreError(f"{path}: a .zip, but not a bundle of stumblelog")
            if about.get("version", 0) > VERSION:
                raise StoreError(f"{path}: written by a newer stumblelog; update this one to open it")
            sums = _sums(path, archive.read(SUMS).decode())
            logbook = archive.read(LOGBOOK)
            for name, entry in entries.items():
                if name == SUMS:
                    continue
                place = folder / Path(name).name if RECORDING.fullmatch(name) else None
                if _copy(archive, entry, place) != sums.get(name):
                    raise StoreError(f"{path}: {name} does not fit its check sum; get the bundle again")
            for name in sums.keys() - entries.keys():
                raise StoreError(f"{path}: {name} is missing; get the bundle again")
            return logbook_rows(path, json.loads(logbook))
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        zlib.error,
        EOFError,
        KeyError,
        TypeError,
        ValueError,
        RecursionError,
        NotImplementedError,
    ) as error:
        raise StoreError(f"{path}: not a whole bundle: {error}; get it again") from error


def is_bundle(path: Path) -> bool:
    """Whether a file looks like a whole .zip."""
    return zipfile.is_zipfile(path)


def looks_zipped(path: Path) -> bool:
    """Whether a file begins like a .zip, whole or not."""
    with path.open("rb") as file:
        return file.read(4) == b"PK\x03\x04"


def sha256_of(path: Path) -> str:
    """The check sum of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def logbook_text(contents: Contents) -> str:
    """The small tables as JSON: a list of rows for each."""
    tables = {**contents.tables, "channels": contents.channel_rows()}
    rows = {name: [plain(TABLES[name], row) for row in tables[name]] for name in TABLES}
    return json.dumps(rows, indent=1, allow_nan=False, ensure_ascii=False)


def _refuse_a_crowd(path: Path) -> None:
    """Raise StoreError where an archive lists too many files, before zipfile makes objects of them all.

    Counted by the mark that begins each entry of the list, since what the archive says of its length may be a lie.
    """
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        at, n = data.find(_LISTED), 0
        while at >= 0:
            n += 1
            if n > MOST_FILES:
                raise StoreError(f"{path}: refused: it holds more than {MOST_FILES} files, and a bundle does not")
            at = data.find(_LISTED, at + 1)


def _checked(path: Path, archive: zipfile.ZipFile, free_bytes: int) -> dict[str, zipfile.ZipInfo]:
    """The entries by name. Raises StoreError for anything that has no place in a bundle."""
    entries: dict[str, zipfile.ZipInfo] = {}
    known = {ABOUT, README, LOGBOOK, SUMS, *REPORTS}
    infos = archive.infolist()
    if any(_FOLDER_INSIDE.fullmatch(info.orig_filename) for info in infos):
        raise StoreError(f"{path}: a zipped folder; unpack it, and give the folder that is in it")
    for info in infos:
        # The name as it stands in the archive: the other one has been made harmless, and silently.
        name = info.orig_filename
        kind = stat.S_IFMT(info.external_attr >> 16)
        if name not in known and not RECORDING.fullmatch(name):
            raise StoreError(f"{path}: refused: it holds {name!r:.80}, which is no part of a bundle")
        if name in entries:
            raise StoreError(f"{path}: refused: it holds {name} twice")
        if kind not in (0, stat.S_IFREG):
            raise StoreError(f"{path}: refused: {name} is a link or a device, not a file")
        if info.flag_bits & 0x1:
            raise StoreError(f"{path}: refused: {name} is encrypted; bundles are not")
        if info.file_size > max(SMALL_BYTES, MOST_RATIO * info.compress_size):
            raise StoreError(
                f"{path}: refused: {name} would unpack to {info.file_size / 1e6:.0f} MB from next to nothing"
            )
        entries[name] = info
    if LOGBOOK in entries and entries[LOGBOOK].file_size > MOST_LOGBOOK_BYTES:
        raise StoreError(f"{path}: refused: its logbook is larger than {MOST_LOGBOOK_BYTES >> 20} MB")
    total = sum(info.file_size for info in infos)
    if total > MOST_BYTES or total > free_bytes:
        raise StoreError(f"{path}: would unpack to {total / 1e6:.0f} MB, and {free_bytes / 1e6:.0f} MB are free")
    return entries


def _copy(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, to: Path | None) -> str:
    """Unpack one entry (None: only read it); returns its check sum. Never writes more than the entry declares."""
    digest = hashlib.sha256()
    with archive.open(entry) as source:
        target = to.open("xb") if to else None
        try:
            while chunk := source.read(_CHUNK):
                digest.update(chunk)
                if target:
                    target.write(chunk)
        finally:
            if target:
                target.close()
    return digest.hexdigest()


def _sums(path: Path, text: str) -> dict[str, str]:
    sums = {}
    for line in text.splitlines():
        digest, _, name = line.partition("  ")
        if not re.fullmatch(r"[0-9a-f]{64}", digest) or not name:
            raise StoreError(f"{path}: {SUMS} holds {line!r:.80}; get the bundle again")
        sums[name] = digest
    return sums


def logbook_rows(where: object, document: Any) -> dict[str, list[Row]]:
    """The inverse of `logbook_text`, of its JSON. Raises StoreError, naming `where`."""
    try:
        return {name: [typed(table, row) for row in document[name]] for name, table in TABLES.items()}
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise StoreError(f"{where}: {LOGBOOK} is not as it should be: {error}") from error
