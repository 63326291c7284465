"""The whole day on one axis: where recordings lie, and that nothing of them is lost."""

from dataclasses import replace

import numpy as np

from logger.event import NS_PER_S
from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from tests.web.example import OPEN_S, event
from tests.web.test_traces import decode
from web.whole_day import places


def day_window(client: Client, event_id: str, from_s: float, to_s: float, channels: str) -> dict:
    params = {"from_s": from_s, "to_s": to_s, "channels": channels, "points": 4000}
    answer = client.get(f"/api/events/{event_id}/window", params=params)
    assert answer.status_code == 200, answer.text
    return decode(answer.content)


def test_recordings_lie_where_the_clock_put_them() -> None:
    laid, is_timed = places(event())
    assert [(place.name, place.from_s) for place in laid] == [("r01", 0.0), ("r02", 1800.0), ("r03", 3600.0)]
    assert is_timed


def test_without_a_clock_they_stand_in_their_order() -> None:
    timeless = replace(event(), recordings=tuple(replace(r, offset_ns=None) for r in event().recordings))
    laid, is_timed = places(timeless)
    assert [place.from_s for place in laid] == [0.0, 90.0, 180.0]  # 60 s each and 30 s between
    assert not is_timed


def test_clocks_that_make_recordings_overlap_are_not_believed() -> None:
    crooked = replace(event(), recordings=tuple(replace(r, offset_ns=30 * NS_PER_S) for r in event().recordings))
    assert not places(crooked)[1]


def test_a_day_without_recordings_is_empty() -> None:
    assert places(replace(event(), recordings=())) == ([], True)


def test_close_up_the_day_shows_the_samples_of_one_recording(client: Client, filled: tuple[Store, str]) -> None:
    time, value = day_window(client, filled[1], 1819.9, 1820.3, "ignition_feed_voltage")["ignition_feed_voltage"]
    dip = time[value < 1.0]
    assert 1820.0 <= dip.min() < dip.max() <= 1820.0 + OPEN_S


def test_far_out_every_dip_of_the_day_is_seen(client: Client, filled: tuple[Store, str]) -> None:
    found = day_window(client, filled[1], 0.0, 3660.0, "ignition_feed_voltage,engine_speed,tach_pulses")
    time, value = found["ignition_feed_voltage"]
    dips = np.unique(np.round(time[value < 1.0]))
    assert [any(abs(dips - at) <= 1.5) for at in (1820.0, 1841.5, 3633.25)] == [True, True, True]
    gap = (time > 60.5) & (time < 1799.5)
    assert np.isnan(value[gap]).all()
    assert found["tach_pulses"][0].size == 0


def test_a_window_of_the_day_that_cannot_be_is_refused(client: Client, filled: tuple[Store, str]) -> None:
    path = f"/api/events/{filled[1]}/window"
    assert_error(client.get(path, params={"from_s": 2, "to_s": 1, "channels": "engine_speed"}), 422)
    assert_error(client.get(path, params={"from_s": 1, "to_s": 2, "channels": "flux"}), 404)
    empty = day_window(client, filled[1], 300.0, 301.0, "engine_speed,tach_pulses")
    assert all(time.size == 0 for time, _ in empty.values())


def test_the_page_offers_every_recording(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}/day").text
    for n, name in enumerate(("r01", "r02", "r03")):
        assert f'data-span="{n}">{name}</button>' in page
