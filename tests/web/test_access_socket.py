"""The served page as the network sees it: one address, bounded requests, no way around the log-in."""

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.request import HTTPCookieProcessor, build_opener

import pytest

from logger.cli import main
from logger.store.capture_out import write_folder
from logger.store.exports.remote import LogInError, listing, log_in
from logger.store.store import Store
from tests.web.example import event, fill
from web.pass_phrase import make_pass_phrase

pytestmark = pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="needs Linux' list of sockets")
HOST = "127.0.0.2"  # a loopback address that is not the default one


@dataclass
class Served:
    """`stumblelog serve` in a process of its own."""

    process: "subprocess.Popen[str]"
    port: int
    data_dir: Path
    event_id: str
    pass_phrase: str

    @property
    def base(self) -> str:
        return f"http://{HOST}:{self.port}/"

    def say(self, *parts: bytes) -> bytes:
        """Send bytes as they are; all that comes back until the server hangs up."""
        with socket.create_connection((HOST, self.port), timeout=20) as connection:
            try:
                for part in parts:
                    connection.sendall(part)
            except (BrokenPipeError, ConnectionResetError):
                pass  # refused before all of it was sent
            answer = b""
            try:
                while chunk := connection.recv(65536):
                    answer += chunk
            except ConnectionResetError:
                pass
            return answer

    def status(self, head: str, *body: bytes) -> int:
        """The status of the answer to a request written by hand."""
        written = head.format(host=f"{HOST}:{self.port}").replace("\n", "\r\n").encode("latin-1")
        answer = self.say(written + b"Connection: close\r\n\r\n", *body)
        return int(answer.split(b" ", 2)[1]) if answer else 0


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("served")
    with Store(folder / "data") as store:
        event_id = fill(store, folder / "captured")
    pass_phrase, _ = make_pass_phrase(folder / "data", time.time())
    command = [sys.executable, "-m", "logger.cli", "serve", "--host", HOST, "--port", "0"]
    process = subprocess.Popen(
        [*command, "--data-dir", str(folder / "data")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        yield Served(process, int(address.rstrip("/").rpartition(":")[2]), folder / "data", event_id, pass_phrase)
    finally:
        process.terminate()
        _, said = process.communicate(timeout=30)
    assert "Traceback" not in said, said


def listening(pid: int) -> set[tuple[str, int]]:
    """Addresses and ports on which a process or a child of it listens, as the kernel has them."""
    pids, found, inodes = [pid], set(), set()
    for each in pids:
        # A child may end, and a new one closes what it inherited, while this reads: what is gone does not listen.
        with suppress(FileNotFoundError, ProcessLookupError):
            pids += [int(child) for child in Path(f"/proc/{each}/task/{each}/children").read_text().split()]
            for link in Path(f"/proc/{each}/fd").iterdir():
                with suppress(FileNotFoundError):
                    target = os.readlink(link)
                    if target.startswith("socket:["):
                        inodes.add(target[8:-1])
    for table, family in (
        ("tcp", socket.AF_INET),
        ("tcp6", socket.AF_INET6),
        ("udp", socket.AF_INET),
        ("udp6", socket.AF_INET6),
    ):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            _, local, _, state, *rest = line.split()
            if rest[5] in inodes and (table.startswith("udp") or state == "0A"):
                address, port = local.split(":")
                packed = b"".join(bytes.fromhex(address[at : at + 8])[::-1] for at in range(0, len(address), 8))
                found.add((socket.inet_ntop(family, packed), int(port, 16)))
    return found


def test_nothing_listens_on_more_than_was_asked_for(served: Served) -> None:
    assert served.status("GET /log-in HTTP/1.1\nHost: {host}\n") == 200
    assert listening(served.process.pid) == {(HOST, served.port)}
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", served.port), timeout=5)


def test_a_device_on_this_machine_logs_in_like_any_other(served: Served) -> None:
    with pytest.raises(LogInError, match="missing or wrong"):
        listing(served.base)
    with pytest.raises(LogInError, match="missing or wrong"):
        log_in(served.base, "aaaa-aaaa-aaaa")
    log_in(served.base, served.pass_phrase)
    (event,) = listing(served.base)
    assert event.event_id == served.event_id


def test_recordings_are_fetched_with_the_pass_phrase(
    served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    no_cookies = build_opener(HTTPCookieProcessor())
    monkeypatch.setattr("logger.store.exports.remote._OPENER", no_cookies)
    monkeypatch.setenv("STUMBLELOG_PASS_PHRASE", served.pass_phrase)
    assert main(["fetch", f"{HOST}:{served.port}", "--data-dir", str(tmp_path)]) == 0
    assert "3 new" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("head", "body", "status"),
    [
        ("POST /log-in HTTP/1.1\nHost: {host}\nTransfer-Encoding: chunked\n", b"5\r\nto=/x\r\n0\r\n\r\n", 413),
        ("POST /log-in HTTP/1.1\nHost: {host}\nTransfer-Encoding: gzip, chunked\n", b"0\r\n\r\n", 0),
        ("POST /log-in HTTP/1.1\nHost: {host}\nContent-Length: 1000001\n", b"x" * 1000001, 413),
        ("POST /log-in HTTP/1.1\nHost: {host}\nContent-Length: -1\n", b"", 0),
        ("POST /log-in HTTP/1.1\nHost: {host}\nContent-Length: 5\nContent-Length: 6\n", b"to=/x", 0),
        ("POST /log-in HTTP/1.1\nHost: {host}\nContent-Length: 5\nTransfer-Encoding: chunked\n", b"0\r\n\r\n", 413),
        ("GET /log-in HTTP/1.1\nHost: {host}\nCookie: " + "x" * 2000000 + "\n", b"", 400),
        ("GET /" + "x" * 2000000 + " HTTP/1.1\nHost: {host}\n", b"", 400),
        ("GET /log-in HTTP/1.1\nHost: elsewhere.example\n", b"", 421),
        ("GET /log-in HTTP/1.1\nHost: {host}\nHost: elsewhere.example\n", b"", 400),
        ("GET /log-in HTTP/1.1\n", b"", 400),
        ("GET http://elsewhere.example/ HTTP/1.1\nHost: {host}\n", b"", 401),
        ("GET /static/../api/events HTTP/1.1\nHost: {host}\n", b"", 404),
        ("GET /static/%2e%2e/%2e%2e/pyproject.toml HTTP/1.1\nHost: {host}\n", b"", 404),
        ("GET /static//etc/passwd HTTP/1.1\nHost: {host}\n", b"", 404),
        ("GET /static/%00 HTTP/1.1\nHost: {host}\n", b"", 404),
        ("GET //api/events HTTP/1.1\nHost: {host}\n", b"", 401),
        ("GET /api/now/stream HTTP/1.1\nHost: {host}\nUpgrade: websocket\nConnection: Upgrade\n", b"", 401),
    ],
)
def test_requests_written_by_hand_are_refused(served: Served, head: str, body: bytes, status: int) -> None:
    said = served.status(head, body)
    assert said == (status or said)
    assert 400 <= said < 500


def test_an_endless_body_is_not_read(served: Served) -> None:
    head = b"POST /api/log-in HTTP/1.1\r\nHost: 127.0.0.2\r\nTransfer-Encoding: chunked\r\n\r\n"
    chunk = b"10000\r\n" + b"x" * 65536 + b"\r\n"
    with socket.create_connection((HOST, served.port), timeout=20) as connection:
        connection.sendall(head)
        with pytest.raises((BrokenPipeError, ConnectionResetError)):
            connection.sendall(chunk * 800)  # 50 MB, if anybody took them


def test_a_device_that_has_left_is_noticed(served: Served) -> None:
    """The kernel's timer of an idle connection is the one that asks after the other side (02), not none (00)."""
    assert served.status("GET /log-in HTTP/1.1\nHost: {host}\n") == 200  # it has begun by now
    with socket.create_connection((HOST, served.port), timeout=20) as connection:
        ours = f"{connection.getsockname()[1]:04X}"
        lines = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        (timer,) = [
            line[5] for line in lines if line[1].endswith(f":{served.port:04X}") and line[2].endswith(f":{ours}")
        ]
    assert timer.startswith("02:")


def test_the_head_of_a_request_cannot_name_another_address_for_the_tries(served: Served) -> None:
    body = json.dumps({"pass_phrase": "wrong"})
    said = [
        served.status(
            "POST /api/log-in HTTP/1.1\nHost: {host}\nContent-Type: application/json\n"
            f"X-Forwarded-For: 10.42.0.{n}\nForwarded: for=10.42.0.{n}\nContent-Length: {len(body)}\n",
            body.encode(),
        )
        for n in range(7)
    ]
    assert said[-1] == 429


def test_the_name_of_the_server_is_not_told(served: Served) -> None:
    assert b"uvicorn" not in served.say(b"GET /log-in HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")


# The command


class Elsewhere:
    """A socket that listens where others can reach it, as far as the command can see."""

    def __enter__(self) -> "Elsewhere":
        return self

    def __exit__(self, *exc: object) -> None: ...

    def getsockname(self) -> tuple[str, int]:
        return ("10.42.0.1", 8765)


@pytest.fixture
def elsewhere(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """The keys with which the page would be served there."""
    served_with: list[object] = []
    monkeypatch.setattr("logger.commands.serve.listen_on", lambda host, port: Elsewhere())
    monkeypatch.setattr("logger.commands.serve.end_on_sigterm", lambda: None)
    monkeypatch.setattr("logger.commands.serve.worker_beside", lambda data_dir: Elsewhere())
    monkeypatch.setattr("logger.commands.serve.serve", lambda *arguments: served_with.append(arguments[-1]))
    return served_with


def test_others_are_not_let_in_without_a_pass_phrase(
    elsewhere: list[object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--host", "10.42.0.1", "--data-dir", str(tmp_path)]) == 2
    assert capsys.readouterr().err == (
        "stumblelog serve: listening on 10.42.0.1 lets others in, and no pass-phrase is set: make one with "
        "stumblelog serve --new-pass-phrase, or say --open to ask nobody\n"
    )
    assert elsewhere == []


def test_others_are_not_shown_a_bundle_unless_it_was_said(
    elsewhere: list[object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_folder(event(), tmp_path / "day")
    assert main(["serve", str(tmp_path / "day"), "--host", "10.42.0.1"]) == 2
    said = capsys.readouterr().err
    assert (
        f"on 10.42.0.1 everybody who reaches this machine could open {tmp_path / 'day'}, without a pass-phrase" in said
    )
    assert "say --open if they may, or leave --host out" in said
    assert main(["serve", str(tmp_path / "day"), "--host", "10.42.0.1", "--open"]) == 0
    assert f"Everybody who reaches this address sees {tmp_path / 'day'}" in capsys.readouterr().err
    assert elsewhere == [None]


def test_others_are_let_in_with_a_pass_phrase_or_where_it_was_said_knowingly(
    elsewhere: list[object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--host", "10.42.0.1", "--open", "--data-dir", str(tmp_path)]) == 0
    assert "enters notes and repairs and changes calibrations, without a pass-phrase" in capsys.readouterr().err
    make_pass_phrase(tmp_path, 0.0)
    assert main(["serve", "--host", "10.42.0.1", "--data-dir", str(tmp_path)]) == 0
    assert elsewhere[0] is None
    assert type(elsewhere[1]).__name__ == "Keys"


def test_a_new_pass_phrase_is_shown_with_a_code_to_scan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--new-pass-phrase", "--host", "10.42.0.1", "--data-dir", str(tmp_path / "data")]) == 0
    said = capsys.readouterr().out
    assert "Page:        http://10.42.0.1:8765/\n" in said
    assert "http://10.42.0.1:8765/log-in?once=" in said
    assert said.count("█") > 100
    assert (tmp_path / "data" / "access" / "pass-phrase.json").is_file()


def test_a_code_that_no_phone_could_use_is_not_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--new-pass-phrase", "--data-dir", str(tmp_path)]) == 0
    assert "█" not in capsys.readouterr().out
