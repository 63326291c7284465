"""Bench page, pulls, test cards and circumstances."""

import re
from pathlib import Path

import pytest

from logger.analysis.pull.pull_findings import pull_findings
from logger.event import CAUSES, Cause
from logger.store.store import Store
from tests.analysis.invented import event as invented_event
from tests.analysis.invented import running, stumble
from tests.analysis.test_pulls import sweep
from tests.conftest import Stored
from tests.web.client import Client
from tests.web.example import findings
from web import bench, cards, pulls
from web.app import create_app

Own = tuple[Client, Store, str]


def pulled(*strengths: float, break_up: bool = False) -> dict:  # type: ignore[type-arg]
    """Pulls of the given strengths, in that order; break_up: the last one breaks up at 12.5 s."""
    of = invented_event([sweep(f"r{n:02d}", strength) for n, strength in enumerate(strengths, 1)])
    broken = [stumble(f"r{len(strengths):02d}", 12.5, 0.2)] if break_up else []
    return pull_findings(of, running(of), broken)


def told(own: Own, **more: object) -> tuple[Client, str]:
    """The client, once the event in its store has findings with what is given."""
    client, store, event_id = own
    store.save_findings(event_id, {**findings().as_json(), **more}, store.input_fingerprint(event_id))
    return client, event_id


def test_a_picture_lays_pulls_over_each_other_on_the_best_ones_scale() -> None:
    found = pulls.picture(pulled(1.0, 0.9))
    assert found is not None
    assert [(one.number, one.is_best) for one in found.pulls] == [(1, True), (2, False)]
    assert found.unit == "%"
    best, weaker = ([float(y) for y in re.findall(r",([\d.]+)", one.lines[0])] for one in found.pulls)
    zero = pulls.HEIGHT - pulls.BOTTOM
    assert (zero - weaker[3]) / (zero - best[3]) == pytest.approx(0.9, abs=0.02)


def test_a_pull_in_another_gear_does_not_take_the_newton_metres_from_the_rest(own: Own) -> None:
    given = pulled(1.0, 0.9, 0.8)
    for one in given["pulls"][:2]:
        one["torque_nm"] = [200.0 for _ in one["speed_rpm"]]
    client, event_id = told(own, pulls=given)
    picture = client.get(f"/api/events/{event_id}/pulls").json()["picture"]
    assert (picture["unit"], [one["peak"] for one in picture["pulls"]]) == ("N·m", [200.0, 200.0, None])
    assert "not known in this gear" in client.get(f"/events/{event_id}/pulls").text


def test_a_break_up_is_marked_on_its_curve() -> None:
    found = pulls.picture(pulled(1.0, break_up=True))
    assert found is not None
    ((x, y),) = found.pulls[0].broken
    points = {tuple(map(float, point.split(","))) for line in found.pulls[0].lines for point in line.split()}
    assert (x, y) in points
    at_rpm = 2000.0 + (x - pulls.LEFT) / (pulls.WIDTH - pulls.LEFT - pulls.RIGHT) * 4000.0
    assert at_rpm == pytest.approx(3800.0, abs=250.0)


def test_no_pulls_no_picture() -> None:
    assert pulls.picture({}) is None


def test_where_hot_begins_is_said_in_the_unit_of_the_device(own: Own) -> None:
    client, event_id = told(own, pulls=pulled(1.0, 0.9))
    assert "Hot: 92.0 °C and above." in client.get(f"/events/{event_id}/pulls").text
    fahrenheit = client.get(f"/events/{event_id}/pulls", headers={"Cookie": "sl_temperature=degF"}).text
    assert "Cold: coolant below 158.0 °F. Warm: from there to below 197.6 °F." in fahrenheit


def test_the_page_of_pulls_shows_curves_sentences_and_links(own: Own) -> None:
    client, event_id = told(own, pulls=pulled(1.0, 0.9))
    page = client.get(f"/events/{event_id}/pulls").text
    assert page.count("<polyline") == 2
    assert "Referred to standard air by SAE J1349" in page
    assert re.search(rf'href="/events/{event_id}/r02/at/[\d.]+"', page)
    assert len(client.get(f"/api/events/{event_id}/pulls").json()["picture"]["pulls"]) == 2
    assert f"/events/{event_id}/pulls" in client.get(f"/events/{event_id}").text


def test_an_event_without_pulls_says_what_a_pull_is(own: Own) -> None:
    client, event_id = told(own)
    assert "No full-load pull was found" in client.get(f"/events/{event_id}/pulls").text


def test_pulls_of_an_event_not_worked_out_are_not_there_yet(own: Own) -> None:
    client, _, event_id = own
    assert client.get(f"/api/events/{event_id}/pulls").status_code == 404


def test_the_bench_page_shows_the_last_pull_beside_the_best(own: Own) -> None:
    client, _ = told(
        own, pulls=pulled(1.0, 0.9), coverage={"sentence": "It reached half of it."}, provoke=["Shake it."]
    )
    page = client.get("/bench").text
    assert re.search(r"r02, [\d.]+ s, warm: 90 % of the best pull of this gear\.", page)
    assert page.count("<polyline") == 2
    assert "It reached half of it." in page
    assert "Shake it." in page
    assert 'data-channel="fuel_pressure"' in page


def test_the_bench_page_learns_of_a_new_pull_by_its_key(own: Own) -> None:
    client, event_id = told(own, pulls=pulled(1.0))
    first = client.get("/api/bench").json()
    assert first["last"]["share"] is None  # the only one is the best so far
    told(own, pulls=pulled(1.0, 0.9, break_up=True))
    second = client.get("/api/bench").json()
    assert first["key"] != second["key"]
    assert (second["event_id"], second["last"]["n_broken"]) == (event_id, 1)


