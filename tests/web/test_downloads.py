"""What can be taken home from the page: recordings as they are, from any byte on, and exports made while one waits."""

import hashlib
import io
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.store.exports.forms import FORMS
from logger.store.exports.incoming import take_in
from logger.store.exports.write import write
from logger.store.store import Store
from tests.conftest import Stored
from tests.store import recordings
from tests.web.client import Client
from tests.web.errors import assert_error
from web import exports
from web.app import create_app


def test_finished_recordings_are_listed_with_check_sums_that_fit(client: Client):
    (event,) = client.get("/api/downloads").json()["events"]
    assert [one["recording"] for one in event["recordings"]] == ["r01", "r02", "r03"]
    assert event["n_unfinished"] == 0
    for one in event["recordings"]:
        body = client.get(one["href"]).content
        assert (len(body), hashlib.sha256(body).hexdigest()) == (one["size"], one["sha256"])


def test_a_download_goes_on_from_any_byte_while_the_file_is_the_same(client: Client):
    one = client.get("/api/downloads").json()["events"][0]["recordings"][0]
    whole = client.get(one["href"]).content
    rest = client.get(one["href"], headers={"Range": "bytes=1000-", "If-Range": f'"{one["sha256"]}"'})
    assert (rest.status_code, rest.content) == (206, whole[1000:])
    anew = client.get(one["href"], headers={"Range": "bytes=1000-", "If-Range": '"another file"'})
    assert (anew.status_code, anew.content) == (200, whole)


def test_what_is_still_being_recorded_is_not_handed_out(tmp_path: Path):
    with Store(tmp_path) as store:
        writer = recordings.write(tmp_path / "recordings" / "one.sqlite", 2, close=False)
        client = Client(create_app(store))
        (event,) = client.get("/api/downloads").json()["events"]
        assert (event["recordings"], event["n_unfinished"]) == ([], 1)
        assert_error(client.get(f"/api/events/{event['event_id']}/recordings/r01/file"), 404)
        writer.close()
        (event,) = client.get("/api/downloads").json()["events"]
        assert [one["recording"] for one in event["recordings"]] == ["r01"]


@pytest.mark.parametrize("path", ["recordings/r99/file", "recordings/..%2f..%2flogbook.sqlite/file"])
def test_nothing_else_can_be_downloaded(client: Client, filled, path: str):
    assert client.get(f"/api/events/{filled[1]}/{path}").status_code == 404
    assert_error(client.get("/api/events/none/logbook"), 404)


@pytest.fixture
def patient(stored: Stored, tmp_path: Path) -> Iterator[tuple[Client, Store, str]]:
    store, event_id = stored(tmp_path / "data")
    with store:
        yield Client(create_app(store)), store, event_id


def made(client: Client, event_id: str, form: str) -> dict[str, object]:
    """Ask for an export and wait for it."""
    state = client.post(f"/api/events/{event_id}/exports", json={"form": form}).json()
    shares = [state["share"]]
    deadline = time.monotonic() + 60.0
    while state["href"] is None and state["failed"] is None:
        assert time.monotonic() < deadline
        state = client.get(f"/api/exports/{state['export_id']}").json()
        shares.append(state["share"])
    assert shares == sorted(shares)
    return state


@pytest.mark.parametrize("form", [form for form in exports.WEB_FORMS if FORMS[form].comes_back])
def test_an_export_asked_for_on_the_page_comes_back_as_the_same_event(patient, tmp_path: Path, form: str):
    client, store, event_id = patient
    state = made(client, event_id, form)
    assert (state["share"], state["failed"]) == (1.0, None)
    answer = client.get(str(state["href"]))
    endings = {"sqlite": ".sqlite", "bundle": ".zip", "csv": "-csv.zip", "parquet": "-parquet.zip", "mdf": "-mdf.zip"}
    name = event_id + endings[form]
    assert f'filename="{name}"' in answer.headers["content-disposition"]
    (tmp_path / name).write_bytes(answer.content)
    path = tmp_path / name
    if form in ("csv", "parquet"):
        with zipfile.ZipFile(path) as archive:
            archive.extractall(tmp_path / "unpacked")
        path = tmp_path / "unpacked" / name.removesuffix(".zip")
    with Store(tmp_path / "laptop") as laptop:
        (arrived,) = take_in(laptop, path)
        assert [r.duration_ns for r in laptop.recordings(arrived)] == [
            r.duration_ns for r in store.recordings(event_id)
        ]


