"""What drives the tach wire, read off what its pulses do as the ignition is turned off."""

import pytest

from logger.analysis.channels import sensor_faults
from logger.analysis.prepared import completed
from logger.event import NS_PER_S, Engine, IntArray, Recording
from tests.analysis.small_car import drawn, turned

UNSAID = Engine(cylinders=4, tach_pulses_per_revolution=2.0, idle_rpm=900.0, redline_rpm=6500.0)
FED = ((0.0, 13.5), (9.0, 13.5), (9.005, 0.0))


def idled(tach: IntArray, *feed_v: tuple[float, float]) -> Recording:
    """Ten seconds of which the ignition is on for nine."""
    return Recording("r01", 10 * NS_PER_S, {"ignition_feed_voltage": drawn(10.0, *feed_v)}, {"tach_pulses": tach})


ON_THE_CRANK = turned((0.0, 900.0), (9.0, 900.0), (9.4, 100.0))
ON_THE_COIL = turned((0.0, 900.0), (9.0, 900.0))


def test_pulses_that_run_down_with_the_ignition_off_come_from_the_crank() -> None:
    assert completed(UNSAID, [idled(ON_THE_CRANK, *FED)]).tach_source == "crank"


@pytest.mark.parametrize(
    ("tach", "feed_v"),
    [
        (ON_THE_COIL, FED),
        (ON_THE_CRANK, ((0.0, 13.5), (10.0, 13.5))),  # never seen off
        (turned((0.0, 900.0), (10.0, 900.0)), FED),  # the tap came off, the engine ran on
        (ON_THE_CRANK, ((0.0, 0.0), (10.0, 0.0))),  # never seen on
    ],
)
def test_nothing_else_tells_that_they_do(tach: IntArray, feed_v: tuple[tuple[float, float], ...]) -> None:
    assert completed(UNSAID, [idled(tach, *feed_v)]).tach_source is None


def test_most_recordings_decide() -> None:
    stays, ends = idled(ON_THE_CRANK, *FED), idled(ON_THE_COIL, *FED)
    assert completed(UNSAID, [stays, ends, stays]).tach_source == "crank"
    assert completed(UNSAID, [stays, ends]).tach_source is None


def test_a_feed_that_breaks_while_such_pulses_go_on_is_no_fault_of_its_tap() -> None:
    """Half a second dead while driving: pulses of a coil would have stopped, so only of those is the tap accused."""
    dead = ((0.0, 13.5), (4.0, 13.5), (4.005, 0.0), (4.5, 0.0), (4.505, 13.5), (9.0, 13.5), (9.005, 0.0))
    tach = turned((0.0, 3000.0), (4.0, 3000.0), (4.5, 2900.0), (8.0, 900.0), (9.0, 900.0), (9.4, 100.0))
    recording = idled(tach, *dead)
    assert sensor_faults.find(recording, completed(UNSAID, [recording])) == []
    assert [fault.channel for fault in sensor_faults.find(recording, UNSAID)] == ["ignition_feed_voltage"]
