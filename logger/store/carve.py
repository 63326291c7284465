"""Rows out of a damaged recording, page by page, without trusting the tree that joins the pages.

The pages of the file and of the WAL beside it are looked through for leaf pages of tables; each cell that can be put
together (SQLite's file format, https://www.sqlite.org/fileformat2.html, sections 1.6 and 4.1) is handed out if its row
passes its own check sum, so nothing that was not written can come back. In a leaf page, big-endian::

    0     0x0D table leaf, 0x0A index leaf (a table WITHOUT ROWID: meta)
    3     u16 number of cells          8     u16 offset of each cell
    cell  varint payload size, varint rowid (table only), payload, u32 first overflow page if it does not fit
    payload  varint header size, varint type of each column, the columns
"""

import errno
import json
import os
import struct
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from statistics import mode
from typing import Any

from logger.store.schema import CLOSED_PAGE, DESCRIPTION, DESCRIPTION_COPY, GROWING_PAGE, crc_of

_TABLE_LEAF, _INDEX_LEAF = 0x0D, 0x0A
_WAL_HEADER, _FRAME_HEADER = 32, 24
_LONGEST_ROW = 1 << 28
_SECTOR = 512
_PIECE = 1 << 20

_NOT_WHOLE = (IndexError, KeyError, ValueError)

Pages = Mapping[int, bytes]


@dataclass(slots=True)
class Carved:
    """What was found whole. seconds: second to (crc, summary, data, notes); keyed: rowid to (crc, data), the rows of
    blocks and overviews; meta: key to JSON bytes."""

    seconds: dict[int, tuple[int, bytes, bytes, bytes | None]] = field(default_factory=dict)
    keyed: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    meta: dict[str, bytes] = field(default_factory=dict)

    @property
    def descriptions(self) -> list[dict[str, Any]]:
        """What is left of the recording's descriptions."""
        first_notes = self.seconds[0][3] if 0 in self.seconds else None
        texts = [
            self.meta.get(DESCRIPTION),
            self.keyed[DESCRIPTION_COPY][1] if DESCRIPTION_COPY in self.keyed else None,
        ]
        found = [json.loads(text) for text in texts if text is not None]
        notes = json.loads(first_notes) if first_notes else {}
        return [*found, notes[DESCRIPTION]] if DESCRIPTION in notes else found

    def add(self, other: "Carved") -> None:
        """Take over what another file of the same recording has and this one has not."""
        self.seconds = {**other.seconds, **self.seconds}
        self.keyed = {**other.keyed, **self.keyed}
        self.meta = {**other.meta, **self.meta}


def readable_bytes(path: Path) -> bytes:
    """What the card still gives of a file; nothing where there is none. Sectors with a read error come as zeros, which
    pass no check sum. Raises OSError where the file cannot even be opened."""
    if not path.exists():
        return b""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        size = os.fstat(descriptor).st_size
        return b"".join(_piece(descriptor, at, min(_PIECE, size - at)) for at in range(0, size, _PIECE))
    finally:
        os.close(descriptor)


