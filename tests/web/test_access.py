"""Who is let in: the pass-phrase, the sessions it opens, the links that are given away, and how often one may try."""

import asyncio
import errno
import os
import stat
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest

from logger.errors import StoreError
from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from web import access_keys
from web.access import Visitor, is_anybodys, may
from web.access_keys import MOST_LINKS, MOST_SESSIONS, SESSION_S, Keys
from web.app import create_app
from web.login_tries import AT_ONCE, EVERY_S, MOST_ADDRESSES, Tries
from web.pass_phrase import DAY_S, ONCE_S, make_pass_phrase

HTML = {"Accept": "text/html"}


class Clock:
    """Wall clock and uptime of an invented Pi, moved by hand."""

    def __init__(self) -> None:
        self.wall_s, self.up_s = 1_800_000_000.0, 0.0

    def go_on(self, seconds: float) -> None:
        self.wall_s += seconds
        self.up_s += seconds


@dataclass
class Device:
    """A browser or program with its cookies."""

    client: Client
    cookies: dict[str, str] = field(default_factory=dict)

    def ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        answer = self.client.request(method, path, headers=headers | options.pop("headers", {}), **options)
        for line in answer.headers.get_list("set-cookie"):
            for name, morsel in SimpleCookie(line).items():
                if morsel["max-age"] == "0":
                    self.cookies.pop(name, None)
                else:
                    self.cookies[name] = morsel.value
        return answer

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.ask("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.ask("POST", path, **options)


@dataclass
class Locked:
    """A page with a pass-phrase, its store (only read) and its one event. folder: where the keys are."""

    client: Client
    store: Store
    event_id: str
    folder: Path
    clock: Clock
    pass_phrase: str
    once: str

    def device(self) -> Device:
        return Device(self.client)

    def owner(self) -> Device:
        device = self.device()
        assert device.post("/log-in", data={"pass_phrase": self.pass_phrase}).status_code == 303
        return device


@pytest.fixture
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashing that takes no time, where it is not what is tested."""
    monkeypatch.setattr("web.pass_phrase.SCRYPT", {"n": 2, "r": 1, "p": 1})


@pytest.fixture
def locked(filled: tuple[Store, str], cheap: None, tmp_path: Path) -> Locked:
    store, event_id = filled
    clock = Clock()
    pass_phrase, once = make_pass_phrase(tmp_path, clock.wall_s)
    keys = Keys(tmp_path, lambda: clock.wall_s, lambda: clock.up_s)
    client = Client(create_app(store, tmp_path / "run", keys=keys), raises=False)
    return Locked(client, store, event_id, tmp_path, clock, pass_phrase, once)


@pytest.fixture
def keys_of(tmp_path: Path, cheap: None) -> tuple[Callable[[], Keys], Clock, str]:
    """Opens the keys anew, as each start of the server does."""
    clock = Clock()
    pass_phrase, _ = make_pass_phrase(tmp_path, clock.wall_s)
    return lambda: Keys(tmp_path, lambda: clock.wall_s, lambda: clock.up_s), clock, pass_phrase


# The pass-phrase on file


def test_only_the_pages_user_can_read_the_files(tmp_path: Path) -> None:
    pass_phrase, once = make_pass_phrase(tmp_path, 0.0)
    Keys(tmp_path).log_in(pass_phrase)
    folder = tmp_path / "access"
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in [folder, *folder.iterdir()]}
    assert modes == {"access": 0o700, "pass-phrase.json": 0o600, "given.json": 0o600}
    kept = "".join(path.read_text() for path in folder.iterdir())
    assert pass_phrase not in kept
    assert pass_phrase.replace("-", "") not in kept
    assert once not in kept


def test_the_hash_is_scrypt_with_the_stated_parameters(tmp_path: Path) -> None:
    """N 16384, r 8, p 5, checked against OpenSSL's through hashlib with the parameters written out."""
    import hashlib
    import json

    pass_phrase, _ = make_pass_phrase(tmp_path, 0.0)
    kept = json.loads((tmp_path / "access" / "pass-phrase.json").read_text())
    plain, salt = pass_phrase.replace("-", "").encode(), bytes.fromhex(kept["salt"])
    expected = hashlib.scrypt(plain, salt=salt, n=16384, r=8, p=5, maxmem=64 << 20, dklen=32)
    assert (kept["hash"], len(salt)) == (expected.hex(), 16)


def test_a_pass_phrase_has_twelve_letters_that_read_like_no_other(tmp_path: Path, cheap: None) -> None:
    made = {make_pass_phrase(tmp_path, 0.0)[0] for _ in range(20)}
    assert len(made) == 20
    assert all([len(group) for group in one.split("-")] == [4, 4, 4] for one in made)
    assert not set("".join(made)) & set("ilo01")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
@pytest.mark.parametrize(("uid", "name"), [(65534, "nobody"), (123456, "'#123456'")])
def test_a_pass_phrase_is_not_made_in_somebody_elses_folder(tmp_path: Path, uid: int, name: str) -> None:
    os.chown(tmp_path, uid, -1)
    with pytest.raises(StoreError, match=f"belongs to {name}; begin with: sudo -u {name}"):
        make_pass_phrase(tmp_path, 0.0)
    assert not (tmp_path / "access").exists()


def test_damaged_files_let_nobody_in(locked: Locked) -> None:
    owner = locked.owner()
    (locked.folder / "access" / "given.json").write_text("{}")
    said = assert_error(owner.get("/api/events"), 503)
    assert "given.json" in str(said["what"])


def test_a_pass_phrase_that_was_deleted_lets_nobody_in(locked: Locked) -> None:
    owner = locked.owner()
    (locked.folder / "access" / "pass-phrase.json").unlink()
    assert_error(owner.get("/api/events"), 401)
    assert_error(locked.device().post("/api/log-in", json={"pass_phrase": locked.pass_phrase}), 401)


# Nobody


@pytest.mark.parametrize(
    "path", ["/api/events", "/api/openapi.json", "/api/now/stream", "/api/nothing", "/events", "/static", "/log-out"]
)
def test_nobody_sees_anything_before_the_log_in(locked: Locked, path: str) -> None:
    assert_error(locked.device().get(path), 401)


def test_people_are_sent_to_the_log_in_and_back(locked: Locked) -> None:
    device = locked.device()
    wanted = f"/events/{locked.event_id}?removed=notes/1"
    sent = device.get(wanted, headers=HTML)
    assert sent.status_code == 303
    page = device.get(sent.headers["location"], headers=HTML)
    assert f'value="{wanted}"' in page.text
    answer = device.post("/log-in", data={"pass_phrase": locked.pass_phrase, "to": wanted})
    assert (answer.status_code, answer.headers["location"]) == (303, wanted)
    assert device.get(wanted, headers=HTML).status_code == 200


@pytest.mark.parametrize(
    "to", ["//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "/\t/x", ""]
)
def test_the_way_back_never_leads_elsewhere(locked: Locked, to: str) -> None:
    answer = locked.device().post("/log-in", data={"pass_phrase": locked.pass_phrase, "to": to})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


def test_the_safety_text_is_for_everybody_and_keeps_the_owner_logged_in(locked: Locked) -> None:
    nobody, owner = locked.device().get("/safety", headers=HTML), locked.owner().get("/safety", headers=HTML)
    assert (nobody.status_code, owner.status_code) == (200, 200)
    assert ('action="/log-out"' in nobody.text, 'action="/log-out"' in owner.text) == (False, True)


def test_a_reader_can_still_log_in(locked: Locked) -> None:
    reader = shared(locked)
    assert 'class="sl-reader"' not in reader.get("/log-in", headers=HTML).text
    assert reader.post("/log-in", data={"pass_phrase": locked.pass_phrase}).status_code == 303
    assert reader.get("/api/events").status_code == 200


def test_only_the_log_in_needs_no_key() -> None:
    assert is_anybodys("GET", "/log-in")
    assert is_anybodys("GET", "/static/sl.css")
    assert is_anybodys("GET", "/shared/abc")
    for method, path in [
        ("POST", "/static/x"),
        ("PUT", "/log-in"),
        ("GET", "/log-in/"),
        ("POST", "/shared/a"),
        ("GET", "/"),
    ]:
        assert not is_anybodys(method, path)


# Sessions


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(locked: Locked) -> None:
    answer = locked.device().post("/log-in", data={"pass_phrase": locked.pass_phrase})
    said = answer.headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=strict" in said
    assert f"max-age={round(SESSION_S)}" in said


def test_capitals_spaces_and_hyphens_do_not_matter(locked: Locked) -> None:
    typed = f" {locked.pass_phrase.upper().replace('-', ' ')} "
    assert locked.device().post("/log-in", data={"pass_phrase": typed}).status_code == 303


def test_a_wrong_pass_phrase_is_said_and_opens_nothing(locked: Locked) -> None:
    device = locked.device()
    answer = device.post("/log-in", data={"pass_phrase": "aaaa-aaaa-aaaa"})
    assert answer.status_code == 401
    assert "That is not the pass-phrase" in answer.text
    assert device.cookies == {}


@pytest.mark.parametrize("token", ["", "x", "A" * 43, "é" * 10, "a" * 4000])
def test_a_forged_cookie_opens_nothing(locked: Locked, token: str) -> None:
    locked.owner()
    for name in ("sl_session", "sl_link"):
        cookie = f"{name}={token}".encode("latin-1")
        assert_error(locked.client.get("/api/events", headers={b"Cookie": cookie}), 401)


def test_a_program_logs_in_and_out(locked: Locked) -> None:
    program = locked.device()
    assert program.post("/api/log-in", json={"pass_phrase": locked.pass_phrase}).status_code == 204
    assert program.get("/api/events").status_code == 200
    before = dict(program.cookies)
    assert program.post("/api/log-out").status_code == 204
    program.cookies = before  # a copy of the cookie is worth nothing either
    assert_error(program.get("/api/events"), 401)


def test_live_values_end_with_the_session(locked: Locked) -> None:
    owner, keys = locked.owner(), locked.client.transport.app.state.access.keys
    token = owner.cookies["sl_session"]
    head = [(b"host", b"127.0.0.1"), (b"cookie", f"sl_session={token}".encode())]
    scope = {"type": "http", "method": "GET", "path": "/api/now/stream", "query_string": b"", "headers": head}
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, str]:
        return await asyncio.Future()  # the device stays

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)
        if message.get("body"):
            keys.log_out(token)

    with ThreadPoolExecutor(1) as thread:
        thread.submit(
            lambda: asyncio.run(asyncio.wait_for(locked.client.transport.app(scope, receive, send), 20))
        ).result()
    assert (sent[0]["status"], sent[-1]["more_body"]) == (200, False)


