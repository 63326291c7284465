"""The report: everything in one file, readable without this server."""

import re
from itertools import pairwise

from logger.store.store import Store
from tests.web.client import Client
from tests.web.example import findings
from web.report import HEIGHT, WIDTH


def test_the_file_needs_nothing_from_anywhere(client: Client, filled: tuple[Store, str]) -> None:
    answer = client.get(f"/events/{filled[1]}/report.html")
    assert answer.headers["content-disposition"] == f'attachment; filename="{filled[1]}.html"'
    assert not re.search(r"<script|<link|<img|@import|url\(|(?:src|href)=", answer.text)
    assert "--sl-ink:" in answer.text


def test_it_says_what_the_pages_say(client: Client, filled: tuple[Store, str]) -> None:
    text = client.get(f"/events/{filled[1]}/report.html").text
    for words in [
        "Larkfold Hill, spring meeting",
        "The coil loses its feed on knocks",
        "The coil lost its feed 30 ms after a knock",
        "Tug and tap the coil feed wire",
        "A coil left fed with the engine off overheats",
        "renewed the coil: not fixed",
        "Heat: the runs were too alike to tell.",
    ]:
        assert words in text


def test_the_drawings_show_the_dip_and_every_pulse(client: Client, filled: tuple[Store, str]) -> None:
    first = client.get(f"/api/events/{filled[1]}/report").json()["moments"][0]
    drawings = {drawing["channel"]: drawing for drawing in first["drawings"]}
    feed = drawings["ignition_feed_voltage"]
    assert round(feed["low"], 2) == 0.4
    points = [tuple(map(float, point.split(","))) for line in feed["lines"] for point in line.split()]
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in points)
    lowest = [x for x, y in points if y == max(y for _, y in points)]
    assert first["zero_x"] - 1 <= min(lowest) <= max(lowest) <= first["end_x"]
    gap = max(b - a for a, b in pairwise(drawings["tach_pulses"]["ticks"]))
    assert abs(gap / WIDTH * 3.32 - 0.125) < 0.01  # 120 ms open, and the interval around it


def test_one_moment_of_each_recording_stands_for_the_others(client: Client, filled: tuple[Store, str]) -> None:
    moments = client.get(f"/api/events/{filled[1]}/report").json()["moments"]
    assert [moment["page"]["recording"] for moment in moments] == ["r02", "r03"]


def test_the_file_is_in_the_time_of_the_device_that_asked_and_names_its_zone_once(
    client: Client, filled: tuple[Store, str]
) -> None:
    """The event began at 08:02 UTC; the story names its recordings' times, the table those of the stumbles."""
    path = f"/events/{filled[1]}/report.html"
    text = client.get(path, headers={"Cookie": "sl_zone=Europe/Dublin"}).text
    assert text.count("Europe/Dublin") == 1
    assert "UTC" not in text
    shown = re.findall(r">([^<]*09:\d\d[^<]*)</time>", text)
    assert shown[:2] == ["2026-05-09 09:02", "09:02"]
    assert client.get(path, headers={"Cookie": "sl_zone=../../etc/passwd"}).status_code == 200


def test_the_sentences_are_in_the_units_of_the_device(own: tuple[Client, Store, str]) -> None:
    client, store, event_id = own
    document = findings().as_json() | {"provoke": ["Warm it to 92 °C <at> 250 kPa."]}
    store.save_findings(event_id, document, store.input_fingerprint(event_id))
    device = {"Cookie": "sl_pressure=bar; sl_temperature=degF"}
    for path in (f"/events/{event_id}/report.html", f"/events/{event_id}"):
        assert "Warm it to 198 °F &lt;at&gt; 2.50 bar." in client.get(path, headers=device).text
