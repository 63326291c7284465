"""How the soak counts what was lost."""

import numpy as np

from tests.bench.soak import lateness_ns, missing

MS = 1_000_000
GRID = np.arange(100, dtype=np.int64) * 10 * MS


def test_a_sample_that_is_late_and_caught_up_with_is_not_missing() -> None:
    late = GRID.copy()
    late[40:44] += np.array([14, 8, 6, 4]) * MS  # intervals of 24, 4, 8, 8 and 6 ms
    assert missing(late) == 0
    assert lateness_ns(late)[38:46].tolist() == [0, 0, 14 * MS, 8 * MS, 6 * MS, 4 * MS, 0, 0]


def test_every_sample_that_is_not_there_is_missing() -> None:
    assert missing(np.delete(GRID, [0, 30, 31, 70, 99])) == 3  # what lies between the first and the last