def test_an_empty_store_has_an_empty_bench_page(tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store:
        assert bench.build(store) == bench.BenchPage("", None, None, None, [])
        assert "No pull yet." in Client(create_app(store)).get("/bench").text


@pytest.mark.parametrize("cause", CAUSES)
def test_a_card_holds_every_step_of_its_cause_and_says_where_limits_come_from(cause: Cause) -> None:
    page = cards.build(cause)
    html = re.sub(r"<[^>]*>|\s+", " ", cards.card_html(cause).replace("&#39;", "'"))
    for test in (*page.measure, *page.provoke):
        for text in (test.title, *test.steps, *(limit.passes for limit in test.limits)):
            assert text.replace("&", "&amp;") in html
        assert all(1 <= limit.source <= len(page.sources) for limit in test.limits)
    assert "scrutineers come first" in html
    assert html.index("First, engine off, key out") < html.index("Limits from")


def test_the_file_of_a_card_needs_nothing_from_anywhere_and_its_page_keeps_to_the_policy(client: Client) -> None:
    assert not re.search(r"<script|<link|<img|@import|url\(", cards.card_html("fuel_delivery"))
    page = client.get("/cards/fuel_delivery").text
    assert '<link rel="stylesheet" href="/static/card.css">' in page
    assert "<style" not in page
    assert client.get("/cards/none", headers={"Accept": "text/html"}).status_code == 404


def test_what_is_entered_on_the_page_stands_in_the_form_and_reaches_the_event(own: Own) -> None:
    client, store, event_id = own
    form = {"road": "wet", "fuel": "", "air_pressure_kpa": "97,4"}
    assert client.post(f"/events/{event_id}/circumstances", data=form).status_code == 303
    assert store.circumstances(event_id) == {"road": "wet", "air_pressure_kpa": 97.4}
    page = client.get(f"/events/{event_id}/circumstances").text
    assert '<option value="wet" selected>' in page
    assert 'name="air_pressure_kpa" value="97.4"' in page


def test_one_wrong_number_is_named_as_the_form_names_it_and_the_others_stay_in_the_form(own: Own) -> None:
    client, store, event_id = own
    form = {"road": "dry", "mass_kg": "1.1 t", "metres_per_turn": "1.9"}
    answer = client.post(f"/events/{event_id}/circumstances", data=form)
    assert answer.status_code == 422
    assert "mass: &#39;1.1 t&#39; is not allowed; it must be 100 to 20000 kg" in answer.text
    for kept in ('<option value="dry" selected>', 'name="metres_per_turn" value="1.9"'):
        assert kept in answer.text
    assert store.circumstances(event_id) == {}


def test_a_device_that_reads_psi_enters_psi(own: Own) -> None:
    client, store, event_id = own
    path, device = f"/events/{event_id}/circumstances", {"Cookie": "sl_pressure=psi; sl_temperature=degF"}
    form = {"air_pressure_kpa": "14.5", "air_temperature_degc": "68"}
    assert client.post(path, data=form, headers=device).status_code == 303
    entered = dict(store.circumstances(event_id))
    assert entered == {"air_pressure_kpa": pytest.approx(99.974, abs=1e-3), "air_temperature_degc": pytest.approx(20.0)}
    page = client.get(path, headers=device).text
    assert "(5.802 to 17.4 psi)" in page  # 40 to 120 kPa
    assert 'name="air_pressure_kpa" value="14.5"' in page
    refused = client.post(path, data={"air_pressure_kpa": "101"}, headers=device)
    assert "air pressure: &#39;101&#39; is not allowed; it must be 5.802 to 17.4 psi" in refused.text
    assert client.post(path, data=form | {"road": "dry"}, headers=device).status_code == 303
    assert store.circumstances(event_id) == entered | {"road": "dry"}  # shown, sent back, and not another value


def test_circumstances_come_and_go_as_json_and_nonsense_is_refused_whole(own: Own) -> None:
    client, store, event_id = own
    path = f"/api/events/{event_id}/circumstances"
    assert client.post(path, json={"mass_kg": 900}).status_code == 204
    refused = client.post(path, json={"mass_kg": 950, "road": "icy"})
    assert (refused.status_code, "road is 'icy'" in refused.text) == (400, True)
    assert store.circumstances(event_id) == {"mass_kg": 900.0}
    fields = {field["name"]: field["value"] for field in client.get(path).json()["fields"]}
    assert (fields["mass_kg"], fields["road"]) == ("900", "")


def test_the_event_page_says_how_to_bring_it_out_and_what_would_prove_a_repair(own: Own) -> None:
    client, event_id = told(own, provoke=["Shake it."], proof_ahead="9 clean runs.", repairs=[])
    page = client.get(f"/events/{event_id}").text
    assert "Shake it." in page
    assert "To prove a repair made now: 9 clean runs." in page
    assert 'href="/cards/ignition_primary"' in page


def test_the_report_is_the_same_whenever_it_is_made(stored: Stored, tmp_path: Path) -> None:
    from web.exports import report_html

    store, event_id = stored(tmp_path / "data")
    with store:
        store.save_findings(event_id, {**findings().as_json(), "pulls": pulled(1.0)}, store.input_fingerprint(event_id))
        first = report_html(store, event_id)
        assert first == report_html(store, event_id)
        assert "What happened" in first
        assert "Then: renewed the coil." in first
        assert 'class="sl-pull ' in first


def test_after_a_commissioning_test_nothing_is_to_be_brought_out_again(own: Own) -> None:
    client, event_id = told(own, provoke=["Shake it."])
    assert client.get("/api/bench").json()["provoke"] == ["Shake it."]
    own[1].commission(event_id)
    assert client.get("/api/bench").json()["provoke"] == []
