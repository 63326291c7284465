"""Who may ask by which name, whose writes are taken, which headers go out."""

import re
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

import web
from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from web.app import create_app
from web.guard import Guard


async def nothing(scope: object, receive: object, send: object) -> None: ...


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8080", "localhost", "[::1]:80", "10.42.0.1", "169.254.3.9:8080", "STUMBLELOG.local"]
)
def test_our_own_names_and_plain_addresses_are_answered(host: str) -> None:
    assert Guard(nothing).knows_host(host)


@pytest.mark.parametrize(
    "host",
    [
        "",
        "elsewhere.example",
        "localhost.elsewhere.example",
        "[::1",
        "127.0.0.1.elsewhere.example",
        "somebody@127.0.0.1",
        "127.0.0.1/elsewhere.example",
        "localhost\n",
        "127.0.0.1:port",
    ],
)
def test_other_names_are_not_answered(host: str) -> None:
    assert not Guard(nothing).knows_host(host)


def test_a_name_given_at_the_start_is_answered() -> None:
    assert Guard(nothing, ["Van.lan"]).knows_host("van.lan:8080")


def test_a_strange_host_gets_the_error_shape(client: Client) -> None:
    assert_error(client.get("/api/events", headers={"Host": "elsewhere.example"}), 421)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "null"},
        {"Origin": "http://[::1"},
        {"Origin": "http://somebody@127.0.0.1"},
    ],
)
def test_a_write_from_another_page_is_refused(client: Client, headers: dict[str, str]) -> None:
    assert_error(client.post("/api/events", json={}, headers=headers), 403)


def test_a_body_without_end_is_refused(client: Client) -> None:
    async def endless() -> AsyncIterator[bytes]:
        yield b"x"

    assert_error(client.post("/api/events", content=endless()), 413)


@pytest.mark.parametrize("length", ["1000001", "9" * 5000, "-1", "", "\u00b2", "1e3", "0x10"])
def test_a_length_that_is_none_or_too_long_is_refused(client: Client, length: str) -> None:
    answer = client.post("/api/events", content=b"x", headers={b"Content-Length": length.encode("latin-1")})
    assert_error(answer, 413)
    assert answer.headers["connection"] == "close", "the body is not read either"


@pytest.mark.parametrize("path", ["/events", "/api/events", "/static/sl.css", "/nothing/here/at/all/x"])
def test_every_answer_carries_the_security_headers(client: Client, path: str) -> None:
    headers = client.get(path).headers
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"


def test_even_an_error_that_nobody_foresaw_carries_them(
    filled: tuple[Store, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_down(*_: object, **__: object) -> None:
        raise RuntimeError("nobody foresaw this")

    monkeypatch.setattr(filled[0], "events", break_down)
    answer = Client(create_app(filled[0]), raises=False).get("/api/events")
    assert_error(answer, 500)
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_no_template_holds_what_the_policy_would_block() -> None:
    for path in (Path(web.__file__).parent / "templates").glob("*.html"):
        source = path.read_text(encoding="utf-8")
        if path.name in ("report_file.html", "card.html"):  # opened from a file they must bring their style along
            source = source.replace("<style>{{ css }}</style>", "")
        assert not re.search(r"\sstyle=|\son[a-z]+=|<style|javascript:|https?://", source), path.name
        for script in re.findall(r"<script[^>]*>", source):
            assert "src=" in script or "application/json" in script, f"{path.name}: {script}"
