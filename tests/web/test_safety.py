"""The safety page: one text, in the kit's folder too, and a way to it wherever a procedure starts."""

import pytest

from logger.store.store import Store
from tests.web.client import Client
from web import cards, safety
from web.texts import TEXTS


def test_the_kits_page_is_written_from_the_texts() -> None:
    assert safety.PATH.read_text(encoding="utf-8") == safety.as_markdown()


def test_the_page_names_every_danger(client: Client) -> None:
    html = client.get("/safety").text
    shown = client.get("/api/safety").json()
    assert len(shown["dangers"]) == len(TEXTS["danger"]) == 8
    for danger in shown["dangers"]:
        assert f">{danger['title']}</h2>" in html


@pytest.mark.parametrize(
    "path",
    ["/events/{event}", "/events/{event}/r02/at/20.000", "/cards/ignition_primary", "/bench", "/now", "/check"],
)
def test_wherever_a_procedure_starts_there_is_a_way_to_it(filled: tuple[Store, str], client: Client, path: str) -> None:
    html = client.get(path.format(event=filled[1]), headers={"Accept": "text/html"}).text
    assert f'<a href="/safety">{TEXTS["safety"]["link"]}</a>' in html


def test_a_card_in_a_file_of_its_own_leads_nowhere() -> None:
    assert "/safety" not in cards.card_html("ignition_primary")
