"""A few emulated power cuts; tests/bench/power_cuts.py makes hundreds."""

import random
import shutil
from pathlib import Path

import pytest

from tests.bench.power_cuts import File, cut_and_recover, parsed, replay, trace

N_SECONDS = 12
N_CUTS = 12


def test_what_was_not_synced_may_be_gone_or_torn_after_a_cut() -> None:
    file = File()
    file.pending.append((0, b"a" * 1024))
    file.sync()
    file.pending.append((0, b"b" * 1024))
    fates = {file.after_cut(random.Random(k)) for k in range(40)}
    assert fates == {one * 512 + other * 512 for one in (b"a", b"b") for other in (b"a", b"b")}


def test_a_call_that_another_thread_came_in_between_is_put_together_again() -> None:
    lines = [
        '7  pwrite64(4, "\\x61", 1, 512 <unfinished ...>',
        '8  write(1, "\\x2b", 1) = 1',
        "7  <... pwrite64 resumed>) = 1",
        "7  fdatasync(4)  = 0",
    ]
    assert parsed(lines) == [
        ("write", ["1", '"\\x2b"', "1"], 1),
        ("pwrite64", ["4", '"\\x61"', "1", "512"], 1),
        ("fdatasync", ["4"], 0),
    ]


@pytest.mark.skipif(shutil.which("strace") is None, reason="needs strace, which takes down the writer's system calls")
def test_no_acknowledged_second_is_lost_wherever_the_power_is_cut(tmp_path: Path) -> None:
    calls = trace(tmp_path, N_SECONDS, 0.005)
    places = [k for k, (files, *_) in enumerate(replay(calls)) if "a.sqlite" in files]
    dice = random.Random(1)
    chosen = set(dice.sample(places, N_CUTS))
    for k, (files, acknowledged, _) in enumerate(replay(calls)):
        if k in chosen:
            folder = tmp_path / str(k)
            folder.mkdir()
            assert cut_and_recover(files, folder, dice)[0] >= acknowledged
