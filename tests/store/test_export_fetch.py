"""Fetching from a logger's page over a real connection: resumed, verified, and only what is finished."""

import hashlib
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from urllib.request import HTTPCookieProcessor, build_opener

import pytest
from fastapi import FastAPI

from logger.cli import main
from logger.commands.fetch import PASS_PHRASE_VARIABLE
from logger.commands.serve import listen_on
from logger.errors import StoreError
from logger.store.exports import remote
from logger.store.exports.incoming import take_in
from logger.store.exports.remote import LogInError, base_url, fetch, listing, log_in, log_out
from logger.store.exports.write import write
from logger.store.recording_writer import RecordingWriter
from logger.store.store import Store
from tests.store import recordings
from web.access_keys import Keys
from web.app import create_app
from web.pass_phrase import make_pass_phrase
from web.server import Server


@pytest.fixture
def pi(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "pi") as store:
        recordings.write(store.data_dir / "recordings" / "one.sqlite", 3)
        yield store


@contextmanager
def serving(app: FastAPI) -> Iterator[str]:
    """The address of a real server on a free loopback port."""
    listening = listen_on("127.0.0.1", 0)
    server = Server(app)
    thread = threading.Thread(target=server.run, args=([listening],))
    thread.start()
    yield f"http://127.0.0.1:{listening.getsockname()[1]}/"
    server.should_exit = True
    thread.join()
    listening.close()


