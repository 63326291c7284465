"""From the list to the lost pulse, in a real browser."""

import re
import time

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Site
from tests.web.example import findings
from tests.web.starts import say, talking

pytestmark = pytest.mark.browser
both = pytest.mark.parametrize("page", ["desktop", "phone"], indirect=True)


def view(page: Page) -> tuple[float, float]:
    """What the traces show, once the values for it have come, in seconds of the recording."""
    shown = page.locator("#sl-span").inner_text()
    found = re.search(r": (-?[\d.]+) s to (-?[\d.]+) s", shown)
    assert found, shown
    return float(found[1]), float(found[2])


def loaded(page: Page) -> str:
    expect(page.locator("#sl-charts")).to_have_attribute("data-loaded", re.compile(r"\d"))
    return str(page.locator("#sl-charts").get_attribute("data-loaded"))


def wait_for_load_after(page: Page, before: str) -> None:
    page.wait_for_function("before => document.getElementById('sl-charts').dataset.loaded !== before", arg=before)


@both
def test_the_answer_is_three_taps_from_the_cable(page: Page, site: Site) -> None:
    page.goto(site.base)
    expect(page.locator("#sl-sentence")).to_have_text(
        "The coil loses its feed on knocks: 3 stumbles in 2 of 3 recordings."
    )
    page.get_by_role("link", name="Show the first moment").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Stumble 1 of 3")
    expect(page.locator("#sl-sentence")).to_have_text(
        "The coil lost its feed 30 ms after a knock and the engine missed 18 firings."
    )
    loaded(page)
    page.get_by_role("button", name="Closer").click()
    page.get_by_role("link", name="Next").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Stumble 2 of 3")
    loaded(page)


