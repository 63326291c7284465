"""The moment: which stumble an address means, the ladder's geometry, the way to its neighbours."""

import json
import re

import pytest

from logger.store.store import Store
from tests.web.client import Client
from tests.web.example import findings
from web import ladder


def moment(client: Client, filled: tuple[Store, str], recording: str, at_s: float) -> dict:
    return client.get(f"/api/events/{filled[1]}/recordings/{recording}", params={"at_s": at_s}).json()


@pytest.mark.parametrize(("at_s", "number"), [(20.0, 1), (20.4, 1), (19.6, 1), (41.5, 2)])
def test_an_address_means_the_nearest_stumble(
    client: Client, filled: tuple[Store, str], at_s: float, number: int
) -> None:
    page = moment(client, filled, "r02", at_s)
    assert (page["number"], page["n_stumbles"]) == (number, 3)


def test_an_address_far_from_any_stumble_shows_the_traces_only(client: Client, filled: tuple[Store, str]) -> None:
    page = moment(client, filled, "r02", 30.0)
    assert page["number"] is None
    assert page["rungs"] == []
    assert page["chart"]["from_s"] == 28.5


def test_previous_and_next_lead_over_recordings(client: Client, filled: tuple[Store, str]) -> None:
    first, second, third = (moment(client, filled, r, at) for r, at in [("r02", 20.0), ("r02", 41.5), ("r03", 33.25)])
    assert first["previous_href"] is None
    assert first["next_href"] == f"/events/{filled[1]}/r02/at/41.500"
    assert second["next_href"] == f"/events/{filled[1]}/r03/at/33.250"
    assert third["previous_href"] == f"/events/{filled[1]}/r02/at/41.500"
    assert third["next_href"] is None


def test_the_first_view_holds_the_whole_stumble(client: Client, filled: tuple[Store, str]) -> None:
    chart = moment(client, filled, "r02", 20.0)["chart"]
    assert chart["from_s"] == 18.5
    assert chart["to_s"] == pytest.approx(20.0 + 0.12 + 0.2 + 1.5)
    assert [panel["key"] for panel in chart["panels"]] == [
        "speed",
        "pulses",
        "voltages",
        "pressure",
        "shock",
        "temperature",
    ]


def test_the_ladder_puts_each_channel_where_it_left_normal() -> None:
    order = [
        {"channel": "ignition_feed_voltage", "at_s": 20.0, "plus_minus_s": 0.0},
        {"channel": "tach_pulses", "at_s": 20.1, "plus_minus_s": 0.0},
    ]
    rungs, ticks = ladder.build({"onset_s": 20.0, "engine_onset_s": 20.1, "order": order})
    # 100 ms between the two, 6 ms of margin at either end: 6 of 112 and 106 of 112.
    assert [rung.at_percent for rung in rungs] == [pytest.approx(5.36), pytest.approx(94.64)]
    assert (ticks[0].ms, ticks[0].at_percent) == (0.0, pytest.approx(5.36))
    assert ticks[-1].ms == 100.0


def test_the_first_bad_firing_is_a_rung_of_its_own_unless_the_pulses_are_it() -> None:
    order = [{"channel": "fuel_pressure", "at_s": 5.0, "plus_minus_s": 0.02}]
    rungs, _ = ladder.build({"onset_s": 5.0, "engine_onset_s": 5.4, "order": order})
    assert [(rung.channel, rung.at_ms) for rung in rungs] == [("fuel_pressure", 0.0), ("engine", 400.0)]


def test_a_ladder_of_one_instant_has_a_width() -> None:
    order = [{"channel": "tach_pulses", "at_s": 5.0, "plus_minus_s": 0.0}]
    rungs, ticks = ladder.build({"onset_s": 5.0, "engine_onset_s": 5.0, "order": order})
    assert 0 < rungs[0].at_percent < 100
    assert len(ticks) >= 2


def test_the_page_says_it_all_and_carries_the_chart(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}/r02/at/20.000").text
    for words in [
        "Stumble 1 of 3",
        "The coil lost its feed 30 ms after a knock",
        "Order of failure",
        "at the same time, as far as the sensors can tell",
        "+90 ms ± 20 ms",
        "Speaks for it",
        "Speaks against it",
        "Not ruled out",
        "Next tests",
    ]:
        assert words in page
    chart = json.loads(re.search(r'id="sl-chart">(.*?)</script>', page).group(1))
    assert chart["onset_s"] == 20.0


def test_a_whole_recording_is_a_page_of_its_own(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}/r01/whole").text
    assert "r01, whole" in page
    assert "no single spike is lost" in page


@pytest.mark.parametrize("at", ["-1", "nan", "inf", "x", "1e9", "61"])
def test_an_instant_outside_the_recording_is_refused(client: Client, filled: tuple[Store, str], at: str) -> None:
    assert client.get(f"/events/{filled[1]}/r02/at/{at}").status_code in (404, 422)


def test_the_order_of_failure_never_runs_backwards() -> None:
    """The coil's feed is sampled, the tach timed: where the tach reads earlier but within the ±, the feed that makes it
    fail stays first, and no number contradicts that."""
    order = [
        {"channel": "ignition_feed_voltage", "at_s": 5.0, "plus_minus_s": 0.009},
        {"channel": "tach_pulses", "at_s": 4.997, "plus_minus_s": 0.001},
        {"channel": "air_fuel_ratio", "at_s": 5.16, "plus_minus_s": 0.03},
    ]
    rungs, _ = ladder.build({"onset_s": 4.997, "engine_onset_s": 4.997, "order": order})
    assert [(rung.channel, rung.at_ms, rung.is_same) for rung in rungs] == [
        ("ignition_feed_voltage", 0.0, False),
        ("tach_pulses", -3.0, True),
        ("air_fuel_ratio", 160.0, False),
    ]


def test_an_instant_has_no_more_digits_than_its_uncertainty(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    document = findings().as_json()
    document["stumbles"][0]["order"][2]["at_s"] += 0.0703  # 160.3 ms ± 20 ms
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    assert "+160 ms ± 20 ms" in client.get(f"/events/{event_id}/r02/at/20.000").text


def test_the_facts_say_what_the_engine_was_doing(client: Client, filled: tuple[Store, str]) -> None:
    pages = [client.get(f"/events/{filled[1]}/{at}").text for at in ("r02/at/20.000", "r03/at/33.250")]
    assert "Cut-out while pulling, 18 lost firings" in pages[0]
    assert "Cut-out, 18 lost firings" in pages[1]
