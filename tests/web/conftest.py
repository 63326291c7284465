from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.store.store import Store
from tests.web.client import Client
from tests.web.example import fill
from web.app import create_app


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, str]]:
    """A store that tests only read, and the id of the one event in it."""
    folder = tmp_path_factory.mktemp("filled")
    with Store(folder / "data") as store:
        yield store, fill(store, folder / "captured")


@pytest.fixture(scope="session")
def client(filled: tuple[Store, str]) -> Client:
    return Client(create_app(filled[0]), raises=False)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[tuple[Client, Store, str]]:
    """A store of its own for a test that writes: the event in it is not analysed yet."""
    with Store(tmp_path / "data") as store:
        event_id = fill(store, tmp_path / "captured", analysed=False)
        yield Client(create_app(store, tmp_path / "run")), store, event_id
