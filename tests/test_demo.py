"""The demo, from the chips on the bus to the findings: what the virtual car did is what is found."""

import re
from contextlib import contextmanager
from types import SimpleNamespace

import pytest

from logger.cli import main
from logger.store.store import Store
from logger.virtualcar.scenario import demo_event
from tests.demo_truth import true_onsets
from tests.store import recordings


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo command's output and the event that it left, with the truth of what happened."""
    data_dir = tmp_path_factory.mktemp("demo")
    assert main(["demo", "--no-serve", "--data-dir", str(data_dir)]) == 0
    with Store(data_dir) as store:
        yield store, store.events()[0].event_id, demo_event(1)


def test_the_demo_names_the_cause_that_the_virtual_car_has(demo):
    store, event_id, truth = demo
    assert store.findings(event_id)["main_cause"] == truth.truth["main_cause"]


def test_every_stumble_of_the_virtual_car_is_found_and_nothing_else(demo):
    store, event_id, truth = demo
    happened = true_onsets(store, event_id, truth)
    found = [(stumble["recording"], stumble["onset_s"]) for stumble in store.findings(event_id)["stumbles"]]
    for name, onset_s in happened:
        assert any(at == name and abs(at_s - onset_s) < 0.1 for at, at_s in found), (name, onset_s)
    assert len(found) == len(happened)


def test_the_recordings_are_the_drives(demo):
    store, event_id, truth = demo
    lengths = [recording.duration_ns / 1e9 for recording in store.outline(event_id).recordings]
    assert lengths == pytest.approx([drive.duration_s for drive in truth.drives], abs=1.5)


def test_the_report_of_the_demo_is_kept_for_later(demo, capsys):
    store, event_id, _ = demo
    assert main(["report", event_id, "--data-dir", str(store.data_dir)]) == 0
    assert re.search(r"First to fail +ignition, primary side", capsys.readouterr().out)


def test_what_is_entered_on_the_demos_page_is_judged_by_a_worker_beside_it(tmp_path, monkeypatch):
    at_work, seen = [], []

    def record(data_dir, progress):
        recordings.write(data_dir / "recordings" / "one.sqlite", 3)
        return SimpleNamespace(drives=[SimpleNamespace(name="one")], repairs=[])

    @contextmanager
    def worker_beside(data_dir):
        at_work.append(data_dir)
        yield
        at_work.remove(data_dir)

    monkeypatch.setattr("logger.virtualcar.demo.record_demo", record)
    monkeypatch.setattr("logger.commands.demo.worker_beside", worker_beside)
    monkeypatch.setattr("logger.commands.demo.serve", lambda *_: seen.extend(at_work))
    assert main(["demo", "--port", "0", "--data-dir", str(tmp_path)]) == 0
    assert (seen, at_work) == ([tmp_path], [])