def test_a_session_holds_over_a_restart_and_ends_after_thirty_days(
    keys_of: tuple[Callable[[], Keys], Clock, str],
) -> None:
    opened, clock, pass_phrase = keys_of
    token = opened().log_in(pass_phrase)
    assert token is not None
    clock.go_on(29.9 * DAY_S)
    assert opened().is_session(token)
    clock.go_on(0.2 * DAY_S)
    assert not opened().is_session(token)


def test_a_clock_that_starts_anew_at_each_boot_makes_no_session_last(
    keys_of: tuple[Callable[[], Keys], Clock, str],
) -> None:
    opened, clock, pass_phrase = keys_of
    token = opened().log_in(pass_phrase)
    assert token is not None
    started_s, n_boots = clock.wall_s, 0
    while (keys := opened()).is_session(token):
        clock.wall_s, n_boots = started_s, n_boots + 1
        keys = opened()
        for _ in range(8):
            clock.go_on(3600.1)
            if keys.is_time_to_write():
                keys.write_time()
        assert n_boots < 100
    assert n_boots == 90  # of eight hours each: thirty days


def test_a_new_pass_phrase_ends_sessions_and_links(locked: Locked) -> None:
    owner = locked.owner()
    link = owner.post(f"/api/links/{locked.event_id}", json={}).json()
    make_pass_phrase(locked.folder, locked.clock.wall_s)
    assert_error(owner.get("/api/events"), 401)
    assert_error(locked.device().get(link["href"]), 404)
    assert_error(locked.device().post("/api/log-in", json={"pass_phrase": locked.pass_phrase}), 401)


