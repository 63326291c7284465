"""What tests of more than one folder start from."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.store.store import Store
from tests.web import example

Stored = Callable[..., tuple[Store, str]]


@pytest.fixture(scope="session")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Stored:
    """stored(data_dir, analysed=True): a store of its own with the example in it, to be closed, and the event's id.

    Importing the capture folder takes thirty times as long as copying what came of it, so that is done once.
    """
    folder = tmp_path_factory.mktemp("stored")
    with Store(folder / "data") as store:
        event_id = example.fill(store, folder / "captured", analysed=False)

    def copied(data_dir: Path, *, analysed: bool = True) -> tuple[Store, str]:
        shutil.copytree(folder / "data", data_dir)
        store = Store(data_dir)
        if analysed:
            example.analyse(store, event_id)
        return store, event_id

    return copied
