"""The variations change what they say, and nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from logger.event import Engine, Event, Recording, Trace
from logger.virtualcar.garage import HELD_OUT
from tests.bench.quality import Tally
from tests.bench.variations import VARIATIONS, main, report

TIME = np.arange(0, 1_000_000_000, 10_000_000)
EVENT = Event(
    "varied",
    Engine(4, 4, 2.0, redline_rpm=6000.0, idle_rpm=900.0),
    (
        Recording(
            "r01",
            1_000_000_000,
            {name: Trace(TIME, np.full(TIME.size, 12.0)) for name in ("battery_voltage", "fuel_pressure", "key_sense")},
            {"tach_pulses": TIME * 1, "spark_pulses": TIME * 1},
        ),
    ),
)


def varied(name: str) -> Recording:
    return VARIATIONS[name](EVENT, np.random.default_rng(1)).recordings[0]


def test_a_channel_is_taken_out_alone() -> None:
    assert set(varied("without_fuel_pressure").traces) == {"battery_voltage", "key_sense"}
    assert set(varied("without_spark_pulses").pulses) == {"tach_pulses"}


def test_a_channel_comes_now_and_then() -> None:
    twice = replace(EVENT, recordings=EVENT.recordings * 2)
    first, second = VARIATIONS["rail_now_and_then"](twice, np.random.default_rng(1)).recordings
    assert ("fuel_pressure" in first.traces, "fuel_pressure" in second.traces) == (True, False)


def test_sampling_more_seldom_leaves_the_key_alone() -> None:
    traces = varied("a_quarter_as_often").traces
    assert (traces["battery_voltage"].time_ns.size, traces["key_sense"].time_ns.size) == (25, 100)


def test_noise_comes_on_one_channel() -> None:
    traces = varied("noisy_rail").traces
    assert float(np.std(traces["fuel_pressure"].value)) == pytest.approx(3.0, rel=0.3)
    assert (traces["battery_voltage"].value == 12.0).all()


def test_a_tach_wire_gains_and_loses_edges() -> None:
    assert varied("bounces_one_in_five").pulses["tach_pulses"].size == pytest.approx(120, abs=15)
    assert varied("loses_one_in_500").pulses["tach_pulses"].size <= 100
    assert varied("bounces_one_in_five").pulses["spark_pulses"].tolist() == TIME.tolist()


def test_what_the_owner_did_not_tell_is_unknown() -> None:
    engine = VARIATIONS["no_redline"](EVENT, np.random.default_rng(1)).engine
    assert (engine.redline_rpm, engine.idle_rpm) == (None, 900.0)


def test_every_variation_has_its_line_and_an_unknown_one_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert report({"as_driven": Tally()}).count("\n") == 1
    with pytest.raises(SystemExit):
        main(["--only", "louder"])
    assert "no variation 'louder'" in capsys.readouterr().err


@pytest.mark.parametrize("engines", ["held_out", "all", next(iter(HELD_OUT))])
def test_held_out_cars_are_not_driven_here(engines: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--engines", engines])
    assert "held-out" in capsys.readouterr().err