def test_the_oldest_session_gives_way_to_one_too_many(keys_of: tuple[Callable[[], Keys], Clock, str]) -> None:
    opened, _, pass_phrase = keys_of
    keys = opened()
    tokens = [keys.log_in(pass_phrase) or "" for _ in range(MOST_SESSIONS + 1)]
    assert [keys.is_session(token) for token in tokens] == [False] + [True] * MOST_SESSIONS


def test_on_a_card_that_takes_nothing_the_owner_gets_in_all_the_same(
    locked: Locked, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = locked.owner().post(f"/api/links/{locked.event_id}", json={}).json()

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(access_keys, "replace_file", refuse)
    owner = locked.owner()
    locked.clock.go_on(3601)  # time to put on file how late it is
    assert owner.get("/api/events").status_code == 200
    said = assert_error(owner.ask("DELETE", f"/api/links/{locked.event_id}/{link['link_id']}"), 503)
    assert "Read-only file system" in str(said["what"])  # it would hold again after a restart
    assert_error(locked.device().get(link["href"]), 404)
    assert_error(locked.device().post("/log-in", data={"once": locked.once}), 503)


# The address shown with the pass-phrase


def test_the_scanned_code_logs_one_device_in_once(locked: Locked) -> None:
    device = locked.device()
    page = device.get(f"/log-in?once={locked.once}", headers=HTML)
    assert page.status_code == 200
    assert "pass_phrase" not in page.text
    assert device.cookies == {}  # looking, as a previewer does, does not use it up
    assert device.post("/log-in", data={"once": locked.once}).status_code == 303
    assert device.get("/api/events").status_code == 200
    assert locked.device().post("/log-in", data={"once": locked.once}).status_code == 401


def test_the_scanned_code_is_too_old_after_a_day(locked: Locked) -> None:
    locked.clock.go_on(ONCE_S)
    assert locked.device().post("/log-in", data={"once": locked.once}).status_code == 401


# Tries


def test_five_tries_at_once_then_one_every_ten_seconds() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    assert [tries.wait_s("10.42.0.9") for _ in range(AT_ONCE)] == [0.0] * AT_ONCE
    assert tries.wait_s("10.42.0.9") == EVERY_S
    now[0] = 4.0
    assert tries.wait_s("10.42.0.9") == 6.0
    now[0] = 10.0
    assert tries.wait_s("10.42.0.9") == 0.0
    assert tries.wait_s("10.42.0.9") == EVERY_S
    assert tries.wait_s("10.42.0.10") == 0.0, "another device is not held up"


def test_whoever_keeps_trying_never_waits_longer_than_ten_seconds() -> None:
    now = [0.0]
    tries = Tries(lambda: now[0])
    waits = []
    for _ in range(10_000):
        waits.append(tries.wait_s("10.42.0.9"))
        now[0] += 0.25
    assert max(waits) <= EVERY_S
    assert sum(wait == 0.0 for wait in waits) == AT_ONCE + 2500 / EVERY_S - 1


def test_tries_take_bounded_memory() -> None:
    tries = Tries(lambda: 0.0)
    for n in range(5 * MOST_ADDRESSES):
        tries.wait_s(f"10.{n >> 16}.{n >> 8 & 255}.{n & 255}")
    assert len(tries) == MOST_ADDRESSES


def test_all_addresses_that_a_device_may_pick_count_as_one() -> None:
    tries = Tries(lambda: 0.0)
    waits = [tries.wait_s(f"fe80::{n:x}%wlan0") for n in range(AT_ONCE + 1)]
    assert waits == [0.0] * AT_ONCE + [EVERY_S]


def test_one_try_too_many_is_told_how_long_to_wait_and_the_right_one_must_wait_too(locked: Locked) -> None:
    device = locked.device()
    for _ in range(AT_ONCE):
        device.post("/api/log-in", json={"pass_phrase": "wrong"})
    answer = device.post("/api/log-in", json={"pass_phrase": locked.pass_phrase})
    assert_error(answer, 429)
    assert 1 <= int(answer.headers["retry-after"]) <= EVERY_S
    page = device.post("/log-in", data={"pass_phrase": locked.pass_phrase})
    assert page.status_code == 429
    assert "wait 10 s" in page.text


def test_an_owner_who_is_logged_in_or_scans_the_code_is_not_held_up(locked: Locked) -> None:
    owner = locked.owner()
    for _ in range(AT_ONCE + 1):
        locked.device().post("/api/log-in", json={"pass_phrase": "wrong"})
    assert owner.get("/api/events").status_code == 200
    assert locked.device().post("/log-in", data={"once": locked.once}).status_code == 303


def test_of_many_tries_at_once_one_is_hashed_at_a_time_and_only_a_few_wait(
    locked: Locked, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From twelve addresses at once: one is hashed, seven wait, four are told to come back; the page goes on."""
    at_once, most = [0], [0]

    def hash_slowly(self: Keys, pass_phrase: str) -> None:
        at_once[0] += 1
        most[0] = max(most[0], at_once[0])
        assert gate.wait(20)
        at_once[0] -= 1

    gate = threading.Event()
    monkeypatch.setattr(Keys, "log_in", hash_slowly)
    app = locked.client.transport.app

    async def ask(n: int, method: str = "POST", path: str = "/api/log-in") -> int:
        transport = httpx.ASGITransport(app, client=(f"10.42.0.{n}", 1))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return (await client.request(method, path, json={"pass_phrase": "x"})).status_code

    async def ask_all() -> tuple[list[int], int]:
        tries = [asyncio.create_task(ask(n)) for n in range(12)]
        refused = [await first for first in islice(asyncio.as_completed(tries), 4)]
        meanwhile = await ask(99, "GET", "/log-in")
        gate.set()
        return refused + [await each for each in tries if not each.done()], meanwhile

    with ThreadPoolExecutor(1) as thread:
        said, meanwhile = thread.submit(lambda: asyncio.run(ask_all())).result()
    assert said == [429] * 4 + [401] * 8
    assert (meanwhile, most[0]) == (200, 1)


# Links to one event


def shared(locked: Locked, **wish: Any) -> Device:
    link = locked.owner().post(f"/api/links/{locked.event_id}", json=wish)
    assert link.status_code == 201
    reader = locked.device()
    answer = reader.get(link.json()["href"], headers=HTML)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/events/{locked.event_id}")
    assert "httponly" in answer.headers["set-cookie"].lower()
    return reader


def test_a_link_shows_its_event(locked: Locked) -> None:
    reader, event = shared(locked), f"/events/{locked.event_id}"
    for rest in ("", "/report", "/r02/at/20.0", "/day", "/superposed", "/report.html"):
        assert reader.get(event + rest, headers=HTML).status_code == 200, rest
    for rest in ("", "/report", "/recordings/r02", "/revision", "/findings", "/day", "/logbook"):
        assert reader.get(f"/api{event}{rest}").status_code == 200, rest
    for path in ("/cards/mixture", "/safety"):
        assert reader.get(path, headers=HTML).status_code == 200, path


def test_a_link_shows_nothing_else(locked: Locked) -> None:
    reader, event_id = shared(locked), locked.event_id
    for path in ("events", "events/other", "downloads", "now", "now/stream", "bench", "openapi.json", "exports/1"):
        assert_error(reader.get(f"/api/{path}"), 403)
    for path in ("/now", "/settings", "/bench", "/events/other", f"/events/{event_id}x", f"/links/{event_id}"):
        assert_error(reader.get(path), 403)
    for path in (f"/api/links/{event_id}", f"/api//events/{event_id}", f"//events/{event_id}", "/api/downloads/"):
        assert_error(reader.get(path), 403)


def test_the_list_of_events_leads_a_reader_to_the_one_event(locked: Locked) -> None:
    reader = shared(locked)
    for path in ("/", "/events"):
        answer = reader.get(path, headers=HTML)
        assert (answer.status_code, answer.headers["location"]) == (303, f"/events/{locked.event_id}")


def test_a_link_changes_nothing(locked: Locked) -> None:
    reader = shared(locked)
    for rest in ("notes", "name", "repairs", "entries/notes/1", "exports", "circumstances", "runs"):
        for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
            for base in ("/api/events", "/events"):
                path = f"{base}/{locked.event_id}/{rest}"
                assert_error(reader.ask(method, path, json={"text": "x", "what": "x"}), 403)
    assert locked.store.notes(locked.event_id) == []


def test_a_link_ends_when_it_was_said_to(locked: Locked) -> None:
    reader = shared(locked, days=1)
    locked.clock.go_on(DAY_S - 1)
    assert reader.get(f"/api/events/{locked.event_id}").status_code == 200
    locked.clock.go_on(1)
    assert_error(reader.get(f"/api/events/{locked.event_id}"), 401)


def test_a_link_is_listed_and_can_be_withdrawn(locked: Locked) -> None:
    reader, owner = shared(locked, name="the garage"), locked.owner()
    (listed,) = owner.get(f"/api/links/{locked.event_id}").json()
    assert (listed["name"], listed["href"]) == ("the garage", None)
    assert owner.ask("DELETE", f"/api/links/other/{listed['link_id']}").status_code == 404
    assert owner.ask("DELETE", f"/api/links/{locked.event_id}/{listed['link_id']}").status_code == 204
    assert_error(reader.get(f"/api/events/{locked.event_id}"), 401)
    assert owner.get(f"/api/links/{locked.event_id}").json() == []


def test_the_form_shows_a_new_link_once_with_a_code_to_scan(locked: Locked) -> None:
    owner = locked.owner()
    page = owner.post(f"/links/{locked.event_id}", data={"days": "7", "name": "the garage"}, headers=HTML)
    assert page.status_code == 200
    assert "http://127.0.0.1/shared/" in page.text
    assert 'src="data:image/svg+xml' in page.text
    again = owner.get(f"/links/{locked.event_id}", headers=HTML)
    assert "/shared/" not in again.text
    assert "the garage" in again.text
    answer = owner.post(f"/links/{locked.event_id}/1/withdraw")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/links/{locked.event_id}")


@pytest.mark.parametrize("days", ["0", "8", "-1", "1000000000", "x"])
def test_a_link_holds_one_seven_or_thirty_days(locked: Locked, days: str) -> None:
    assert locked.owner().post(f"/links/{locked.event_id}", data={"days": days}).status_code == 422


def test_a_link_to_no_event_is_not_made(locked: Locked) -> None:
    assert_error(locked.owner().post("/api/links/other", json={}), 404)


def test_links_are_bounded(keys_of: tuple[Callable[[], Keys], Clock, str]) -> None:
    opened, clock, _ = keys_of
    keys = opened()
    for _ in range(MOST_LINKS):
        keys.share("event", "", 1)
    with pytest.raises(StoreError, match="withdraw some first"):
        keys.share("event", "", 1)
    clock.go_on(DAY_S)  # those that have ended do not count
    link, _ = keys.share("event", "", 1)
    assert link.link_id == MOST_LINKS + 1


def test_a_reader_may_read_one_event_and_nothing_that_only_looks_like_it() -> None:
    reader = Visitor("reader", "day")
    assert may(reader, "GET", "/events/day/r01/whole")
    assert may(reader, "HEAD", "/api/events/day")
    for path in (
        "/events",
        "/events/",
        "/events/day2",
        "/apievents/day",
        "/api/api/events/day",
        "//events/day",
        "/EVENTS/day",
    ):
        assert not may(reader, "GET", path)
    assert may(Visitor("owner"), "DELETE", "/anything")


# What a page shows


def test_pages_show_each_visitor_what_is_theirs(locked: Locked) -> None:
    path = f"/events/{locked.event_id}"
    owner, reader = locked.owner().get(path, headers=HTML).text, shared(locked).get(path, headers=HTML).text
    assert 'action="/log-out"' in owner
    assert f'href="/links/{locked.event_id}"' in owner
    assert 'class="sl-reader"' not in owner
    assert 'action="/log-out"' not in reader
    assert 'class="sl-reader"' in reader


def test_a_page_without_pass_phrase_asks_nobody_and_offers_no_log_out(
    client: Client, filled: tuple[Store, str]
) -> None:
    page = client.get(f"/events/{filled[1]}", headers=HTML)
    assert page.status_code == 200
    assert "/log-out" not in page.text
    assert "/links/" not in page.text
    assert client.get("/log-in").status_code == 404
