"""The event page: the answer first, the day, and that it finds out by itself when there is something new."""

import re
from dataclasses import asdict

from logger.analysis.findings import FailedStart
from logger.store.store import Store
from logger.units import Units, reading
from tests.web.client import Client
from tests.web.example import findings


def test_the_answer_stands_before_everything_else(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}").text
    headings = re.findall(r"<h2[^>]*>([^<]*)</h2>", page)
    assert headings[:3] == ["The answer", "Test now", "The day"]
    assert "The coil loses its feed on knocks" in page
    assert "93 of 100 for this cause, averaged over its 3 stumbles" in page
    assert "shock: yes, heat: cannot be told" in page


def test_the_way_to_the_first_moment_is_one_tap(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}").text
    (href,) = re.findall(r'id="sl-first" href="([^"]+)"', page)
    assert href == f"/events/{filled[1]}/r02/at/20.000"
    assert client.get(href).status_code == 200


def test_cautions_stand_beside_the_tests(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}").text
    assert "A coil left fed with the engine off overheats" in page
    assert "Petrol and sparks do not mix" in page
    assert "Never look at a screen while driving" in page


def test_stumbles_marks_and_repairs_are_on_the_strips(client: Client, filled: tuple[Store, str]) -> None:
    first, second, third = client.get(f"/api/events/{filled[1]}").json()["strips"]
    assert first["stumbles"] == []
    assert [round(tick["at_percent"], 1) for tick in second["stumbles"]] == [33.3, 69.2]  # 20 s and 41.5 s of 60 s
    assert [round(tick["at_percent"], 1) for tick in second["marks"]] == [36.0, 71.8]  # 1.6 s later
    assert second["repairs_after"][0]["what"] == "renewed the coil"
    assert second["repairs_after"][0]["verdict"] == "not_fixed"
    assert third["repairs_after"] == []


def test_the_ground_of_a_strip_grows_darker_with_the_coolant(client: Client, filled: tuple[Store, str]) -> None:
    strips = client.get(f"/api/events/{filled[1]}").json()["strips"]
    levels = [heat["level"] for strip in strips for heat in strip["heat"]]
    assert levels[0] == 0
    assert levels[-1] == 5
    assert strips[0]["coolant_low_c"] < strips[1]["coolant_low_c"] < strips[2]["coolant_low_c"]
    for strip in strips:
        covered = sum(heat["width_percent"] for heat in strip["heat"])
        assert abs(covered - 100.0) < 0.1


def test_sensors_with_faults_come_first(client: Client, filled: tuple[Store, str]) -> None:
    sensors = client.get(f"/api/events/{filled[1]}").json()["sensors"]
    assert sensors[0] == {
        "channel": "fuel_pressure",
        "state": "fault",
        "faults": ["intermittent in r02, from 50.0 s to 50.6 s"],
    }
    states = {line["channel"]: line["state"] for line in sensors}
    assert states["battery_voltage"] == "ok"
    assert states["spark_pulses"] == "absent"


def test_an_event_not_worked_out_says_so_and_changes_when_it_is(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    assert "Not worked out yet." in client.get(f"/events/{event_id}").text
    before = client.get(f"/api/events/{event_id}/revision").json()
    assert client.get(f"/api/events/{event_id}/revision").json() == before
    store.save_findings(event_id, findings().as_json(), store.input_fingerprint(event_id))
    assert client.get(f"/api/events/{event_id}/revision").json() != before
    assert "The coil loses its feed on knocks" in client.get(f"/events/{event_id}").text


def test_an_event_without_stumbles_says_that_none_was_found(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    nothing = findings().as_json() | {"stumbles": [], "main_cause": None, "summary": "", "next_tests": []}
    store.save_findings(event_id, nothing, store.input_fingerprint(event_id))
    page = client.get(f"/events/{event_id}").text
    assert "No stumble was found in 3 recordings." in page
    assert "sl-first" not in page


def test_what_the_bursts_have_in_common_is_told_with_the_links(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    low = {"channel": "fuel_pressure", "from_s": -1.2, "is_higher": False, "n": 3}
    document = findings().as_json() | {"links": {"sentence": "Linked with shock.", "precursors": [low]}}
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    page = client.get(f"/events/{event_id}").text
    assert "<p>Linked with shock.</p>" in page
    assert "fuel pressure lower from 1.2 s before" in page


def test_what_was_off_all_day_stands_in_the_answer(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    said = {"channel": "battery_voltage", "sentence": "Battery voltage was at 12 V at full load."}
    document = findings().as_json() | {"stumbles": [], "main_cause": None, "off_normal": [said]}
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    page = client.get(f"/events/{event_id}").text
    assert "Battery voltage was at 12 V at full load." in page
    assert page.index("Battery voltage was") < page.index("The day")


def test_temperatures_follow_the_units_of_the_device(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}", headers={"Cookie": "sl_temperature=degF"}).text
    assert re.search(r"coolant 158 °F to \d+ °F", page)
    assert "°C" not in page


def test_a_reading_that_rounds_to_nothing_has_no_sign() -> None:
    assert reading("V", -0.0041, Units()) == "0.00 V"
    assert reading("V", -0.006, Units()) == "-0.01 V"


def test_a_repair_that_failed_needs_another_cause_and_no_more_proof(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}").text
    assert "<p>the cause is elsewhere</p>" in page
    assert "Still needed" not in page


def test_an_unknown_unit_in_a_cookie_is_ignored(client: Client, filled: tuple[Store, str]) -> None:
    page = client.get(f"/events/{filled[1]}", headers={"Cookie": "sl_temperature=<b>"}).text
    assert "coolant 70 °C" in page


def test_one_event_alone_is_shown_at_once(client: Client, filled: tuple[Store, str]) -> None:
    answer = client.get("/", follow_redirects=False)
    assert answer.status_code == 307
    assert answer.headers["location"] == f"/events/{filled[1]}"


def test_an_event_without_a_stumble_says_right_away_what_could_not_be_judged(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    document = findings().as_json() | {"stumbles": [], "main_cause": None, "summary": "No stumble was found."}
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    page = client.get(f"/events/{event_id}").text
    assert page.index("No stumble was found.") < page.index("What could not be judged") < page.index("The day")
    assert page.count("What could not be judged") == 1
    report = client.get(f"/events/{event_id}/report.html").text
    assert "How often" not in report
    assert "Every stumble" not in report


def test_a_failed_start_is_told_before_the_day_on_its_strip_and_where_it_leads(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    start = asdict(FailedStart("r02", 3.0, 8.0, True, 250.0, 9.8, "cranked, with tach pulses, and did not start"))
    document = findings().as_json() | {"failed_starts": [start]}
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    page = client.get(f"/events/{event_id}").text
    assert page.index("Failed starts") < page.index("The day")
    assert ", 1 failed start" in page
    moment = client.get(f"/events/{event_id}/r02/at/3.000").text
    assert "A failed start: cranked, with tach pulses, and did not start." in moment
    assert 'data-zoom="instant"' in moment
    assert "cranked, with tach pulses" in client.get(f"/events/{event_id}/report.html").text