def test_wheel_drag_buttons_and_keys_zoom(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000")
    before = loaded(page)
    low, high = view(page)
    plot = page.locator("[data-panel=voltages] .sl-plot")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    page.mouse.wheel(0, -300)
    wait_for_load_after(page, before)
    after_wheel = view(page)
    assert after_wheel[1] - after_wheel[0] < 0.8 * (high - low)

    before = loaded(page)
    page.mouse.move(box["x"] + 200, box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + 400, box["y"] + 40, steps=4)
    page.mouse.up()
    wait_for_load_after(page, before)
    after_drag = view(page)
    assert after_drag[1] - after_drag[0] < 0.5 * (after_wheel[1] - after_wheel[0])

    page.locator("#sl-charts").focus()
    page.keyboard.press("0")
    assert view(page) == pytest.approx((low, high))
    page.keyboard.press("+")
    assert view(page)[1] - view(page)[0] == pytest.approx((high - low) / 2, rel=0.01)
    page.keyboard.press("ArrowRight")
    assert view(page)[0] > low
    page.keyboard.press("Home")
    assert view(page)[1] - view(page)[0] == pytest.approx(0.4, abs=0.01)


def test_the_cursor_reads_every_trace_at_one_instant(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000?from=19.9&to=20.3")
    loaded(page)
    plot = page.locator("[data-panel=voltages] .sl-plot canvas")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    assert box
    # 52 px of axis and 16 px of margin: 40 per cent of the rest is 160 ms after 19.9 s, in the middle of the dip.
    page.mouse.move(box["x"] + 52 + 0.4 * (box["width"] - 68), box["y"] + 30)
    expect(page.locator("#sl-cursor-at")).to_have_text(re.compile(r"Cursor 0\.0(59|60|61) s from the first sign"))
    expect(page.locator("[data-value=ignition_feed_voltage]")).to_have_text("0.40 V")
    expect(page.locator("[data-value=battery_voltage]")).to_have_text(re.compile(r"1[34]\.\d\d V"))


@both
def test_a_link_leads_back_to_exactly_this_view(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000")
    loaded(page)
    page.get_by_role("button", name="Pulses").click()
    page.wait_for_url(re.compile(r"from=19\.857\d*&to=20\.257"))
    link = page.url
    shown = view(page)
    page.goto("about:blank")
    page.goto(link)
    loaded(page)
    assert view(page) == pytest.approx(shown, abs=0.001)


@pytest.mark.parametrize("page", ["phone"], indirect=True)
def test_a_finger_moves_and_two_fingers_zoom(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000")
    loaded(page)
    low, high = view(page)
    plot = page.locator("[data-panel=speed] .sl-plot")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    assert box
    touch = page.context.new_cdp_session(page)

    def fingers(kind: str, *xs: float) -> None:
        points = [{"x": x, "y": box["y"] + 50, "id": n} for n, x in enumerate(xs)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", 250)
    for x in (230, 200, 150):
        fingers("touchMove", x)
    fingers("touchEnd")
    moved = view(page)
    assert moved[0] > low
    assert moved[1] - moved[0] == pytest.approx(high - low, abs=0.01)

    fingers("touchStart", 180)
    fingers("touchStart", 180, 220)
    for spread in (30, 50, 80):
        fingers("touchMove", 200 - spread, 200 + spread)
    fingers("touchEnd")
    zoomed = view(page)
    assert zoomed[1] - zoomed[0] == pytest.approx((high - low) / 4, rel=0.1)


@both
def test_no_page_is_wider_than_the_screen_nor_its_targets_too_small(page: Page, site: Site) -> None:
    for path in ("", "/r02/at/20.000", "/r01/whole"):
        page.goto(site.event + path)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
        small = page.evaluate(
            """() => [...document.querySelectorAll("button, .sl-button, .sl-row, .sl-nav, summary, select, input")]
                .filter((e) => e.offsetParent && (e.offsetHeight < 44 || e.offsetWidth < 44)).map((e) => e.outerHTML)"""
        )
        assert not small, path
    for path in ("/events", "/now", "/settings"):
        page.goto(site.base + path)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1920, 1080)])
def test_the_smallest_and_the_largest_screen_hold_every_page(page: Page, site: Site, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    for path in ("", "/r02/at/20.000", "/r01/whole", "/day", "/superposed", "/report"):
        page.goto(site.event + path)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


def test_findings_appear_without_reloading(own_site: Site, page: Page) -> None:
    page.goto(own_site.event)
    expect(page.locator(".sl-answer .sl-sentence")).to_have_text("Not worked out yet.")
    fingerprint = own_site.store.input_fingerprint(own_site.event_id)
    own_site.store.save_findings(own_site.event_id, findings().as_json(), fingerprint)
    began = time.monotonic()
    expect(page.locator("#sl-sentence")).to_contain_text("The coil loses its feed on knocks")
    assert time.monotonic() - began < 3.0


def test_a_repair_is_written_down_removed_and_put_back(own_site: Site, page: Page) -> None:
    page.goto(own_site.event)
    page.get_by_text("Write down a repair").click()
    page.get_by_label("What was done").fill("bridged the coil feed with a new wire")
    page.get_by_label("Aimed at").select_option("ignition_primary")
    page.locator("form[action$=repairs]").get_by_role("button", name="Save").click()
    line = page.get_by_text("bridged the coil feed with a new wire: not judged yet")
    expect(line).to_be_visible()
    page.locator("li", has=line).get_by_role("button", name="Remove").click()
    expect(page.get_by_text("Removed.")).to_be_visible()
    expect(line).to_have_count(0)
    page.get_by_role("button", name="Put it back").click()
    expect(line).to_be_visible()


def test_the_verdict_of_a_repair_changes_after_the_next_run(own_site: Site, page: Page) -> None:
    site = own_site
    found = findings().as_json()

    def judge(verdict: str, sentence: str) -> None:
        found["repairs"][0] |= {"verdict": verdict, "sentence": sentence}
        site.store.save_findings(site.event_id, found, site.store.input_fingerprint(site.event_id))

    judge("too_early", "One run without a stumble proves little.")
    page.goto(site.event)
    expect(page.locator(".sl-day-repair")).to_contain_text("renewed the coil, too early to tell")
    judge("not_fixed", "It came back in r03.")
    expect(page.locator(".sl-day-repair")).to_contain_text("renewed the coil, not fixed")
    expect(page.get_by_text("It came back in r03.")).to_be_visible()


def test_a_moment_is_saved_as_values_and_as_a_picture(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000")
    loaded(page)
    page.get_by_role("button", name="Pulses").click()
    page.wait_for_url(re.compile("from="))
    with page.expect_download() as values:
        page.get_by_role("link", name="Save values (CSV)").click()
    lines = values.value.path().read_text(encoding="utf-8").splitlines()
    assert lines[0] == "channel,time_s,value,unit"
    feed = [line.split(",") for line in lines if line.startswith("ignition_feed_voltage,")]
    assert min(float(value) for _, _, value, _ in feed) == pytest.approx(0.4)
    assert all(19.8 < float(at) < 20.3 for _, at, _, _ in feed)
    with page.expect_download() as picture:
        page.get_by_role("button", name="Save picture").click()
    assert picture.value.path().read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_zooming_in_shows_the_one_gap_in_the_pulses(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/r02/at/20.000?from=19.9&to=20.2")
    loaded(page)
    # The row of pixels through the middle of the pulses' panel, where ink marks a pulse: one gap of 120 of 300 ms.
    longest = page.evaluate(
        """() => {
            const canvas = document.querySelector("[data-panel=pulses] canvas");
            const ctx = canvas.getContext("2d");
            const ratio = devicePixelRatio;
            const row = ctx.getImageData(52 * ratio, canvas.height / 2, canvas.width - 68 * ratio, 1).data;
            const ink = getComputedStyle(document.documentElement).getPropertyValue("--sl-trace-speed").trim();
            const dark = [1, 3, 5].map((n) => parseInt(ink.slice(n, n + 2), 16));
            let [gap, longest] = [0, 0];
            for (let x = 0; x < row.length; x += 4) {
                const isPulse = row[x + 3] > 120 && dark.every((level, n) => Math.abs(row[x + n] - level) < 90);
                gap = isPulse ? 0 : gap + 1;
                longest = Math.max(longest, gap);
            }
            return longest / (row.length / 4);
        }"""
    )
    assert longest == pytest.approx(0.126 / 0.3, abs=0.02)


def test_without_a_recorder_the_page_says_what_to_do(own_site: Site, page: Page) -> None:
    page.goto(f"{own_site.base}/now")
    expect(page.locator("#sl-ready")).to_have_text("Not ready for the run")
    expect(page.locator("#sl-reasons")).to_contain_text("No word from the recorder.")
    expect(page.locator("#sl-absent")).to_be_visible()


def test_a_damaged_recording_is_named_and_the_rest_is_shown(own_site: Site, page: Page) -> None:
    path = own_site.store.data_dir / own_site.store.recordings(own_site.event_id)[1].file
    path.write_bytes(path.read_bytes()[:5000])
    page.goto(own_site.event)
    expect(page.get_by_text("Not readable: r02.")).to_be_visible()
    expect(page.locator(".sl-run")).to_have_count(3)
    page.goto(f"{own_site.event}/r02/at/20.000")
    expect(page.get_by_text("Not readable: r02.")).to_be_visible()
    page.goto(f"{own_site.event}/r03/at/33.250")
    loaded(page)


def test_an_event_that_is_gone_is_said_in_words(page: Page, site: Site) -> None:
    page.goto(f"{site.base}/events/nobody")
    expect(page.get_by_role("heading", level=1)).to_have_text("No such event.")
    page.get_by_role("link", name="Events").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Events")
    page.said.clear()  # the browser reports the 404 that was asked for


def test_all_stumbles_on_one_zero_lead_to_each(page: Page, site: Site) -> None:
    page.goto(f"{site.event}/superposed")
    expect(page.locator("#sl-charts")).to_have_attribute("data-loaded", "yes")
    page.locator("[data-panel=ignition_feed_voltage] .sl-plot").click(position={"x": 600, "y": 60})
    expect(page.locator("#sl-picked")).to_have_text(re.compile(r"Open stumble \d: r0\d, \d\d\.\d s"))
    page.locator("#sl-picked").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(r"Stumble \d of 3"))
    loaded(page)


def test_the_middle_half_lies_between_the_quartiles_of_what_is_known(page: Page, site: Site) -> None:
    """By hand: of 1, 2 and 4 the quartiles are 1.5 and 3; a stumble without a value does not count."""
    page.goto(f"{site.event}/superposed")
    expect(page.locator("#sl-charts")).to_have_attribute("data-loaded", "yes")
    quartiles = page.evaluate(
        """async () => {
            const { quantile } = await import("/static/superposed.js");
            return [0.25, 0.5, 0.75].map((share) => quantile([[2], [NaN], [1], [4]], 0, share));
        }"""
    )
    assert quartiles == [1.5, 2, 3]
    expect(page.get_by_text("the middle half between dashes")).to_be_visible()


def test_a_channel_is_calibrated_only_where_a_recorder_is(page: Page, site: Site) -> None:
    page.goto(f"{site.base}/settings")
    expect(page.get_by_text("there is nothing to calibrate")).to_be_visible()


def test_a_note_stays_with_its_moment(own_site: Site, page: Page) -> None:
    page.goto(f"{own_site.event}/r02/at/20.000")
    page.get_by_text("Add a note").click()
    page.get_by_label("Note").fill("landed hard after the crest")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_text("landed hard after the crest")).to_be_visible()
    assert "/r02/at/20.000" in page.url
    page.goto(own_site.event)
    expect(page.get_by_role("link", name="r02, 20.0 s")).to_be_visible()


def word(site: Site, **change: object) -> None:
    """Write live.json the way the recorder does."""
    document = {
        "state": "recording",
        "recording": {"file": "recordings/none.sqlite", "seconds": 90.0},
        "values": {"battery_voltage": {"value": 13.82, "unit": "V", "age_s": 0.0}},
        "engine_rpm": 2400.0,
        "free_mb": 9000.0,
        "clock_is_set": False,
        "sensors": [{"part": "adc 0x48", "where": "0x48", "state": "ok", "message": ""}],
        "warnings": [],
    }
    say(site.run_dir, document | change)


def test_live_values_follow_the_recorder(own_site: Site, page: Page) -> None:
    word(own_site)
    with talking(own_site.run_dir):
        page.goto(f"{own_site.base}/now")
        expect(page.locator("#sl-values")).to_contain_text("2400 1/min")
        word(own_site, engine_rpm=3100.0, values={"battery_voltage": {"value": 9.7, "unit": "V", "age_s": 0.0}})
        expect(page.locator("#sl-values")).to_contain_text("3100 1/min")
        expect(page.locator("#sl-values")).to_contain_text("9.70 V")
        word(own_site, engine_rpm=0, values={"key_sense": {"value": 1, "unit": "", "age_s": 0.0}})
        expect(page.get_by_text("Key on, engine not turning")).to_be_visible()
        word(own_site, state="not_recording", why="the card is full")
        expect(page.locator("#sl-reasons")).to_contain_text("Not recording: the card is full")


def test_one_tap_sets_the_logbooks_clock(own_site: Site, page: Page) -> None:
    word(own_site)
    page.goto(f"{own_site.base}/now")
    page.get_by_role("button", name="Take the time from this device").click()
    expect(page.locator("#sl-said")).to_have_text("The logbook's clock is set from this device.")
    (fix,) = own_site.store.logbook.rows("SELECT source FROM clock_fixes")
    assert fix["source"] == "browser"


def test_a_lost_connection_is_said_and_mended(own_site: Site, page: Page) -> None:
    page.goto(own_site.event)
    page.context.set_offline(True)
    expect(page.locator("#sl-lost")).to_be_visible()
    page.context.set_offline(False)
    expect(page.locator("#sl-lost")).to_be_hidden()
    page.said.clear()  # the browser itself reports the requests that could not go out


def test_units_are_a_matter_of_choice(page: Page, site: Site) -> None:
    page.goto(f"{site.base}/settings")
    page.get_by_label("Pressure").select_option("psi")
    page.get_by_label("Temperature").select_option("degF")
    page.get_by_role("button", name="For this device").click()
    expect(page.locator("#sl-said")).to_have_text("Saved on this device.")
    page.goto(f"{site.event}/r02/at/20.000")
    loaded(page)
    page.locator("#sl-charts").focus()
    page.keyboard.press("Shift+ArrowRight")
    expect(page.locator("[data-value=fuel_pressure]")).to_have_text(re.compile(r"^4\d\.\d psi$"))
    expect(page.locator("[data-value=coolant_temperature]")).to_have_text(re.compile(r"^18\d °F$"))


def test_times_are_those_of_the_device(page: Page, site: Site) -> None:
    page.goto(site.event)  # 08:32:31 UTC, in Dublin's summer an hour later
    expect(page.locator(".sl-row-stumble .sl-time").first).to_have_text("09:32:31")
