"""Bundles: what is in one, and that one from a stranger can do no harm."""

import hashlib
import json
import shutil
import stat
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.errors import StoreError
from logger.store import bundle
from logger.store.capture_out import write_folder
from logger.store.exports.incoming import take_in
from logger.store.exports.write import write
from logger.store.store import Store
from tests.store.events import small_event


@pytest.fixture
def bundled(tmp_path: Path) -> Path:
    """A bundle of a small event with two recordings."""
    with Store(tmp_path / "car") as store:
        write_folder(small_event(), tmp_path / "captured")
        event_id = store.import_folder(tmp_path / "captured")
        write(store, event_id, "bundle", tmp_path / "event.zip", reports={"report.txt": "Nothing was found.\n"})
    return tmp_path / "event.zip"


def rewritten(source: Path, to: Path, change: Callable[[str, bytes], bytes | None], *, sums: bool = True) -> Path:
    """The same bundle with its entries changed (None: left out) and, with `sums`, check sums that fit again."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as new:
        lines = ""
        for name in old.namelist():
            data = change(name, old.read(name))
            if name == bundle.SUMS and sums:
                new.writestr(name, lines)
            elif data is not None:
                new.writestr(name, data)
                lines += f"{hashlib.sha256(data).hexdigest()}  {name}\n"
    return to


def with_entry(source: Path, to: Path, entry: zipfile.ZipInfo | str, data: bytes = b"x") -> Path:
    """The same bundle with one entry more."""
    shutil.copy(source, to)
    with zipfile.ZipFile(to, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(entry, data)
    return to


def assert_refused(path: Path, tmp_path: Path, match: str) -> None:
    """Refused with that reason, and nothing is left of it anywhere."""
    before = sorted(tmp_path.rglob("*"))
    with Store(tmp_path / "laptop") as store:
        with pytest.raises(StoreError, match=match):
            take_in(store, path)
        assert store.events() == []
        assert list((tmp_path / "laptop" / "recordings").iterdir()) == []
    shutil.rmtree(tmp_path / "laptop")
    assert sorted(tmp_path.rglob("*")) == before


def test_a_bundle_holds_what_its_readme_says(bundled: Path):
    with zipfile.ZipFile(bundled) as archive:
        assert archive.namelist() == [
            "bundle.json",
            "README.txt",
            "logbook.json",
            "report.txt",
            "recordings/001.sqlite",
            "recordings/002.sqlite",
            "SHA256SUMS",
        ]
        assert "stumblelog serve event.zip" in archive.read("README.txt").decode()
        assert archive.read("report.txt") == b"Nothing was found.\n"
        logbook = json.loads(archive.read("logbook.json"))
    assert logbook["event"][0]["name"] == 'Larch Hollow hill climb, "round 2"'
    assert [row["what"] for row in logbook["repairs"]] == ["renewed the coil feed wire"]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="needs sha256sum")
def test_sha256sum_verifies_an_unpacked_bundle(bundled: Path, tmp_path: Path):
    with zipfile.ZipFile(bundled) as archive:
        archive.extractall(tmp_path / "unpacked")
    done = subprocess.run(["sha256sum", "-c", "SHA256SUMS"], cwd=tmp_path / "unpacked", capture_output=True, text=True)
    assert done.returncode == 0
    assert done.stdout.count(": OK") == 6


@pytest.mark.parametrize(
    "name", ["../evil.sqlite", "/etc/evil", "recordings/../../evil.sqlite", "recordings\\..\\evil", "C:\\evil", "extra"]
)
def test_a_name_that_leads_elsewhere_is_refused(bundled: Path, tmp_path: Path, name: str):
    entry = zipfile.ZipInfo("placeholder")
    entry.filename = name
    assert_refused(with_entry(bundled, tmp_path / "bad.zip", entry), tmp_path, "which is no part of a bundle")


def test_a_name_that_is_cut_at_a_zero_byte_is_refused(bundled: Path, tmp_path: Path):
    # zipfile reads "recordings/009.sqlite\0../evil" as the harmless name before the zero byte.
    path = with_entry(bundled, tmp_path / "bad.zip", "recordings/009.sqlite~../evil")
    path.write_bytes(path.read_bytes().replace(b"009.sqlite~", b"009.sqlite\0"))
    assert_refused(path, tmp_path, "which is no part of a bundle")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR])
def test_a_link_or_a_device_is_refused(bundled: Path, tmp_path: Path, kind: int):
    entry = zipfile.ZipInfo("recordings/003.sqlite")
    entry.create_system = 3
    entry.external_attr = (kind | 0o777) << 16
    assert_refused(with_entry(bundled, tmp_path / "bad.zip", entry, b"/etc/passwd"), tmp_path, "is a link or a device")


def test_a_file_that_swells_is_refused_before_it_is_unpacked(bundled: Path, tmp_path: Path):
    path = with_entry(bundled, tmp_path / "bad.zip", "recordings/003.sqlite", bytes(200_000_000))
    assert path.stat().st_size < 1_000_000
    assert_refused(path, tmp_path, r"003\.sqlite would unpack to 200 MB from next to nothing")


def test_a_file_that_says_it_is_small_and_is_not_stays_small(bundled: Path, tmp_path: Path):
    path = with_entry(bundled, tmp_path / "bad.zip", "recordings/003.sqlite", bytes(5_000_000))
    truth, lie = (5_000_000).to_bytes(4, "little"), (500).to_bytes(4, "little")
    path.write_bytes(path.read_bytes().replace(truth, lie))
    assert_refused(path, tmp_path, "not a whole bundle")


def test_many_small_files_that_fill_the_disk_are_refused(bundled: Path, tmp_path: Path, monkeypatch):
    monkeypatch.setattr(bundle, "MOST_BYTES", 20_000)
    assert_refused(bundled, tmp_path, "would unpack to")
    monkeypatch.setattr(bundle, "MOST_FILES", 3)
    assert_refused(bundled, tmp_path, "it holds more than 3 files, and a bundle does not")


def test_a_crowd_of_files_is_refused_whatever_the_archive_says_of_their_number(bundled: Path, tmp_path: Path):
    path = tmp_path / "bad.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(bundle.MOST_FILES + 1):
            archive.writestr(f"{number}", b"")
    data = bytearray(path.read_bytes())
    data[-14:-10] = bytes([3, 0, 3, 0])  # the number of its files, in the 22 bytes that end an archive
    path.write_bytes(data)
    assert_refused(path, tmp_path, "it holds more than 10000 files")


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_zipped_folder_is_told_from_a_bundle(bundled: Path, tmp_path: Path, form: str):
    with Store(tmp_path / "car") as store:
        write(store, store.find("latest"), form, tmp_path / "out" / "event")
    path = Path(shutil.make_archive(str(tmp_path / "event-folder"), "zip", tmp_path / "out", "event"))
    assert_refused(path, tmp_path, "a zipped folder; unpack it, and give the folder that is in it")


def test_a_name_given_twice_is_refused(bundled: Path, tmp_path: Path):
    with pytest.warns(UserWarning, match="Duplicate name"):
        path = with_entry(bundled, tmp_path / "bad.zip", "logbook.json", b"{}")
    assert_refused(path, tmp_path, r"it holds logbook\.json twice")


def test_a_changed_recording_is_refused_by_its_check_sum(bundled: Path, tmp_path: Path):
    path = rewritten(bundled, tmp_path / "bad.zip", lambda n, d: d + b"!" if n.startswith("rec") else d, sums=False)
    assert_refused(path, tmp_path, r"recordings/001\.sqlite does not fit its check sum")


def test_a_missing_recording_is_refused(bundled: Path, tmp_path: Path):
    path = rewritten(bundled, tmp_path / "bad.zip", lambda n, d: None if "002" in n else d, sums=False)
    assert_refused(path, tmp_path, r"recordings/002\.sqlite is missing")
    path = rewritten(bundled, tmp_path / "worse.zip", lambda n, d: None if "002" in n else d)
    assert_refused(path, tmp_path, r"002\.sqlite: there is no such recording")


@pytest.mark.parametrize(
    "text", [b"", b"[]", b"{}", b"null", b'{"event": 7}', b"[" * 100_000, b'{"event": [{"name": 3}]}', b"\xff"]
)
def test_a_logbook_that_is_none_is_refused(bundled: Path, tmp_path: Path, text: bytes):
    path = rewritten(bundled, tmp_path / "bad.zip", lambda n, d: text if n == "logbook.json" else d)
    assert_refused(path, tmp_path, r"bad\.zip: ")


def test_a_recording_swapped_for_another_file_is_refused(bundled: Path, tmp_path: Path):
    path = rewritten(bundled, tmp_path / "bad.zip", lambda n, d: b"no database" if "001" in n else d)
    assert_refused(path, tmp_path, r"001\.sqlite: not an SQLite file")
    with zipfile.ZipFile(bundled) as archive:
        other = archive.read("recordings/002.sqlite")
    path = rewritten(bundled, tmp_path / "swapped.zip", lambda n, d: other if "001" in n else d)
    assert_refused(path, tmp_path, "r01 is another recording than its logbook says")


def test_any_other_archive_and_a_half_one_are_refused(bundled: Path, tmp_path: Path):
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("bundle.json", '{"format": "something else"}')
    assert_refused(tmp_path / "other.zip", tmp_path, "not a bundle of stumblelog")
    half = tmp_path / "half.zip"
    half.write_bytes(bundled.read_bytes()[:-500])
    assert_refused(half, tmp_path, r"a \.zip that breaks off; copy or download it again")


def test_packed_bytes_that_were_damaged_are_refused_wherever_they_are(bundled: Path, tmp_path: Path):
    data = bundled.read_bytes()
    with zipfile.ZipFile(bundled) as archive:
        (entry,) = (info for info in archive.infolist() if info.filename == bundle.LOGBOOK)
    begin = entry.header_offset + 30 + len(bundle.LOGBOOK)
    for at in range(begin, begin + entry.compress_size, 20):
        (tmp_path / "bad.zip").write_bytes(data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :])
        with pytest.raises(StoreError, match=r"bad\.zip: "):
            bundle.unpack(tmp_path / "bad.zip", tmp_path)
        for unpacked in tmp_path.glob("*.sqlite"):
            unpacked.unlink()


@pytest.mark.parametrize("version", ["null", '"2"', "[]"])
def test_a_version_that_is_no_number_is_refused(bundled: Path, tmp_path: Path, version: str):
    wrong = f'"version": {version}'.encode()
    path = rewritten(
        bundled, tmp_path / "bad.zip", lambda n, d: d.replace(b'"version": 1', wrong) if "bundle" in n else d
    )
    assert_refused(path, tmp_path, r"bad\.zip: not a whole bundle")


def test_a_bundle_of_a_newer_version_is_refused(bundled: Path, tmp_path: Path):
    path = rewritten(
        bundled, tmp_path / "bad.zip", lambda n, d: d.replace(b'"version": 1', b'"version": 2') if "bundle" in n else d
    )
    assert_refused(path, tmp_path, "newer stumblelog")
