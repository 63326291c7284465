"""Every page's JSON, its errors, and that no request whatever makes the server stumble."""

from pathlib import Path

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.store.store import Store
from tests.web.client import Client
from tests.web.errors import assert_error
from tests.web.test_traces import decode


def test_the_list_names_the_event_and_its_stumbles(client: Client, filled: tuple[Store, str]) -> None:
    (line,) = client.get("/api/events").json()["events"]
    assert line["event_id"] == filled[1]
    assert (line["n_recordings"], line["n_stumbles"], line["main_cause"]) == (3, 3, "ignition_primary")


def test_the_event_says_what_failed_how_often_how_sure_and_what_to_test(
    client: Client, filled: tuple[Store, str]
) -> None:
    answer = client.get(f"/api/events/{filled[1]}").json()["answer"]
    assert answer["sentence"] == "The coil loses its feed on knocks: 3 stumbles in 2 of 3 recordings."
    assert (answer["n_stumbles"], answer["n_recordings_with"], answer["n_recordings"]) == (3, 2, 3)
    assert answer["sure"] == pytest.approx(0.93)
    assert answer["next_tests"][0]["title"] == "Tug and tap the coil feed wire"


def test_the_findings_are_handed_on_unchanged(client: Client, filled: tuple[Store, str]) -> None:
    assert client.get(f"/api/events/{filled[1]}/findings").json() == filled[0].findings(filled[1])


def test_findings_that_are_not_there_yet_say_so(own: tuple[Client, Store, str]) -> None:
    client, _, event_id = own
    error = assert_error(client.get(f"/api/events/{event_id}/findings"), 404)
    assert error["what"] == "This event has not been worked out yet."


def test_a_window_is_bytes(client: Client, filled: tuple[Store, str]) -> None:
    answer = client.get(
        f"/api/events/{filled[1]}/recordings/r02/window",
        params={"from_s": 19, "to_s": 21, "channels": "engine_speed,battery_voltage"},
    )
    assert answer.headers["content-type"] == "application/octet-stream"
    assert list(decode(answer.content)) == ["engine_speed", "battery_voltage"]


WINDOW = {"from_s": "1", "to_s": "2", "channels": "battery_voltage"}


@pytest.mark.parametrize(
    ("change", "status", "what"),
    [
        ({"channels": "battery_voltage,flux"}, 404, "No such channel in this recording."),
        ({"channels": ""}, 404, "No such channel in this recording."),
        ({"channels": "spark_pulses"}, 404, "No such channel in this recording."),
        ({"to_s": "1"}, 422, "The window must end after it starts."),
        ({"to_s": "nan"}, 422, "to_s: Input should be a finite number"),
        ({"from_s": "-inf"}, 422, None),
        ({"to_s": "1e300"}, 422, None),
        ({"points": "1000000"}, 422, None),
        ({"points": "x"}, 422, None),
    ],
)
def test_a_window_that_cannot_be_is_refused(
    client: Client, filled: tuple[Store, str], change: dict[str, str], status: int, what: str | None
) -> None:
    answer = client.get(f"/api/events/{filled[1]}/recordings/r02/window", params=WINDOW | change)
    error = assert_error(answer, status)
    assert what is None or error["what"] == what


@pytest.mark.parametrize("path", ["nobody", "%2e%2e%2f%2e%2e%2fetc%2fpasswd", "%00", "r01.sqlite"])
def test_an_unknown_event_is_a_404_and_never_a_path(client: Client, path: str) -> None:
    assert client.get(f"/api/events/{path}/findings").status_code == 404
    assert client.get(f"/events/{path}").status_code in (404, 405)
    assert client.get(f"/static/{path}").status_code == 404


def test_an_unknown_recording_is_a_404(client: Client, filled: tuple[Store, str]) -> None:
    assert_error(client.get(f"/api/events/{filled[1]}/recordings/r09"), 404)
    assert_error(client.get(f"/api/events/{filled[1]}/recordings/r09/window", params=WINDOW), 404)


def test_people_get_errors_as_a_page_and_programs_as_json(client: Client) -> None:
    page = client.get("/events/nobody", headers={"Accept": "text/html,*/*"})
    assert page.status_code == 404
    assert "<h1>No such event.</h1>" in page.text
    assert_error(client.get("/events/nobody", headers={"Accept": "*/*"}), 404)
    assert_error(client.get("/api/nothing", headers={"Accept": "text/html"}), 404)


@pytest.mark.parametrize(
    "path", ["/events/{}/r02/at/abc", "/events/{}/r02/at/-1", "/cards/foo", "/events/{}/superposed?cause=gremlins"]
)
def test_a_mistyped_address_is_a_page_in_peoples_words(client: Client, filled: tuple[Store, str], path: str) -> None:
    page = client.get(path.format(filled[1]), headers={"Accept": "text/html"})
    assert page.status_code == 404
    assert "<h1>There is nothing at this address.</h1>" in page.text


def test_the_address_of_a_refused_form_leads_back_to_the_form_or_says_so(client: Client) -> None:
    people = {"Accept": "text/html"}
    assert client.get("/settings/engine", headers=people).headers["location"] == "/settings#sl-engine-h"
    page = client.get("/settings/changes/1/remove", headers=people)
    assert page.status_code == 405
    assert "it only takes what a form sends" in page.text


def test_the_wrong_kind_of_request_is_a_405(client: Client) -> None:
    assert_error(client.request("DELETE", "/api/now", content=b""), 405)


def test_the_schema_describes_every_address_and_its_errors(client: Client) -> None:
    schema = client.get("/api/openapi.json").json()
    assert "/api/events/{event_id}/recordings/{recording}/window" in schema["paths"]
    for path, methods in schema["paths"].items():
        for described in methods.values():
            assert described["description"], path
            assert described["responses"]["404"]["content"]["application/json"]["schema"] == {
                "$ref": "#/components/schemas/ErrorAnswer"
            }


texts = st.one_of(
    st.text(max_size=12), st.sampled_from(["r02", "nan", "-1", "1e400", "20.0", "engine_speed,,", "\x00"])
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(recording=texts, query=st.dictionaries(st.sampled_from(["from_s", "to_s", "channels", "points", "at_s"]), texts))
def test_whatever_is_asked_the_server_does_not_fail(
    client: Client, filled: tuple[Store, str], recording: str, query: dict[str, str]
) -> None:
    base = f"/api/events/{filled[1]}/recordings"
    for path, params in [(f"{base}/{recording}", query), (f"{base}/r02/window", WINDOW | query)]:
        try:
            answer = client.get(path, params=params)
        except (ValueError, httpx.InvalidURL):  # not an address at all: the client itself refuses to send it
            continue
        assert answer.status_code < 500


def test_fifty_requests_leave_no_file_open(client: Client, filled: tuple[Store, str]) -> None:
    paths = [f"/events/{filled[1]}", f"/events/{filled[1]}/r02/at/20.000", f"/api/events/{filled[1]}/superposed/values"]
    for path in paths:
        client.get(path)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for path in paths * 17:
        assert client.get(path).status_code == 200
    assert len(list(Path("/proc/self/fd").iterdir())) <= before


def test_a_stretch_without_any_value_is_a_table_of_no_lines(client: Client, filled: tuple[Store, str]) -> None:
    answer = client.get(f"/api/events/{filled[1]}/recordings/r01/values.csv?from_s=0&to_s=1e-320")
    assert (answer.status_code, answer.text) == (200, "channel,time_s,value,unit\n")
