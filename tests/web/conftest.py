from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.store.store import Store
from tests.conftest import Stored
from tests.web.client import Client
from web.app import create_app


@pytest.fixture(scope="session")
def filled(stored: Stored, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, str]]:
    """A store that tests only read, and the id of the one event in it."""
    store, event_id = stored(tmp_path_factory.mktemp("filled") / "data")
    with store:
        yield store, event_id


@pytest.fixture(scope="session")
def client(filled: tuple[Store, str]) -> Client:
    return Client(create_app(filled[0]), raises=False)


@pytest.fixture
def own(stored: Stored, tmp_path: Path) -> Iterator[tuple[Client, Store, str]]:
    """A store of its own for a test that writes: the event in it is not analysed yet."""
    store, event_id = stored(tmp_path / "data", analysed=False)
    with store:
        yield Client(create_app(store, tmp_path / "run")), store, event_id
