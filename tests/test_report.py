"""The text report says what was found, draws no dip away, and keeps quiet about what there is none of."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logger.analysis.findings import FailedStart, Findings, Moved, NextTest, RepairVerdict, SensorFault, Stumble
from logger.event import Engine, Event, Recording, Trace
from logger.report import Reader, json_report, text_report
from logger.sparkline import columns_of_extremes, ends_of, sparkline, speed_from_pulses
from logger.units import Units
from tests.store.events import seconds

NOTHING = Findings([], [], [], [], None, [], None, None)


def stumbling_event() -> Event:
    """Four cylinders at 3000 rpm (a pulse each 10 ms); from 5 to 5.1 s the coil is fed 2 V and gives no pulse."""
    pulses = np.arange(0, 10_000_000_000, 10_000_000)
    time_ns = np.arange(0, 10_000_000_000, 10_000_000)
    feed = np.where((time_ns >= 5_000_000_000) & (time_ns < 5_100_000_000), 2.0, 14.0)
    recording = Recording(
        "r01",
        10_000_000_000,
        traces={"ignition_feed_voltage": Trace(time_ns, feed)},
        pulses={"tach_pulses": pulses[(pulses < 5_000_000_000) | (pulses >= 5_100_000_000)]},
    )
    return Event("Larch Hollow hill climb", Engine(4), (recording,))


def stumbling_findings() -> Findings:
    order = [Moved("ignition_feed_voltage", 5.0, 0.005), Moved("tach_pulses", 5.01, 0.005)]
    stumble = Stumble(
        "r01", 5.0, 5.01, 5.1, "ignition_primary", {"ignition_primary": 0.93}, "ignition_feed_voltage", order,
        "cutout", 10, 0.97, sentence="The coil lost its feed 10 ms before the first pulse went missing.",
    )  # fmt: skip
    return Findings(
        stumbles=[stumble],
        sensor_faults=[SensorFault("r01", "fuel_pressure", 12.0, 13.5, "open")],
        failed_starts=[FailedStart("r01", 1.0, 4.0, False, 250.0, 9.8)],
        gaps=[],
        main_cause="ignition_primary",
        other_causes=[],
        linked_heat=False,
        linked_shock=True,
        repairs=[RepairVerdict("renewed the coil feed wire", "too_early", 28.0, 0.0, 0.71, needed="2 more runs.")],
        next_tests=[
            NextTest("Wiggle the feed", ["Key on.", "Move the wire."], "13 V", "workshop practice", "Key off.")
        ],
    )


@pytest.fixture(scope="module")
def report() -> str:
    return text_report(stumbling_event(), stumbling_findings().as_json(), Reader(width=100))


@pytest.mark.parametrize(
    "line",
    [
        "Larch Hollow hill climb",
        "Stumbles        1",
        "First to fail   ignition, primary side (the coil is not fed or not switched)",
        "With heat       no link seen",
        "With shock      yes, it comes with it",
        "- r01: 1 stumble, a cut-out of 0.10 s, 10 firings lost, at 5.0 s. At 1.0 s it was cranked or left",
        "- Ignition, primary side (the coil is not fed or not switched), 93 % sure.",
        "1. r01 at 5.000 s: cut-out of 0.10 s, 10 firings lost, ignition, primary side",
        "   order of failure: Ignition feed +0 ms ±5 → Tach at the same time, as far as the sensors can tell",
        "- Fuel pressure: open in r01 from 12.0 to 13.5 s.",
        "- r01 at 1.0 s: no tach pulses; 250 kPa; 9.8 V.",
        "- Wiggle the feed (about 5 min). Caution: Key off. (1) Key on. (2) Move the wire. Passes: 13 V",
    ],
)
def test_the_report_says(report, line):
    assert line in report.splitlines()


def test_a_verdict_comes_with_its_rates_and_confidence(report):
    said = " ".join(report.split())
    assert (
        "renewed the coil feed wire: too early to say. Bursts per running hour: 28.0 before, 0.0 after. "
        "Confidence that it is fixed: 71 %. Still needed: 2 more runs." in said
    )


def test_the_trace_shows_the_dip_over_its_onset(report):
    lines = report.splitlines()
    (feed,) = (line for line in lines if line.startswith("   Ignition feed   "))
    (mark,) = (line for line in lines if "▲ onset" in line)
    assert feed.endswith("2 to 14 V")
    assert feed[mark.index("▲")] == "▁"
    assert feed[mark.index("▲") - 1] == "█"


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(-0.004125, 13.8912, "0 to 13.89"), (237.3, 3926.4, "237 to 3926"), (4.9951, 4.9979, "4.995 to 4.998")],
)
def test_a_traces_ends_have_no_more_digits_than_its_scale(low, high, said):
    assert ends_of(low, high) == said


def test_an_instant_is_never_said_to_be_known_exactly():
    found = stumbling_findings().as_json()
    found["stumbles"][0]["order"][0]["plus_minus_s"] = 0.0002
    found["stumbles"][0]["order"][1]["plus_minus_s"] = 0.0002
    assert "Tach +10 ms ±1" in text_report(stumbling_event(), found)


def test_an_event_without_stumbles_says_so_and_no_more():
    text = text_report(stumbling_event(), NOTHING.as_json())
    assert text.splitlines()[-5:] == [
        "What happened",
        "- r01: no stumble.",
        "",
        "What it probably is",
        "- No stumble was found.",
    ]


def many(n: int, burst: int = 0) -> Findings:
    """n stumbles, a second apart; all in one burst, or each in one of its own."""
    (one,) = stumbling_findings().stumbles
    found = [replace(one, onset_s=1.0 + k, end_s=1.1 + k, burst=burst or k + 1) for k in range(n)]
    return replace(stumbling_findings(), stumbles=found)


def test_of_a_burst_the_first_stumble_is_told_in_full_and_the_others_in_a_line():
    lines = text_report(stumbling_event(), many(12, burst=1).as_json()).splitlines()
    assert sum("▲ onset" in line for line in lines) == 1
    assert "5. r01 at 5.000 s: cut-out of 0.10 s, 10 firings lost, ignition, primary side" in lines
    assert "   and 7 more until 12.1 s, 70 firings lost" in lines


def test_of_many_bursts_only_the_first_are_told_in_full():
    lines = text_report(stumbling_event(), many(9).as_json()).splitlines()
    assert sum("▲ onset" in line for line in lines) == 6
    assert "9. r01 at 9.000 s: cut-out of 0.10 s, 10 firings lost, ignition, primary side" in lines


def test_what_to_do_comes_before_the_stumbles_one_by_one(report):
    heads = [
        "What happened",
        "What it probably is",
        "What to test next, by hand",
        "What was repaired, and how sure that is",
    ]
    places = [report.index(head) for head in [*heads, "Stumble by stumble"]]
    assert places == sorted(places)


def test_the_tests_that_no_break_between_runs_leaves_time_for_are_named_only():
    tests = [NextTest(title, ["Do it."], "1 V", "common practice") for title in ("One", "Two", "Three", "Four", "Five")]
    said = " ".join(text_report(stumbling_event(), replace(NOTHING, next_tests=tests).as_json()).split())
    assert "Three (about 5 min). (1) Do it. Passes: 1 V" in said
    assert "If these pass: Four (5 min); Five (5 min). Their steps, limits and cautions are on the test card" in said


def test_a_caution_is_spelt_out_once_and_its_danger_named_again():
    fire = "Petrol under pressure: relieve it before a joint is opened."
    tests = [NextTest(title, ["Do it."], "1 V", "common practice", fire) for title in ("One", "Two")]
    said = " ".join(text_report(stumbling_event(), replace(NOTHING, next_tests=tests).as_json()).split())
    assert f"One (about 5 min). Caution: {fire} (1) Do it." in said
    assert "Two (about 5 min). Caution: Petrol under pressure (see above). (1) Do it." in said


def test_the_json_holds_the_story_and_the_findings():
    told = json_report(stumbling_event(), stumbling_findings().as_json())
    assert told["story"]["happened"][0].startswith("r01: 1 stumble, a cut-out of 0.10 s")
    assert told["titles"].keys() == told["story"].keys()
    assert json.loads(json.dumps(told, allow_nan=False))["findings"]["main_cause"] == "ignition_primary"


def test_a_stumble_whose_recording_is_damaged_is_still_reported():
    event = Event("Larch Hollow hill climb", Engine(4), ())
    assert "1. r01 at 5.000 s" in text_report(event, stumbling_findings().as_json())


@pytest.mark.parametrize(
    ("values", "drawn"),
    [
        ([], ""),
        ([np.nan, np.nan], "  "),
        ([5.0, 5.0], "▁▁"),
        ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], "▁▂▃▄▅▆▇█"),
        ([0.0, np.nan, 8.0], "▁ █"),
    ],
)
def test_a_sparkline_draws(values, drawn):
    assert sparkline(np.array(values)) == drawn


def test_noise_is_not_blown_up_to_the_full_height():
    assert sparkline(np.array([13.99, 14.0, 14.01]), least_span=2.0) == "▄▅▅"


def test_a_column_keeps_the_value_furthest_from_the_median():
    time_ns = seconds(0.0, 0.1, 0.2, 0.3, 0.4, 0.5)
    columns = columns_of_extremes(time_ns, np.array([12.0, 12.1, 3.0, 12.0, np.nan, 12.2]), 0, 600_000_000, 3)
    np.testing.assert_array_equal(columns, [12.1, 3.0, 12.2])


def test_a_window_without_values_is_all_absent():
    assert np.isnan(columns_of_extremes(seconds(5.0), np.array([1.0]), 0, 1_000_000_000, 4)).all()


def test_speed_comes_from_the_interval_between_pulses():
    time_ns, rpm = speed_from_pulses(seconds(0.0, 0.01, 0.03, 0.03), 2.0)
    np.testing.assert_array_equal(time_ns, seconds(0.01, 0.03))
    np.testing.assert_allclose(rpm, [3000.0, 1500.0])


def test_a_signal_that_reads_earlier_within_its_uncertainty_is_said_to_be_of_the_same_time():
    found = stumbling_findings().as_json()
    found["stumbles"][0]["order"][1]["at_s"] = 4.998
    said = " ".join(text_report(stumbling_event(), found).split())
    assert "Ignition feed +0 ms ±5 → Tach at the same time, as far as the sensors can tell" in said
    assert "-2 ms" not in said


@pytest.mark.parametrize("width", [30, 40, 60, 80, 100])
def test_no_line_is_wider_than_the_terminal(width):
    text = text_report(stumbling_event(), stumbling_findings().as_json(), Reader(width=width))
    assert max(map(len, text.splitlines())) <= width
    assert "▁" in text


def test_on_a_narrow_terminal_a_trace_stands_under_its_name_with_the_mark_under_the_dip():
    lines = text_report(stumbling_event(), stumbling_findings().as_json(), Reader(width=40)).splitlines()
    place = lines.index("   Ignition feed, 2 to 14 V")
    (mark,) = (line for line in lines if line.endswith("▲") or ("▲ onset" in line and line.index("▲") > 3))
    assert lines[place + 1][mark.index("▲")] == "▁"


def test_the_reader_s_zone_is_named_once_and_holds_everywhere():
    started = datetime(2026, 5, 9, 8, 2, tzinfo=UTC)
    event = replace(stumbling_event(), started_utc=started)
    event = replace(event, recordings=(replace(event.recordings[0], offset_ns=0),))
    text = text_report(event, NOTHING.as_json(), Reader(zone=ZoneInfo("Europe/Dublin")))
    assert "competition · 2026-05-09 09:02 IST" in text
    assert "- r01 (09:02): no stumble." in text
    assert "UTC" not in text


def test_values_are_in_the_reader_s_units():
    text = text_report(stumbling_event(), stumbling_findings().as_json(), Reader(Units("psi")))
    assert "- r01 at 1.0 s: no tach pulses; 36.3 psi; 9.8 V." in text
    assert "kPa" not in text


def test_where_nothing_was_found_it_says_early_what_could_not_be_judged():
    quiet = replace(NOTHING, not_judged=["No fuel pressure is recorded."], proof_ahead="9 runs.")
    text = text_report(stumbling_event(), quiet.as_json())
    heads = ["What happened", "What could not be judged", "What it probably is", "What was repaired"]
    assert sorted(map(text.index, heads)) == list(map(text.index, heads))
    assert text.count("What could not be judged") == 1