@contextmanager
def answering(handler: type[BaseHTTPRequestHandler]) -> Iterator[str]:
    """The address of a server made up for a test."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture
def base(pi: Store) -> Iterator[str]:
    with serving(create_app(pi)) as address:
        yield address


@pytest.fixture
def locked(pi: Store, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, str, Keys]]:
    """A server that asks for a pass-phrase: its address, the pass-phrase, and its keys."""
    pass_phrase, _ = make_pass_phrase(pi.data_dir, time.time())
    keys = Keys(pi.data_dir)
    monkeypatch.setattr(remote, "_OPENER", build_opener(HTTPCookieProcessor()))
    monkeypatch.delenv(PASS_PHRASE_VARIABLE, raising=False)
    with serving(create_app(pi, keys=keys)) as address:
        yield address, pass_phrase, keys


@pytest.fixture
def laptop(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "laptop") as store:
        yield store


def record_another(pi: Store, **more: object) -> None:
    """A second power-up of the same day."""
    writer = RecordingWriter(
        pi.data_dir / "recordings" / "two.sqlite", replace(recordings.meta(**more), uuid="1f"), durable=False
    )
    with writer:
        writer.append(recordings.second(0))


def test_what_is_fetched_is_what_was_recorded(pi: Store, laptop: Store, base: str):
    (event,) = listing(base)
    assert fetch(laptop, event) == (event.event_id, 1)
    with pi.reader(event.event_id, "r01") as a, laptop.reader(event.event_id, "r01") as b:
        assert recordings.all_same(a.raws(a.channels), b.raws(b.channels))
        assert a.meta == b.meta
    assert not (laptop.data_dir / remote.FOLDER).exists()


def test_a_second_fetch_brings_only_what_is_new_into_the_same_event(pi: Store, laptop: Store, base: str):
    (event,) = listing(base)
    fetch(laptop, event)
    pi.add_repair(event.event_id, "renewed the coil feed wire")
    record_another(pi)
    (event,) = listing(base)
    assert fetch(laptop, event) == (event.event_id, 1)
    assert fetch(laptop, event) == (event.event_id, 0)
    assert [one.name for one in laptop.recordings(event.event_id)] == ["r01", "r02"]
    assert [one.what for one in laptop.repairs(event.event_id)] == ["renewed the coil feed wire"]
    assert len(laptop.events()) == 1


def test_a_download_that_broke_off_goes_on_where_it_stopped(pi: Store, laptop: Store, base: str, monkeypatch):
    (event,) = listing(base)
    (one,) = event.recordings
    whole = (pi.data_dir / pi.recordings(event.event_id)[0].file).read_bytes()
    folder = laptop.data_dir / remote.FOLDER
    folder.mkdir()
    (folder / f"{one.uuid}.part").write_bytes(whole[:5000])
    asked = []
    really_open = remote._open
    monkeypatch.setattr(remote, "_open", lambda url, headers=None: asked.append(headers) or really_open(url, headers))
    assert fetch(laptop, event) == (event.event_id, 1)
    assert asked[0] == {"Range": "bytes=5000-", "If-Range": f'"{one.sha256}"'}


def test_a_half_that_belongs_to_another_file_is_not_gone_on_with(pi: Store, laptop: Store, base: str):
    (event,) = listing(base)
    folder = laptop.data_dir / remote.FOLDER
    folder.mkdir()
    (folder / f"{event.recordings[0].uuid}.part").write_bytes(b"something else" * 100)
    with pytest.raises(StoreError, match="does not fit its check sum"):
        fetch(laptop, event)
    assert laptop.events() == []
    assert fetch(laptop, event) == (event.event_id, 1)


def test_a_recording_under_way_stays_where_it_is(pi: Store, laptop: Store, base: str):
    writer = RecordingWriter(pi.data_dir / "recordings" / "two.sqlite", replace(recordings.meta(), uuid="1f"))
    writer.append(recordings.second(0))
    (event,) = listing(base)
    assert (len(event.recordings), event.n_unfinished) == (1, 1)
    pi.add_repair(event.event_id, "new rotor", after_recording="r02")
    assert fetch(laptop, event) == (event.event_id, 1)
    assert [one.after_recording for one in laptop.repairs(event.event_id)] == ["r02"]
    writer.append(recordings.second(1))
    writer.close()


def fetched(base: str, laptop: Store) -> str:
    """Fetch the one event there is; returns its id."""
    (event,) = listing(base)
    event_id, _ = fetch(laptop, event)
    assert event_id is not None
    return event_id


def said(store: Store, event_id: str) -> list[str]:
    """Notes and repairs that stand."""
    return [note.text for note in store.notes(event_id)] + [repair.what for repair in store.repairs(event_id)]


def test_what_is_taken_back_on_the_logger_is_taken_back_here_and_put_back_with_it(pi: Store, laptop: Store, base: str):
    event_id = pi.find("latest")
    note = pi.add_note(event_id, "smelled of petrol", "r01", 1_500_000_000)
    repair = pi.add_repair(event_id, "renewed the coil feed wire")
    fetched(base, laptop)
    pi.remove("notes", note)
    pi.remove("repairs", repair)
    fetched(base, laptop)
    assert said(laptop, event_id) == []
    pi.restore("notes", note)
    fetched(base, laptop)
    assert said(laptop, event_id) == ["smelled of petrol"]


def test_what_was_written_or_taken_back_here_stays_as_it_is_here(pi: Store, laptop: Store, base: str):
    event_id = pi.find("latest")
    pi.add_note(event_id, "rain from noon")
    fetched(base, laptop)
    laptop.remove("notes", laptop.notes(event_id)[0].id)
    laptop.add_note(event_id, "seen at home")
    laptop.add_repair(event_id, "new cap and rotor")
    pi.add_note(event_id, "dry again")
    fetched(base, laptop)
    fetched(base, laptop)
    assert said(laptop, event_id) == ["seen at home", "dry again", "new cap and rotor"]
    assert said(pi, event_id) == ["rain from noon", "dry again"]


def test_a_circumstance_changed_there_is_changed_here(pi: Store, laptop: Store, base: str):
    event_id = pi.find("latest")
    pi.enter_circumstances(event_id, {"road": "damp", "air_pressure_kpa": 97.4})
    fetched(base, laptop)
    pi.enter_circumstances(event_id, {"road": "dry"})
    fetched(base, laptop)
    assert laptop.circumstances(event_id) == {"road": "dry", "air_pressure_kpa": 97.4}


def test_a_name_follows_the_logger_until_somebody_here_gives_another(pi: Store, laptop: Store, base: str):
    event_id = pi.find("latest")
    fetched(base, laptop)
    for there, here in (("Larch Hollow", "Larch Hollow"), ("Larch Hollow 2", "Larch Hollow 2")):
        pi.rename_event(event_id, there, "bench")
        fetched(base, laptop)
        assert laptop.outline(event_id).name == here
        assert laptop.outline(event_id).kind == "bench"
    laptop.rename_event(event_id, "my best day")
    pi.rename_event(event_id, "Larch Hollow 3", "road")
    fetched(base, laptop)
    assert (laptop.outline(event_id).name, laptop.outline(event_id).kind) == ("my best day", "road")


def test_a_clock_that_was_set_later_dates_what_was_fetched_before(pi: Store, laptop: Store, base: str):
    record_another(pi, boot_id="b1", started_monotonic_ns=0)
    event_id = fetched(base, laptop)
    assert [one.started_utc for one in laptop.recordings(event_id)] == [None, None]
    begun = datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC)
    pi.set_clock("b1", 60_000_000_000, begun + timedelta(seconds=60), "browser")
    fetched(base, laptop)
    assert [one.started_utc for one in laptop.recordings(event_id)] == [None, begun]
    assert laptop.outline(event_id).started_utc == begun


def test_a_calibration_entered_later_corrects_what_was_fetched_before(pi: Store, laptop: Store, base: str):
    event_id = fetched(base, laptop)
    pi.calibrate("battery_voltage", {"unit": "V", "convert": "divider", "ratio": 12.0}, "measured at the fuse box")
    with laptop.reader(event_id, "r01") as reader:
        before, counts = reader.read("battery_voltage").value, reader.raws(reader.channels)
    fetched(base, laptop)
    with laptop.reader(event_id, "r01") as here, pi.reader(event_id, "r01") as there:
        assert here.read("battery_voltage").value.tobytes() == there.read("battery_voltage").value.tobytes()
        assert here.read("battery_voltage").value.tobytes() != before.tobytes()
        assert recordings.all_same(here.raws(here.channels), counts)
    assert [path.name for path in (laptop.data_dir / "recordings").rglob("*.*")] == ["001.sqlite"]


def test_an_event_that_came_before_arrivals_were_remembered_loses_nothing(pi: Store, laptop: Store, base: str):
    event_id = pi.find("latest")
    note = pi.add_note(event_id, "rain from noon")
    fetched(base, laptop)
    with laptop.logbook.transaction() as database:
        database.table("events").update(event_id, {"last_arrival": None})
    pi.remove("notes", note)
    pi.add_note(event_id, "dry again")
    fetched(base, laptop)
    assert said(laptop, event_id) == ["rain from noon", "dry again"]


def test_recordings_keep_the_loggers_order_whichever_came_first(pi: Store, laptop: Store, base: str):
    record_another(pi)
    (event,) = listing(base)
    fetch(laptop, replace(event, recordings=event.recordings[1:]))
    assert fetch(laptop, event) == (event.event_id, 1)
    assert [one.name for one in laptop.recordings(event.event_id)] == ["r01", "r02"]


def test_what_was_begun_of_another_event_is_still_there_to_go_on_with(pi: Store, laptop: Store, base: str):
    folder = laptop.data_dir / remote.FOLDER
    folder.mkdir()
    (folder / "1f.part").write_bytes(b"as far as it came")
    fetched(base, laptop)
    assert [path.name for path in folder.iterdir()] == ["1f.part"]


def test_a_recording_that_came_while_it_grew_is_fetched_whole(pi: Store, laptop: Store, base: str, tmp_path: Path):
    writer = recordings.write(pi.data_dir / "recordings" / "two.sqlite", 2, close=False, uuid="1f")
    write(pi, pi.find("latest"), "bundle", tmp_path / "event.zip")
    take_in(laptop, tmp_path / "event.zip")
    (event,) = listing(base)
    assert fetch(laptop, event) == (event.event_id, 0)
    writer.append(recordings.second(2))
    writer.close()
    (event,) = listing(base)
    assert fetch(laptop, event) == (event.event_id, 1)
    assert fetch(laptop, event) == (event.event_id, 0)
    with pi.reader(event.event_id, "r02") as a, laptop.reader(event.event_id, "r02") as b:
        assert recordings.all_same(a.raws(a.channels), b.raws(b.channels))


def sessions(pi: Store) -> int:
    """How many devices are logged in."""
    (given,) = pi.data_dir.rglob("given.json")
    return len(json.loads(given.read_text(encoding="utf-8"))["sessions"])


def test_the_pass_phrase_is_taken_from_the_environment_and_no_session_is_left(locked, pi, laptop, monkeypatch, capsys):
    address, pass_phrase, keys = locked
    assert keys.log_in(pass_phrase) is not None  # somebody's phone
    monkeypatch.setenv(PASS_PHRASE_VARIABLE, pass_phrase)
    assert main(["fetch", address, "--data-dir", str(laptop.data_dir)]) == 0
    assert capsys.readouterr().out.endswith(": 1 new, 0 here already\n")
    assert sessions(pi) == 1


def test_the_pass_phrase_is_asked_for_on_a_terminal(locked, laptop: Store, monkeypatch):
    address, pass_phrase, _ = locked
    asked: list[str] = []
    monkeypatch.setattr("logger.commands.fetch.getpass", lambda prompt: asked.append(prompt) or pass_phrase)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))
    assert main(["fetch", address, "--data-dir", str(laptop.data_dir)]) == 0
    assert asked == ["Pass-phrase of the logger's page: "]
    assert len(laptop.events()) == 1


def test_without_a_terminal_it_is_said_where_the_pass_phrase_may_stand(locked, laptop: Store, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: False))
    assert main(["fetch", locked[0], "--data-dir", str(laptop.data_dir)]) == 2
    said = capsys.readouterr().err
    assert "asks for its pass-phrase; run this in a terminal, or set $STUMBLELOG_PASS_PHRASE" in said
    assert said.count("\n") == 1


def test_a_wrong_pass_phrase_is_refused_in_one_line(locked, laptop: Store, monkeypatch, capsys):
    monkeypatch.setenv(PASS_PHRASE_VARIABLE, "aaaa-aaaa-aaaa")
    assert main(["fetch", locked[0], "--data-dir", str(laptop.data_dir)]) == 2
    said = capsys.readouterr().err
    assert "the pass-phrase is missing or wrong" in said
    assert ("aaaa" in said, said.count("\n")) == (False, 1)
    assert laptop.events() == []


def test_a_session_that_ends_in_the_middle_loses_nothing(locked, laptop: Store):
    address, pass_phrase, _ = locked
    log_in(address, pass_phrase)
    (event,) = listing(address)
    log_out(address)
    with pytest.raises(LogInError, match="missing or wrong"):
        fetch(laptop, event)
    assert laptop.events() == []
    log_in(address, pass_phrase)
    assert fetch(laptop, event) == (event.event_id, 1)


def test_a_logger_that_takes_its_time_over_check_sums_is_waited_for(monkeypatch: pytest.MonkeyPatch):
    asked_again = threading.Event()
    asked: list[str] = []

    class Slow(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            if len(asked) == 1:
                asked_again.wait(20.0)
                return
            asked_again.set()
            self.send_response(200)
            self.end_headers()
            self.wfile.write(a_listing(href="/r01"))

        def log_message(self, *_: object) -> None:
            """Quiet."""

    monkeypatch.setattr(remote, "TIMEOUT_S", 0.5)
    with answering(Slow) as address:
        assert [event.event_id for event in listing(address)] == ["e"]
        asked_again.clear()
        asked.clear()
        monkeypatch.setattr(remote, "MOST_TRIES", 1)
        with pytest.raises(StoreError, match=r"no answer for 0\.5 s; fetch again"):
            listing(address)
        asked_again.set()


def test_a_server_that_points_elsewhere_is_not_followed(base: str):
    class Elsewhere(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(302)
            self.send_header("Location", f"{base}api/downloads")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet."""

    with answering(Elsewhere) as address, pytest.raises(StoreError, match="answered 302"):
        listing(address)


