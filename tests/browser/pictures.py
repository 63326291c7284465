"""The pictures of the pages, taken from the demo: `python -m tests.browser.pictures FOLDER`.

Records the demo day, analyses it, serves it and photographs each page; nothing in them is made by hand.
"""

import json
import socket
import sys
import tempfile
import threading
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from logger.store.store import Store
from logger.virtualcar.demo import record_demo
from logger.work import analyse_event
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from web.app import create_app
from web.server import Server

PHONE, LAPTOP = (390, 844), (1280, 900)


def prepare(data_dir: Path) -> tuple[Store, str]:
    """The demo day, recorded and analysed."""
    record_demo(data_dir, lambda share: None)
    store = Store(data_dir)
    event_id = store.events()[0].event_id
    analyse_event(store, event_id)
    return store, event_id


def photograph(browser: Browser, url: str, size: tuple[int, int], path: Path) -> None:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, is_mobile=size == PHONE, has_touch=size == PHONE, locale="en-GB"
    )
    page = context.new_page()
    page.goto(url)
    if page.locator("#sl-charts").count():
        page.locator("#sl-charts[data-loaded]").wait_for()
    page.screenshot(path=path)
    context.close()


def main() -> None:
    if len(sys.argv) != 2:
        raise SystemExit("usage: python -m tests.browser.pictures FOLDER")
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as data:
        store, event_id = prepare(Path(data))
        found = (store.findings(event_id) or {})["stumbles"]
        stumble = max(found, key=lambda s: s["lost_firings"])
        moment = f"/{stumble['recording']}/at/{stumble['onset_s']:.3f}"
        listening = socket.create_server(("127.0.0.1", 0))
        server = Server(create_app(store, Path(data) / "run"))
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        base = f"http://127.0.0.1:{listening.getsockname()[1]}"
        event = f"{base}/events/{event_id}"
        pages = {
            "event": (event, LAPTOP),
            "event-phone": (event, PHONE),
            "moment": (event + moment, (1280, 1180)),
            "moment-phone": (event + moment, PHONE),
            "pulses": (event + moment + f"?from={stumble['onset_s'] - 0.15}&to={stumble['onset_s'] + 0.25}", LAPTOP),
            "superposed": (f"{event}/superposed", LAPTOP),
            "day": (f"{event}/day", LAPTOP),
            "report": (f"{event}/report", LAPTOP),
            "now": (f"{base}/now", LAPTOP),
        }
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
                for name, (url, size) in pages.items():
                    photograph(browser, url, size, folder / f"{name}.png")
                browser.close()
        finally:
            server.should_exit = True
            thread.join()
            store.close()
    print(json.dumps([f"{name}.png" for name in pages]))


if __name__ == "__main__":
    main()
