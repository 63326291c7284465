"""The pictures of the pages, taken from the demo: `python -m tests.browser.pictures FOLDER` (README: web/pictures).

Records the demo day, enters a repair that was no use, analyses it, serves it and photographs each page; for the page
before a run it records a car that idles at this moment. Nothing in the pictures is made by hand.
"""

import json
import socket
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from PIL import Image  # comes with matplotlib, which the tests need
from playwright.sync_api import Browser, sync_playwright

from logger.store.store import Store
from logger.virtualcar.demo import record_demo
from logger.work import analyse_event
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from tests.web.starts import idling, talking
from web.app import create_app
from web.server import Server

PHONE, LAPTOP, HIGH = (390, 844), (1280, 900), (1280, 1180)
COLOURS = 192
MOST_BYTES = 150_000


@dataclass(frozen=True)
class Picture:
    """One page. at: the id of what is scrolled to the top, or empty."""

    address: str
    size: tuple[int, int]
    at: str = ""


def prepare(data_dir: Path) -> tuple[Store, str]:
    """The demo day, recorded and analysed."""
    record_demo(data_dir, lambda share: None)
    store = Store(data_dir)
    event_id = store.events()[0].event_id
    analyse_event(store, event_id)
    return store, event_id


@contextmanager
def served(store: Store, run_dir: Path) -> Iterator[str]:
    """The address of a page over that store."""
    listening = socket.create_server(("127.0.0.1", 0))
    server = Server(create_app(store, run_dir))
    thread = threading.Thread(target=server.run, args=([listening],))
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


def photograph(browser: Browser, picture: Picture, path: Path) -> None:
    """Take one picture and keep it in few colours, which the pages have anyway."""
    is_phone = picture.size == PHONE
    context = browser.new_context(
        viewport={"width": picture.size[0], "height": picture.size[1]},
        is_mobile=is_phone,
        has_touch=is_phone,
        locale="en-GB",
    )
    page = context.new_page()
    page.goto(picture.address)
    if page.locator("#sl-charts").count():
        page.locator("#sl-charts[data-loaded]").wait_for()
    if page.locator("#sl-check-place").count():
        page.locator("#sl-check-lines").wait_for()
        page.locator("#sl-check-place summary").click()
    if picture.at:
        page.evaluate("id => document.getElementById(id).scrollIntoView()", picture.at)
    page.screenshot(path=path)
    context.close()
    Image.open(path).convert("RGB").quantize(COLOURS).save(path, optimize=True)


def pictures_of_the_day(base: str, store: Store, event_id: str) -> dict[str, Picture]:
    """Every page of the demo event."""
    stumble = max((store.findings(event_id) or {})["stumbles"], key=lambda s: s["lost_firings"])
    event = f"{base}/events/{event_id}"
    moment = f"{event}/{stumble['recording']}/at/{stumble['onset_s']:.3f}"
    close = f"{moment}?from={stumble['onset_s'] - 0.15}&to={stumble['onset_s'] + 0.25}"
    return {
        "answer": Picture(event, LAPTOP),
        "answer-phone": Picture(event, PHONE),
        "moment": Picture(moment, HIGH),
        "moment-phone": Picture(moment, PHONE),
        "pulses": Picture(close, LAPTOP),
        "superposed": Picture(f"{event}/superposed", LAPTOP),
        "day": Picture(f"{event}/day", LAPTOP),
        "repairs": Picture(event, (1280, 520), "sl-repairs-h"),
        "report": Picture(f"{event}/report", LAPTOP),
    }


def main() -> None:
    if len(sys.argv) != 2:
        raise SystemExit("usage: python -m tests.browser.pictures FOLDER")
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    taken: list[str] = []
    with tempfile.TemporaryDirectory() as data, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)

        def take(pictures: dict[str, Picture]) -> None:
            for name, picture in pictures.items():
                photograph(browser, picture, folder / f"{name}.png")
                taken.append(f"{name}.png")

        store, event_id = prepare(Path(data) / "day")
        store.add_repair(event_id, "renewed the coil", after_recording="r02", suspect="ignition_primary")
        analyse_event(store, event_id)
        with store, served(store, Path(data) / "nobody") as base:
            take(pictures_of_the_day(base, store, event_id))
        idling(Path(data) / "now", Path(data) / "run")
        with Store(Path(data) / "now") as store, served(store, Path(data) / "run") as base, talking(Path(data) / "run"):
            take(
                {
                    "now": Picture(f"{base}/now", HIGH),
                    "now-phone": Picture(f"{base}/now", PHONE),
                    "settings-phone": Picture(f"{base}/settings", PHONE, "sl-engine-h"),
                    "calibrate-phone": Picture(f"{base}/settings/channels/fuel_pressure", PHONE),
                }
            )
        browser.close()
    big = [name for name in taken if (folder / name).stat().st_size > MOST_BYTES]
    print(json.dumps(taken))
    if big:
        raise SystemExit(f"more than {MOST_BYTES} bytes: {', '.join(big)}")


if __name__ == "__main__":
    main()