def test_a_server_that_is_no_loggers_page_is_told_from_one_that_is_off():
    class Other(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_error(404)

        def log_message(self, *_: object) -> None:
            """Quiet."""

    with answering(Other) as address, pytest.raises(StoreError, match="answers there, but not a logger's page"):
        listing(address)


class _Liar(BaseHTTPRequestHandler):
    """A server that answers with what the test wants."""

    answers: dict[str, bytes] = {}  # noqa: RUF012

    def do_GET(self) -> None:
        body = self.answers.get(self.path)
        self.send_response(404 if body is None else 200)
        self.send_header("Content-Length", str(len(body or b"") + (10 if self.path == "/cut" else 0)))
        self.end_headers()
        self.wfile.write(body or b"")

    def log_message(self, *_: object) -> None:
        """Quiet."""


@pytest.fixture
def liar() -> Iterator[str]:
    with answering(_Liar) as address:
        yield address


def a_listing(**changes: object) -> bytes:
    body = b"x" * 20
    one = {"recording": "r01", "uuid": "0f", "size": 20, "sha256": hashlib.sha256(body).hexdigest(), "href": "/cut"}
    event = {"event_id": "e", "name": "E", "logbook": "/logbook", "n_unfinished": 0, "recordings": [{**one, **changes}]}
    return json.dumps({"events": [event]}).encode()


@pytest.mark.parametrize(
    "answer",
    [
        b"<html>",
        b"[]",
        b'{"events": [{}]}',
        a_listing(uuid="../../outside"),
        a_listing(sha256="?"),
        a_listing(href="http://127.0.0.2/elsewhere"),
        a_listing(size="many"),
    ],
)
def test_a_server_that_answers_nonsense_is_refused(liar: str, answer: bytes):
    _Liar.answers = {"/api/downloads": answer}
    with pytest.raises(StoreError, match="does not answer like stumblelog"):
        listing(liar)


def test_what_came_before_the_connection_broke_is_kept(liar: str, laptop: Store):
    _Liar.answers = {"/api/downloads": a_listing(), "/cut": b"x" * 10}
    (event,) = listing(liar)
    with pytest.raises(StoreError, match=r"fetch again, it goes on where it stopped"):
        fetch(laptop, event)
    assert (laptop.data_dir / remote.FOLDER / "0f.part").read_bytes() == b"x" * 10
    assert laptop.events() == []


@pytest.mark.parametrize(
    ("host", "url"),
    [
        ("10.42.0.1", "http://10.42.0.1:8765/"),
        ("stumblelog.local:80", "http://stumblelog.local:80/"),
        ("http://10.42.0.1/", "http://10.42.0.1/"),
        ("[::1]:9000", "http://[::1]:9000/"),
    ],
)
def test_a_host_becomes_the_address_of_its_page(host: str, url: str):
    assert base_url(host) == url


@pytest.mark.parametrize("host", ["", "ftp://car", "file:///etc/passwd", "car:port"])
def test_what_is_no_address_is_refused(host: str):
    with pytest.raises(StoreError, match=r"not .*address"):
        base_url(host)


def test_a_logger_that_is_not_there_is_said_so():
    listening = listen_on("127.0.0.1", 0)
    port = listening.getsockname()[1]
    listening.close()
    with pytest.raises(StoreError, match=r"cannot be reached: .*refused"):
        listing(base_url(f"127.0.0.1:{port}"))
