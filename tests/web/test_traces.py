"""Windows of traces: the values, the layout of the bytes, and that nothing narrow is lost far out."""

import json

import numpy as np
import pytest

from logger.event import NS_PER_S, Trace
from logger.store.store import Store
from tests.web.example import ENGINE, OPEN_S, event
from web import traces
from web.overviews import Overviews
from web.traces import Series, encode, panels_of, shock, speed, window


def decode(body: bytes) -> dict[str, tuple[np.ndarray, np.ndarray | None]]:
    """An independent reading of the layout that web/traces.py describes."""
    assert body[:4] == b"SLW2"
    length = int.from_bytes(body[4:8], "little")
    header = json.loads(body[8 : 8 + length])
    place, found, times = 8 + length, {}, []
    for described in header["series"]:
        n = described["n"]
        assert place % 8 == 0
        if described["times_of"] is None:
            time = np.frombuffer(body, "<f8", n, place)
            place += 8 * n
        else:
            time = times[described["times_of"]]
        times.append(time)
        value = None
        if described["values"]:
            value = np.frombuffer(body, "<f4", n, place)
            place += -(-4 * n // 8) * 8
        found[described["channel"]] = (time, value)
    assert place == len(body)
    return found


def ns(*seconds: float) -> np.ndarray:
    return np.rint(np.array(seconds) * NS_PER_S).astype(np.int64)


def test_what_is_packed_is_what_is_unpacked() -> None:
    packed = encode(
        0.0,
        1.0,
        [
            Series("battery_voltage", np.array([0.25, 0.5, 0.75]), np.array([12.5, np.nan, 13.5], np.float32)),
            Series("tach_pulses", np.array([0.125]), None),
            Series("fuel_pressure", np.empty(0), np.empty(0, np.float32)),
        ],
    )
    found = decode(packed)
    np.testing.assert_array_equal(found["battery_voltage"][0], [0.25, 0.5, 0.75])
    np.testing.assert_array_equal(found["battery_voltage"][1], np.array([12.5, np.nan, 13.5], np.float32))
    np.testing.assert_array_equal(found["tach_pulses"][0], [0.125])
    assert found["tach_pulses"][1] is None
    assert found["fuel_pressure"][0].size == 0


def test_times_that_series_share_are_sent_once() -> None:
    times, values = np.arange(100.0), np.zeros(100, np.float32)
    shared = [Series("battery_voltage", times, values), Series("fuel_pressure", times.copy(), values + 1)]
    other = Series("throttle_position", times + 0.5, values + 2)
    one, three = encode(0.0, 1.0, shared[:1]), encode(0.0, 1.0, [*shared, other])
    assert len(three) - len(one) < 400 + 1200 + 300  # values alone, then times and values; the rest is the header
    found = decode(three)
    np.testing.assert_array_equal(found["fuel_pressure"][0], times)
    np.testing.assert_array_equal(found["fuel_pressure"][1], values + 1)
    np.testing.assert_array_equal(found["throttle_position"][0], times + 0.5)
    np.testing.assert_array_equal(found["throttle_position"][1], values + 2)


def test_speed_is_sixty_over_the_interval_times_pulses_per_revolution() -> None:
    # 3 pulses a revolution, 10 ms apart: 33.3 revolutions a second, 2000 a minute; one pulse missing halves it.
    time, value = speed(ns(0.0, 0.010, 0.020, 0.040), 3.0)
    np.testing.assert_array_equal(time, ns(0.010, 0.020, 0.040))
    np.testing.assert_allclose(value, [2000.0, 2000.0, 1000.0])


def test_a_long_silence_says_nothing_about_the_speed() -> None:
    assert np.isnan(speed(ns(0.0, 2.0), 3.0)[1]).all()


@pytest.mark.parametrize("pulses", [ns(), ns(1.0)])
def test_fewer_than_two_pulses_give_no_speed(pulses: np.ndarray) -> None:
    time, value = speed(pulses, 3.0)
    assert time.size == value.size == 0


def test_two_pulses_at_one_instant_give_no_infinite_speed() -> None:
    assert np.isnan(speed(ns(1.0, 1.0), 3.0)[1]).all()


def test_shock_is_what_stands_out_of_gravity_whatever_the_mounting() -> None:
    time = np.arange(0, 4.0, 0.0025)
    value = np.tile([0.6, 0.0, 0.8], (time.size, 1))
    value[800] += [0.0, 3.0, 0.0]
    level = shock(Trace(ns(*time), value))
    assert level[:700].max() == pytest.approx(0.0, abs=1e-9)
    assert level.argmax() == 800
    assert level[800] == pytest.approx(3.0, rel=0.03)  # its own share of the running mean is 1 of 65


def test_shock_of_nothing_is_nothing() -> None:
    assert shock(Trace(ns(), np.empty((0, 3)))).size == 0


def test_a_window_holds_the_samples_of_its_stretch(filled: tuple[Store, str]) -> None:
    store, event_id = filled
    with store.reader(event_id, "r02") as reader:
        found = decode(
            window(reader, ENGINE, ["ignition_feed_voltage", "tach_pulses"], 19.95, 20.05, 1000, Overviews())
        )
    time, value = found["ignition_feed_voltage"]
    stored = event().recordings[1].traces["ignition_feed_voltage"]
    inside = (stored.time_ns >= 19.95e9) & (stored.time_ns < 20.05e9)
    np.testing.assert_allclose(time, stored.time_ns[inside] / 1e9, rtol=0, atol=1e-9)
    np.testing.assert_allclose(value, stored.value[inside], rtol=1e-6)
    pulses = found["tach_pulses"][0]
    assert not ((pulses > 20.0) & (pulses < 20.0 + OPEN_S)).any()


def test_a_dip_of_one_sample_is_seen_at_any_zoom() -> None:
    value = np.full(100_000, 13.0)
    value[54_321] = 4.0
    thinned = traces._thinned("battery_voltage", np.arange(100_000) * 10_000_000, value, 500)
    assert thinned.value is not None
    assert thinned.value.size <= 501
    assert thinned.thinned
    assert thinned.value.min() == 4.0
    assert thinned.time_s[thinned.value.argmin()] == pytest.approx(543.21, abs=4.0)


def test_a_stretch_without_samples_breaks_the_line() -> None:
    series = traces._thinned("battery_voltage", ns(0.0, 0.1, 0.2, 5.0, 5.1), np.ones(5), 1000)
    assert series.value is not None
    np.testing.assert_array_equal(np.isnan(series.value), [False, False, False, True, False, False])


def test_a_long_window_comes_from_summaries_and_keeps_the_dip(
    filled: tuple[Store, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, event_id = filled
    monkeypatch.setattr(traces, "LONGEST_READ_S", 30.0)
    channels = ["ignition_feed_voltage", "engine_speed", "shock_level", "tach_pulses"]
    with store.reader(event_id, "r02") as reader:
        found = decode(window(reader, ENGINE, channels, 0.0, 59.9, 1000, Overviews()))
    feed = found["ignition_feed_voltage"][1]
    speeds, levels = found["engine_speed"][1], found["shock_level"][1]
    assert feed is not None
    assert speeds is not None
    assert levels is not None
    assert feed.min() == pytest.approx(0.4)
    assert 4900 < np.nanmax(speeds) < 5100
    assert np.nanmin(speeds) < 200  # the interval in which 18 pulses are missing
    assert 2.0 < np.nanmax(levels) < 5.0
    assert found["tach_pulses"][0].size == 0


def test_panels_are_made_of_what_was_recorded() -> None:
    found = panels_of(["tach_pulses", "battery_voltage"])
    assert [(panel.key, panel.channels) for panel in found] == [
        ("speed", ("engine_speed",)),
        ("pulses", ("tach_pulses",)),
        ("voltages", ("battery_voltage",)),
    ]


def test_a_long_view_is_the_same_from_memory_as_from_the_file(filled: tuple[Store, str]) -> None:
    store, event_id = filled
    overviews = Overviews()
    with store.reader(event_id, "r02") as reader:
        for t0, t1, n in [(0, 60 * NS_PER_S, 60), (7 * NS_PER_S, 47 * NS_PER_S, 13)]:
            expected = reader.overview("acceleration", t0, t1, n)
            for _ in range(2):
                for got, wanted in zip(overviews.columns(reader, "", "acceleration", t0, t1, n), expected, strict=True):
                    np.testing.assert_array_equal(got, wanted)
