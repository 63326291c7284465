"""How long a zoom step takes to be redrawn in Chromium: `python -m tests.bench.zoom_speed [HOURS]`.

A step is one turn of the wheel over the traces; measured is the time from the event until the next frame has been
drawn with what is there, and until the server's values for the new view have been drawn, too. The page promises
100 ms for the redraw.
"""

import socket
import statistics
import sys
import tempfile
import threading
from pathlib import Path

from playwright.sync_api import sync_playwright

from logger.store.store import Store
from tests.bench.page_speed import fill
from tests.browser.conftest import ARGUMENTS, CHROMIUM
from web.app import create_app
from web.server import Server

STEP = """async ([deltaY, share]) => {
    const root = document.getElementById("sl-charts");
    const plot = root.querySelector(".sl-plot canvas").getBoundingClientRect();
    const before = root.dataset.loaded;
    const began = performance.now();
    root.querySelector(".sl-plot canvas").dispatchEvent(new WheelEvent("wheel", {
        deltaY, clientX: plot.left + share * plot.width, clientY: plot.top + 20, bubbles: true, cancelable: true,
    }));
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    const redrawn = performance.now() - began;
    const isOver = () => root.dataset.loaded !== before || performance.now() - began > 3000;
    while (!isOver()) await new Promise((done) => setTimeout(done, 2));
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    return [redrawn, performance.now() - began];
}"""


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder)) as store:
        event_id = fill(store, hours)
        listening = socket.create_server(("127.0.0.1", 0))
        server = Server(create_app(store))
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        base = f"http://127.0.0.1:{listening.getsockname()[1]}/events/{event_id}/r01/whole"
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
                for width, height in [(1280, 900), (390, 844)]:
                    page = browser.new_page(viewport={"width": width, "height": height})
                    page.goto(base)
                    page.locator("#sl-charts[data-loaded]").wait_for()
                    took = [page.evaluate(STEP, [-400 if n < 16 else 400, 0.3 + 0.02 * (n % 20)]) for n in range(32)]
                    for name, column in zip(("redrawn", "with new values"), zip(*took, strict=True), strict=True):
                        p95 = statistics.quantiles(column, n=20)[-1]
                        print(f"{width:5} px  {name:16} p50 {statistics.median(column):6.1f} ms   p95 {p95:6.1f} ms")
                browser.close()
        finally:
            server.should_exit = True
            thread.join()


if __name__ == "__main__":
    main()
