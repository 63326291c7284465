"""Damaged settings files and capture folders are read or refused in a sentence; tests/bench/mutations has thousands."""

import random
from pathlib import Path

from tests.bench.mutations import BAD, damage, run


def test_each_kind_of_harm_changes_something() -> None:
    data = b"ratio = 11.0\nunit = 'V'\n" * 4
    assert sum(damage(data, random.Random(k)) != data for k in range(100)) > 85


def test_no_damage_crashes_a_reader_or_leaves_it_without_words(tmp_path: Path) -> None:
    outcomes = run(60, tmp_path, seed=7)
    assert [what for what in outcomes if what.endswith(BAD)] == []
    # Both ways out are taken, or the damage was too mild or too coarse to tell anything.
    assert outcomes["settings read"] > 5
    assert outcomes["settings refused"] > 5
    assert outcomes["capture folder read"] > 5
    assert outcomes["capture folder refused"] > 5
