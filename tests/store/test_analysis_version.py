"""Findings of another analysis count as stale."""

import shutil

import pytest

from logger import __version__
from logger.store import results
from logger.store import store as stores
from logger.store.analysis_version import BESIDE, PACKAGE, analysis_version, digest
from logger.store.store import Store
from tests.store import recordings
from tests.web.example import findings


@pytest.fixture
def copied(tmp_path):
    """The files that findings rest on, free to be changed."""
    package = tmp_path / "package"
    shutil.copytree(PACKAGE / "analysis", package / "analysis", ignore=shutil.ignore_patterns("__pycache__"))
    (package / "store").mkdir()
    for name in BESIDE:
        shutil.copy(PACKAGE / name, package / name)
    return package


def test_the_same_program_has_the_same_version(copied):
    assert analysis_version() == f"{__version__}+{digest(copied)}"


@pytest.mark.parametrize(
    "name",
    [
        "analysis/links/links.py",
        "analysis/failure/procedures.toml",
        "season.py",
        "channel_settings.py",  # from counts to values, like the next
        "store/calibrated.py",
    ],
)
def test_another_line_in_what_findings_rest_on_makes_another_version(copied, name):
    before = digest(copied)
    changed = copied / name
    changed.write_text(changed.read_text() + "# another line\n")
    assert digest(copied) != before


def test_a_compiled_file_beside_it_does_not(copied):
    before = digest(copied)
    (copied / "analysis" / "links.pyc").write_bytes(b"compiled")
    assert digest(copied) == before


def test_findings_of_another_analysis_are_stale_and_those_of_this_one_fresh_again(tmp_path, monkeypatch):
    with Store(tmp_path) as store:
        recordings.write(tmp_path / "recordings" / "one.sqlite", 3)
        event_id = store.events()[0].event_id
        store.save_findings(event_id, findings().as_json(), store.input_fingerprint(event_id))
        for module in (stores, results):
            monkeypatch.setattr(module, "analysis_version", lambda: "0.1.0+another")
        assert not store.has_fresh_findings(event_id)
        store.save_findings(event_id, findings().as_json(), store.input_fingerprint(event_id))
        stored = store.stored_findings(event_id)
    assert stored is not None
    assert (stored.fresh, stored.analysis_version) == (True, "0.1.0+another")