def test_mdf_is_made_on_the_page_where_its_library_is(patient):
    pytest.importorskip("asammdf")
    client, _, event_id = patient
    body = client.get(str(made(client, event_id, "mdf")["href"])).content
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        files = sorted(name for name in archive.namelist() if not name.endswith("/"))
        assert files == [f"{event_id}-mdf/00{n}.mf4" for n in (1, 2, 3)]
        assert archive.read(files[0]).startswith(b"MDF     4.10")


def test_where_mdf_cannot_be_made_the_page_says_how_to_install_what_it_needs(patient, monkeypatch):
    client, _, event_id = patient
    command = "pip install &#39;stumblelog[mdf]&#39;"
    assert command not in client.get(f"/events/{event_id}/files").text
    monkeypatch.setattr(exports, "can_write_mdf", lambda: False)
    page = client.get(f"/events/{event_id}/files").text
    assert 'value="mdf" disabled' in page
    assert command in page
    monkeypatch.setitem(sys.modules, "asammdf", None)
    assert "pip install 'stumblelog[mdf]'" in str(made(client, event_id, "mdf")["failed"])


def test_a_bundle_from_the_page_brings_the_report(patient):
    client, _, event_id = patient
    body = client.get(str(made(client, event_id, "bundle")["href"])).content
    with zipfile.ZipFile(io.BytesIO(body)) as archive:
        assert "Larkfold Hill, spring meeting" in archive.read("report.html").decode()
        assert "Larkfold Hill, spring meeting" in archive.read("report.txt").decode()


def test_a_second_export_waits_for_the_first(patient, monkeypatch):
    client, _, event_id = patient
    again: list[int] = []

    def slow(*arguments, progress, **options):
        answer = client.post(f"/api/events/{event_id}/exports", json={"form": "sqlite"})
        assert_error(answer, 409)
        again.append(answer.status_code)
        return write(*arguments, progress=progress, **options)

    monkeypatch.setattr(exports, "write", slow)
    assert made(client, event_id, "sqlite")["failed"] is None
    assert again == [409]


def test_an_export_that_fails_says_why_and_the_next_one_works(patient, monkeypatch):
    client, _, event_id = patient

    def full(*arguments, **options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(exports, "write", full)
    assert "No space left on device" in str(made(client, event_id, "sqlite")["failed"])
    monkeypatch.undo()
    assert made(client, event_id, "sqlite")["failed"] is None


def test_an_export_is_given_up_before_it_takes_the_room_that_recordings_need(stored: Stored, tmp_path: Path):
    store, event_id = stored(tmp_path / "data")
    with store:
        app = create_app(store)
        app.state.exports = exports.Exports(store, keep_free_mb=1e12)
        assert "MB are left beside the recordings" in str(made(Client(app), event_id, "csv")["failed"])
        assert not (store.data_dir / exports.FOLDER).exists()


def test_what_is_zipped_never_takes_twice_the_room(tmp_path: Path):
    folder = tmp_path / "event"
    (folder / "r01").mkdir(parents=True)
    for name in ("one.csv", "two.csv", "three.parquet"):
        (folder / "r01" / name).write_bytes(b"0.000,12.5\n" * 10_000)
    left = []
    path = exports.zipped(folder, lambda share: left.append((share, len(list(folder.rglob("*.*"))))))
    assert left == [(pytest.approx(1 / 3), 3), (pytest.approx(2 / 3), 2), (1.0, 1)]
    with zipfile.ZipFile(path) as archive:
        sizes = {info.filename: (info.file_size, info.compress_size) for info in archive.infolist()}
    assert sizes.keys() == {"event/r01/one.csv", "event/r01/two.csv", "event/r01/three.parquet"}
    assert sizes["event/r01/one.csv"][1] < 5000
    assert sizes["event/r01/three.parquet"] == (110_000, 110_000)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["event.zip"]


def test_an_export_that_is_gone_or_was_never_made_is_a_404(client: Client, filled):
    assert_error(client.get("/api/exports/77"), 404)
    assert_error(client.get("/api/exports/77/file"), 404)
    assert_error(client.post(f"/api/events/{filled[1]}/exports", json={"form": "exe"}), 422)
    assert_error(client.post("/api/events/none/exports", json={"form": "csv"}), 404)


def test_the_page_of_files_offers_every_form(client: Client, filled):
    page = client.get(f"/events/{filled[1]}/files", headers={"Accept": "text/html"}).text
    for form in exports.WEB_FORMS:
        assert f'value="{form}"' in page
    assert f'href="/events/{filled[1]}/files"' in client.get(f"/events/{filled[1]}").text
