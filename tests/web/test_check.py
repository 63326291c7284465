"""The start check on the page: a healthy car, a dead sensor, no recorder; in HTML and as JSON."""

import re
import time
from pathlib import Path

import pytest

from logger.store.store import Store
from tests.web.client import Client
from tests.web.starts import idling, say_again
from web.app import create_app


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("healthy")
    idling(folder / "data", folder / "run")
    return folder


def client_of(folder: Path) -> Client:
    say_again(folder / "run")
    return Client(create_app(Store(folder / "data"), folder / "run"))


def test_a_healthy_idling_car_is_ready_and_every_line_is_ok(healthy: Path) -> None:
    client = client_of(healthy)
    began = time.monotonic()
    answer = client.get("/api/now/check")
    assert time.monotonic() - began < 5.0
    page = answer.json()
    assert (page["verdict"], page["sentence"], page["running"]) == ("ok", "Ready for the run", True)
    assert {line["verdict"] for line in page["lines"]} == {"ok"}
    assert {"Recorder", "Battery", "Fuel pressure", "Pulses"} <= {line["label"] for line in page["lines"]}
    assert page["lines"][0].keys() == {"subject", "label", "value", "expected", "verdict", "todo"}


def test_the_page_says_each_line_in_words_and_leads_to_the_safety_page(healthy: Path) -> None:
    html = client_of(healthy).get("/check").text
    assert "Ready for the run" in html
    line = re.search(r'<li class="sl-check-line sl-check-ok">(?:(?!</li>).)*Battery.*?</li>', html, re.S)
    assert line
    words = re.sub(r"<[^>]*>|\s+", " ", line[0])
    assert re.search(r"✓ OK +Battery +1\d\.\d\d V +expected: 1\d\.\d\d to 1\d\.\d\d V", words), words
    assert '<a href="/safety">' in html


def test_values_are_in_the_units_of_the_device(healthy: Path) -> None:
    page = client_of(healthy).get("/api/now/check", headers={"Cookie": "sl_pressure=psi; sl_temperature=degF"}).json()
    values = {line["label"]: line["value"] for line in page["lines"]}
    assert values["Fuel pressure"].endswith(" psi")
    assert values["Coolant"].endswith(" °F")


def test_a_dead_sensor_is_a_stop_that_stands_first_and_says_what_to_do(tmp_path: Path) -> None:
    idling(tmp_path / "data", tmp_path / "run", without="fuel_pressure")
    page = client_of(tmp_path).get("/api/now/check").json()
    assert (page["verdict"], page["sentence"]) == ("stop", "Not ready for the run")
    assert (page["lines"][0]["subject"], page["lines"][0]["verdict"]) == ("fuel_pressure", "stop")
    assert "wire open, or short to ground" in page["lines"][0]["todo"]


def test_without_a_recorder_it_is_a_stop_and_says_how_to_start_it(own: tuple[Client, Store, str]) -> None:
    client, _, _ = own
    page = client.get("/api/now/check").json()
    assert page["verdict"] == "stop"
    (line,) = page["lines"]
    assert (line["subject"], line["value"], line["verdict"]) == ("recorder", "not running", "stop")
    assert "systemctl start stumblelog-recorder" in line["todo"]
    assert (page["running"], page["standing"]) == (False, False), "nothing is known of the engine"
    assert "The engine stood" not in client.get("/check").text


def test_a_word_of_before_is_not_taken_for_a_recorder(healthy: Path) -> None:
    client = client_of(healthy)
    path = healthy / "run" / "live.json"
    path.write_text(path.read_text().replace('"boot_id": "', '"boot_id": "another '), encoding="utf-8")
    assert client.get("/api/now/check").json()["verdict"] == "stop"
