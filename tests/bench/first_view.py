"""The first view of an event of eight hours in Chromium that has never seen the page: how soon, how many bytes.

    python -m tests.bench.first_view

Loopback, a fresh browser profile each time, the store out of the page cache. Interactive: the event's page when its
scripts have run (DOMContentLoaded has ended), the traces when the chart shows the first values. Bytes are what comes
over the wire with headers, chart library included. limit: an empty document from the same server in the same browser.
"""

import statistics
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser, sync_playwright

from logger.store.store import Store
from tests.bench.measure import REPEATS, Row, evict, show
from tests.bench.page_speed import fill, serving
from tests.browser.conftest import ARGUMENTS, CHROMIUM

MOST_MS, MOST_KB = 500.0, 250.0
WATCH = """new MutationObserver((_, watch) => {
    if (!document.querySelector("#sl-charts[data-loaded]")) return;
    window.slInteractive = performance.now();
    watch.disconnect();
}).observe(document, {subtree: true, childList: true, attributes: true, attributeFilter: ["data-loaded"]});"""
SCRIPTS_RAN = "() => performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"
CHART_SHOWN = "() => window.slInteractive || 0"


def view(browser: Browser, url: str, when: str) -> tuple[float, float]:
    """(ms until interactive, kB over the wire) of one visit with nothing cached."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    sizes: list[float] = []
    wire.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.add_init_script(WATCH)
    page.goto(url, wait_until="load")
    page.wait_for_function(when)
    interactive = float(page.evaluate(when))
    page.wait_for_load_state("networkidle")
    context.close()
    return interactive, sum(sizes) / 1000.0


def measure(folder: Path, quick: bool) -> list[Row]:
    """Both first views, medians."""
    repeats, hours = (1, 0.2) if quick else (REPEATS, 8.0)
    rows = []
    with Store(folder) as store:
        event_id = fill(store, hours)
        event = f"/events/{event_id}"
        with serving(store) as (host, port), sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)

            def visits(path: str, when: str) -> tuple[float, float]:
                seen = []
                for _ in range(repeats):
                    evict([folder])
                    seen.append(view(browser, f"http://{host}:{port}{path}", when))
                ms, kb = zip(*seen, strict=True)
                return statistics.median(ms), statistics.median(kb)

            visits(event, SCRIPTS_RAN)
            nothing, _ = visits("/bench/empty", SCRIPTS_RAN)
            for what, path, when in (
                ("the event", event, SCRIPTS_RAN),
                (f"all traces of {hours:g} h", f"{event}/r01/whole", CHART_SHOWN),
            ):
                ms, kb = visits(path, when)
                rows.append(
                    Row(f"first view of {what}, interactive", "ms", ms, None, nothing, MOST_MS, "figure", "view")
                )
                rows.append(Row("  over the wire", "kB", kb, target=MOST_KB, against="figure", key="view"))
            browser.close()
    return rows


if __name__ == "__main__":
    with TemporaryDirectory(dir=".") as name:
        sys.exit(show("first view", measure(Path(name), "--quick" in sys.argv), None))
