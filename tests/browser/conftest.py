"""A real server on a free loopback port and a real Chromium; what the server said is printed where a test fails."""

import os
import shutil
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from logger.store.store import Store
from tests.conftest import Stored
from web.app import create_app
from web.server import Server

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass
class Site:
    """A running server: its address, its store, the id of the event in it, and where the recorder's word would be."""

    base: str
    store: Store
    event_id: str
    run_dir: Path

    @property
    def event(self) -> str:
        return f"{self.base}/events/{self.event_id}"


def serve(store: Store, event_id: str, run_dir: Path, host: str = "127.0.0.1", port: int = 0) -> Iterator[Site]:
    with socket.socket() as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # for one that begins again where it was
        listening.bind((host, port))
        port = listening.getsockname()[1]
        server = Server(create_app(store, run_dir))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            while not server.started and thread.is_alive():
                thread.join(0.02)
            assert server.started, "the server did not start"
            yield Site(f"http://{host}:{port}", store, event_id, run_dir)
        finally:
            server.should_exit = True
            thread.join()


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    required = os.environ.get("CI") == "true"
    if not shutil.which(CHROMIUM):
        reason = f"no Chromium at {CHROMIUM}; install it with: apt install chromium"
        if required:
            pytest.fail(reason)
        pytest.skip(reason)
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install .[dev]")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def site(stored: Stored, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """An analysed event that tests only read."""
    folder = tmp_path_factory.mktemp("site")
    store, event_id = stored(folder / "data")
    with store:
        yield from serve(store, event_id, folder / "run")


# Tests name a server of their own before the page: what is named first ends last, and no page asks one that is gone.
@pytest.fixture
def own_site(stored: Stored, tmp_path: Path) -> Iterator[Site]:
    """A server for a test that writes; the event is not analysed yet."""
    (tmp_path / "run").mkdir()
    store, event_id = stored(tmp_path / "data", analysed=False)
    with store:
        yield from serve(store, event_id, tmp_path / "run")


@pytest.fixture(params=["desktop"])
def page(browser: object, request: pytest.FixtureRequest) -> Iterator[object]:
    """A tab whose console must stay silent: any error in it fails the test."""
    from playwright.sync_api import Browser

    assert isinstance(browser, Browser)
    is_phone = request.param == "phone"
    context = browser.new_context(
        viewport={"width": 390, "height": 844} if is_phone else {"width": 1280, "height": 900},
        has_touch=is_phone,
        is_mobile=is_phone,
        locale="en-GB",
        timezone_id="Europe/Dublin",
    )
    context.set_default_timeout(10_000)
    tab = context.new_page()
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text) if message.type in ("error", "warning") else None)
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.said = said
    yield tab
    context.close()
    assert not said, f"the console said: {said}"
