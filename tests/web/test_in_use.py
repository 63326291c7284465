"""The recorder is told that the page is in use, by whoever may use it."""

from pathlib import Path

import pytest

from logger.recorder.viewers import NAME
from logger.store.store import Store
from tests.web.client import Client
from web.access_keys import Keys
from web.app import create_app
from web.pass_phrase import make_pass_phrase


@pytest.fixture
def run_dir(tmp_path: Path) -> Path:
    (tmp_path / "run").mkdir()
    return tmp_path / "run"


@pytest.mark.parametrize("path", ["/", "/api/events", "/now"])
def test_any_page_that_is_shown_says_so(filled: tuple[Store, str], run_dir: Path, path: str) -> None:
    assert Client(create_app(filled[0], run_dir)).get(path).status_code < 400
    assert (run_dir / NAME).exists()


def test_who_is_not_let_in_keeps_nothing_awake(
    filled: tuple[Store, str], run_dir: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("web.pass_phrase.SCRYPT", {"n": 2, "r": 1, "p": 1})
    pass_phrase, _ = make_pass_phrase(tmp_path, 0.0)
    client = Client(create_app(filled[0], run_dir, keys=Keys(tmp_path)))
    assert client.get("/api/events").status_code == 401
    assert client.get("/log-in").status_code == 200
    assert client.get("/", headers={"Host": "elsewhere.example"}).status_code == 421
    assert not (run_dir / NAME).exists()
    cookies = client.post("/log-in", data={"pass_phrase": pass_phrase}).headers["set-cookie"].split(";")[0]
    assert client.get("/api/events", headers={"Cookie": cookies}).status_code == 200
    assert (run_dir / NAME).exists()


def test_a_page_without_a_recorder_tells_nobody(filled: tuple[Store, str]) -> None:
    assert Client(create_app(filled[0])).get("/api/events").status_code == 200
