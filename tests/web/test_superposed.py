"""All stumbles on one zero: the grid, what stands at a lag, and only where a cause failed first."""

import json

import numpy as np
import pytest

from logger.errors import StoreError
from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from tests.web.example import OPEN_S
from web.superposed import LAG_S, STEP_S, Superposed, _held, _highest, build, encode


def matrices(body: bytes) -> tuple[dict, dict[str, np.ndarray]]:
    assert body[:4] == b"SLM1"
    length = int.from_bytes(body[4:8], "little")
    header = json.loads(body[8 : 8 + length])
    shape = (len(header["channels"]), header["rows"], len(header["lag_s"]))
    values = np.frombuffer(body, "<f4", -1, 8 + length).reshape(shape)
    return header, dict(zip(header["channels"], values, strict=True))


def test_every_stumble_is_cut_around_its_own_onset(client: Client, filled: tuple[Store, str]) -> None:
    header, laid = matrices(client.get(f"/api/events/{filled[1]}/superposed/values").content)
    assert header["rows"] == 3
    lags = np.array(header["lag_s"])
    feed = laid["ignition_feed_voltage"]
    inside = (lags > 0) & (lags < OPEN_S - 0.011)
    assert (feed[:, inside] < 0.5).all()
    assert (feed[:, (lags < -0.011) | (lags > OPEN_S + 0.011)] > 13).all()
    knock = laid["shock_level"].argmax(axis=1)
    assert lags[knock] == pytest.approx([-0.02] * 3, abs=STEP_S)  # 30 ms before, counted to the lag that follows


def test_a_value_is_held_until_the_next_but_not_for_ever() -> None:
    time = np.array([0, 1_000_000_000], np.int64)
    at = np.array([-1, 0, 400_000_000, 600_000_000, 1_100_000_000], np.int64)
    np.testing.assert_array_equal(_held(time, np.array([7.0, 9.0]), at), [np.nan, 7.0, 7.0, np.nan, 9.0])


def test_a_knock_between_two_lags_is_kept() -> None:
    time = np.arange(0, 100_000_000, 2_500_000)
    value = np.zeros(time.size)
    value[13] = 5.0  # at 32.5 ms
    at = np.arange(0, 100_000_001, 20_000_000)
    np.testing.assert_array_equal(_highest(time, value, at), [0.0, 0.0, 5.0, 0.0, 0.0, 0.0])


def test_only_the_stumbles_of_one_cause_are_kept(client: Client, filled: tuple[Store, str]) -> None:
    base = f"/api/events/{filled[1]}/superposed"
    assert len(client.get(base, params={"cause": "ignition_primary"}).json()["rows"]) == 3
    assert client.get(base, params={"cause": "mixture"}).json()["rows"] == []
    assert_error(client.get(base, params={"cause": "gremlins"}), 422)
    assert matrices(client.get(f"{base}/values", params={"cause": "mixture"}).content)[0]["rows"] == 0


def test_an_event_without_stumbles_has_nothing_to_lay_over(own: tuple[Client, Store, str]) -> None:
    client, _, event_id = own
    assert "There is no stumble to lay over another." in client.get(f"/events/{event_id}/superposed").text


def test_the_grid_holds_zero() -> None:
    assert 0.0 in LAG_S


def test_the_values_are_worked_out_once_and_anew_when_a_calibration_changes(filled: tuple[Store, str]) -> None:
    store, event_id = filled
    kept = Superposed()
    page = build(store, event_id, None)
    first = kept.begin(store, page)
    assert first.result() == encode(store, page)
    assert kept.begin(store, build(store, event_id, None)) is first
    entry = store.calibrate("battery_voltage", {"unit": "V", "convert": "divider", "ratio": 11.0})
    try:
        assert kept.begin(store, page) is not first
    finally:
        store.remove("calibrations", entry)


def test_what_failed_is_tried_anew(filled: tuple[Store, str], monkeypatch: pytest.MonkeyPatch) -> None:
    store, event_id = filled
    kept, page = Superposed(), build(store, event_id, None)
    with monkeypatch.context() as broken:
        broken.setattr("web.superposed._cut", lambda *_: (_ for _ in ()).throw(StoreError("the card is gone")))
        with pytest.raises(StoreError, match="the card is gone"):
            kept.begin(store, page).result()
    assert kept.begin(store, page).result() == encode(store, page)
