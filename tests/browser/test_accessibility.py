"""Every page against the rules of WCAG 2.2 AA that a program can check, by axe-core, in light and in dark."""

import json
import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Site

pytestmark = pytest.mark.browser

PATHS = [
    "/events",
    "/events/{event}",
    "/events/{event}/r02/at/20.000",
    "/events/{event}/r02/whole",
    "/events/{event}/day",
    "/events/{event}/report",
    "/events/{event}/files",
    "/events/{event}/superposed",
    "/events/{event}/pulls",
    "/events/{event}/circumstances",
    "/events/{event}/engine",
    "/cards/ignition_primary",
    "/bench",
    "/now",
    "/check",
    "/safety",
    "/settings",
    "/events/nobody",
]
RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing(page: Page, site: Site, path: str, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python")
    page.emulate_media(color_scheme=scheme)
    page.goto(site.base + path.format(event=site.event_id))
    if page.locator("#sl-charts").count():
        expect(page.locator("#sl-charts")).to_have_attribute("data-loaded", re.compile(r"\S"))
    for details in page.locator("details").all():
        details.evaluate("each => each.open = true")
    report = axe.Axe().run(page, options=RULES).response
    assert len(report["passes"]) > 10, "axe-core did not look"
    said = [
        {"rule": each["id"], "where": [node["html"][:200] for node in each["nodes"][:3]]}
        for each in report["violations"]
    ]
    assert not said, json.dumps(said, indent=1)
    if path == "/events/nobody":
        page.said.clear()  # the browser reports the 404 that was asked for


def test_the_whole_page_can_be_walked_with_the_keyboard(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    reached = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))
    assert {"Events", "Next", "Closer", "Pulses", "sl-charts", "sl-picture", "sl-csv", "Add a note"} <= reached


def test_nothing_jumps_while_a_page_loads(page: Page, site: Site) -> None:
    page.add_init_script(
        """window.shift = 0;
        new PerformanceObserver((list) => list.getEntries().forEach((e) => { window.shift += e.value; }))
            .observe({ type: "layout-shift", buffered: true });"""
    )
    for path in ("", "/r02/at/20.000", "/superposed"):
        page.goto(site.event + path)
        page.wait_for_load_state("networkidle")
        assert page.evaluate("window.shift") < 0.02, path
