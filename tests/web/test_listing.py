"""The list of events, cut short while a device opens it."""

from dataclasses import replace
from pathlib import Path

from logger.store.store import Store
from tests.web.client import Client
from web import listing
from web.app import create_app

LINE = listing.ListLine("e", "Larch Hollow", "competition", None, 4, 2, None, None)


def test_the_newest_hundred_are_shown_first_and_the_rest_counted() -> None:
    page = listing.ListPage([replace(LINE, event_id=str(n)) for n in range(103)])
    short = listing.newest(page)
    assert [line.event_id for line in short.events] == [str(n) for n in range(100)]
    assert short.n_more == 3
    assert listing.newest(listing.ListPage(page.events[:100])).n_more == 0


def test_older_events_are_one_tap_away(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(listing, "AT_FIRST", 2)
    with Store(tmp_path / "data") as store:
        with store.logbook.transaction() as database:
            for n in range(3):
                database.execute(
                    "INSERT INTO events (id, name, kind, engine, started_utc, created_utc)"
                    " VALUES (?, ?, 'competition', '{}', ?, ?)",
                    [f"e{n}", f"Hill {n}", f"2026-05-0{n + 1}T08:00:00+00:00", "2026-05-09T08:00:00+00:00"],
                )
        client = Client(create_app(store))
        short = client.get("/events").text
        assert ("Hill 2" in short, "Hill 0" in short) == (True, False)
        assert 'href="/events?every=true">Show 1 older event<' in short
        whole = client.get("/events?every=true").text
        assert "Hill 0" in whole
        assert "older event" not in whole