def _piece(descriptor: int, at: int, size: int) -> bytes:
    try:
        return os.pread(descriptor, size, at)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
    if size <= _SECTOR:
        return bytes(size)
    # A large read fails as a whole where one of its sectors is bad.
    step = min(size, _SECTOR if size <= 16 * _SECTOR else size // 16)
    return b"".join(_piece(descriptor, at + k, min(step, size - k)) for k in range(0, size, step))


def carve(path: Path, wal: bytes = b"") -> Carved:
    """Every whole row in a file and in the bytes of its WAL."""
    data = readable_bytes(path)
    found = Carved()
    # The header may be what is damaged, so both sizes of page are tried; rows of the wrong one pass no check sum.
    for page_size in {GROWING_PAGE, CLOSED_PAGE}:
        _carve_pages(data, wal, page_size, found)
    return found


def _carve_pages(data: bytes, wal: bytes, page_size: int, found: Carved) -> None:
    stored = {n + 1: data[n * page_size : (n + 1) * page_size] for n in range(len(data) // page_size)}
    frames = list(wal_frames(wal)) if page_size == GROWING_PAGE else []
    # Oldest first: where a row or an entry was written twice, the newest version stays.
    for newest in ({}, dict(frames)):
        view = {**stored, **newest}
        for number, page in view.items():
            _carve_page(view, number, page, found)
    view = {**stored, **dict(frames)}
    for number, page in frames:
        _carve_page(view, number, page, found)
    if not found.descriptions:
        _search_description(view, found)


def _search_description(pages: Pages, found: Carved) -> None:
    """The description by its key's own letters, for when the page that holds it no longer says what it is."""
    word = DESCRIPTION.encode()
    for page in pages.values():
        at = page.find(word)
        while at >= 0:
            # Before the key lie the payload's size (2 bytes) and a header of 4 to 12 bytes.
            for place in range(max(0, at - 14), max(0, at - 4)):
                with suppress(*_NOT_WHOLE):
                    _carve_cell(pages, page, place, False, found)
            at = page.find(word, at + 1)


def wal_frames(wal: bytes) -> Iterator[tuple[int, bytes]]:
    """(page number, page) of every frame that belongs to the log's current round, sound or not."""
    salt = _salt(wal)
    size = _FRAME_HEADER + GROWING_PAGE
    for place in range(_WAL_HEADER, len(wal) - size + 1, size):
        if wal[place + 8 : place + 16] == salt:
            yield int.from_bytes(wal[place : place + 4], "big"), wal[place + _FRAME_HEADER : place + size]


def lost_commits(wal: bytes) -> int:
    """Commits that lie behind the first broken frame of a WAL, which SQLite therefore passes over in silence.

    One, torn, is what a power cut leaves; more means that the card has damaged the log.
    """
    if len(wal) < _WAL_HEADER:
        return 0
    order = _order(wal)
    salt = _salt(wal)
    state = _wal_sum(wal[:24], (0, 0), order)
    sound = _has_sound_header(wal)
    lost = 0
    size = _FRAME_HEADER + GROWING_PAGE
    for place in range(_WAL_HEADER, len(wal) - size + 1, size):
        frame = wal[place : place + size]
        if frame[8:16] != salt:
            # The rest of an older round, or one frame whose mark is damaged: then more of this round follow.
            sound = False
            continue
        if sound:
            state = _wal_sum(frame[_FRAME_HEADER:], _wal_sum(frame[:8], state, order), order)
            sound = state == struct.unpack(">II", frame[16:24])
        if not sound and frame[4:8] != b"\0\0\0\0":
            lost += 1
    return lost


def _order(wal: bytes) -> str:
    """The byte order of the check sums, from the lowest bit of the magic number."""
    return "big" if wal[3] & 1 else "little"


def _has_sound_header(wal: bytes) -> bool:
    return _wal_sum(wal[:24], (0, 0), _order(wal)) == struct.unpack(">II", wal[24:32])


def _salt(wal: bytes) -> bytes:
    """The mark of the log's current round: a sound header's, else that of most of the first frames.

    The header is what a new round writes first; the frames behind it are then still those of the round before.
    """
    if len(wal) < _WAL_HEADER or _has_sound_header(wal):
        return wal[16:24]
    size = _FRAME_HEADER + GROWING_PAGE
    return mode(wal[_WAL_HEADER + k * size :][8:16] for k in range(3))


def _wal_sum(data: bytes, state: tuple[int, int], order: str) -> tuple[int, int]:
    """The WAL's running check sum (SQLite's file format, section 4.2)."""
    one, two = state
    words = struct.unpack(f"{'>' if order == 'big' else '<'}{len(data) // 4}I", data)
    for k in range(0, len(words), 2):
        one = (one + words[k] + two) & 0xFFFFFFFF
        two = (two + words[k + 1] + one) & 0xFFFFFFFF
    return one, two


def _carve_page(pages: Pages, number: int, page: bytes, found: Carved) -> None:
    start = 100 if number == 1 else 0
    if not page or page[start] not in (_TABLE_LEAF, _INDEX_LEAF):
        return
    n_cells = min(int.from_bytes(page[start + 3 : start + 5], "big"), len(page) // 4)
    for k in range(n_cells):
        at = start + 8 + 2 * k
        place = int.from_bytes(page[at : at + 2], "big")
        # A cell that is not whole is passed over; the others may be.
        with suppress(*_NOT_WHOLE):
            _carve_cell(pages, page, place, page[start] == _TABLE_LEAF, found)


def _carve_cell(pages: Pages, page: bytes, place: int, is_table: bool, found: Carved) -> None:
    size, place = _varint(page, place)
    key, place = _varint(page, place) if is_table else (0, place)
    columns = _columns(_payload(pages, page, place, size, is_table))
    match columns:
        case [None, int(crc), bytes(summary), bytes(data), (bytes() | None) as notes] if is_table:
            if crc == crc_of(key, summary, data, notes):
                found.seconds[key] = (crc, summary, data, notes)
        # Rows of rollups (four columns) are made again from the seconds.
        case [None, int(crc), bytes(data)] if is_table:
            if crc == crc_of(key, data):
                found.keyed[key] = (crc, data)
        case [str(name), int(crc), bytes(data)] if not is_table and crc == crc_of(name, data):
            found.meta[name] = data


def _payload(pages: Pages, page: bytes, place: int, size: int, is_table: bool) -> bytes:
    if not 0 < size < _LONGEST_ROW:
        raise ValueError("no such row was ever written")
    size_of_page = len(page)
    largest = size_of_page - 35 if is_table else (size_of_page - 12) * 64 // 255 - 23
    if size <= largest:
        return page[place : place + size]
    smallest = (size_of_page - 12) * 32 // 255 - 23
    local = smallest + (size - smallest) % (size_of_page - 4)
    if local > largest:
        local = smallest
    parts = [page[place : place + local]]
    left = size - local
    following = int.from_bytes(page[place + local : place + local + 4], "big")
    while left > 0:
        overflow = pages[following]
        parts.append(overflow[4 : 4 + left])
        left -= size_of_page - 4
        following = int.from_bytes(overflow[:4], "big")
    return b"".join(parts)


def _columns(record: bytes) -> list[int | str | bytes | None]:
    end, place = _varint(record, 0)
    types = []
    while place < end:
        kind, place = _varint(record, place)
        types.append(kind)
    out: list[int | str | bytes | None] = []
    for kind in types:
        if kind == 0:
            out.append(None)
        elif kind in (8, 9):
            out.append(kind - 8)
        elif kind <= 6:
            width = (1, 2, 3, 4, 6, 8)[kind - 1]
            out.append(int.from_bytes(_take(record, place, width), "big", signed=True))
            place += width
        elif kind >= 12:
            width = (kind - 12) // 2
            data = _take(record, place, width)
            out.append(data.decode() if kind & 1 else data)
            place += width
        else:
            raise ValueError("a column of a type that recordings do not have")
    return out


def _take(record: bytes, place: int, width: int) -> bytes:
    if place + width > len(record):
        raise ValueError("the row is cut short")
    return record[place : place + width]


def _varint(data: bytes, place: int) -> tuple[int, int]:
    """A variable-length integer and the place behind it; the ninth byte counts whole."""
    value = 0
    for k in range(8):
        byte = data[place + k]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place + k + 1
    value = value << 8 | data[place + 8]
    return value - (1 << 64) if value >> 63 else value, place + 9
