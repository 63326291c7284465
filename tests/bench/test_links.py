"""The bench of links draws what it says it draws."""

import numpy as np
import pytest

from tests.bench import links as bench


@pytest.fixture(scope="module")
def of() -> list[bench.Day]:
    return bench.days(1)


def test_events_hold_as_many_stumbles_as_their_bin_says(of: list[bench.Day], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench, "CONTRAST_S", 0.0)
    found = bench.events("shock", of, 1)
    assert found
    for day, hazard, number in found:
        low, high = bench.BINS[number]
        assert low <= sum(run.onsets_s.size for run in day) <= high
        assert (hazard.heat, hazard.shock) == (False, True)


def test_what_knocks_bring_comes_within_50_ms_of_one(of: list[bench.Day]) -> None:
    (run, *_) = max(of, key=lambda day: day[0].hits.time_ns.size)
    struck = bench.drawn(run, np.zeros(run.time_s.size), np.ones(run.hits.time_ns.size), np.random.default_rng(1))
    first = struck[0].onset_s
    assert np.min(np.abs(first - run.hits.time_s)) < 0.05


def test_one_who_knows_tells_bursts_that_all_came_hot_on_a_day_mostly_cold(of: list[bench.Day]) -> None:
    """By hand: 5 of 5 bursts in the hottest twentieth of the running is one chance in 20^5."""
    (day, *_) = of
    hot = [run.values["coolant_temperature"] for run in day]
    limit = float(np.nanquantile(np.concatenate([h[run.at_risk] for h, run in zip(hot, day, strict=True)]), 0.95))
    warmth = [(np.nan_to_num(h) > limit).astype(float) for h in hot]
    rates = [3.0 * share for share in warmth]
    rng = np.random.default_rng(2)
    none = [np.zeros(run.hits.time_ns.size) for run in day]
    told = [bench.drawn(run, rate, knocks, rng) for run, rate, knocks in zip(day, rates, none, strict=True)]
    event = [bench.with_stumbles(run, one) for run, one in zip(day, told, strict=True)]
    assert bench.could_be_told(event, bench.Hazard(rates, none, heat=True, warmth=warmth), rng)
    assert not bench.could_be_told(event, bench.Hazard(rates, none), rng)
