"""Nobody looks most of the time: then the recorder rests, and is back at once when somebody does."""

import os
from pathlib import Path

import numpy as np

from logger.event import NS_PER_S
from logger.recorder.live import read_live
from logger.recorder.recorder import Recorder
from logger.recorder.viewers import NAME, Viewers, say_in_use
from logger.settings import Settings
from tests.recorder.standin import START_NS, JumpingClock, StandInHardware


def test_somebody_who_looked_is_remembered_for_ten_seconds(tmp_path: Path) -> None:
    viewers = Viewers(tmp_path)
    assert not viewers.are_looking(0)
    say_in_use(tmp_path)
    assert viewers.are_looking(5 * NS_PER_S)
    assert viewers.are_looking(15 * NS_PER_S - 1)
    assert not viewers.are_looking(15 * NS_PER_S)
    assert viewers.last_ns == 5 * NS_PER_S


def test_what_was_said_before_the_start_and_a_clock_that_jumps_count_for_nothing(tmp_path: Path) -> None:
    say_in_use(tmp_path)
    os.utime(tmp_path / NAME, (4e9, 4e9))  # the year 2096
    viewers = Viewers(tmp_path)
    assert not viewers.are_looking(0)
    say_in_use(tmp_path)
    assert viewers.are_looking(NS_PER_S)


def test_a_file_of_another_user_is_replaced(tmp_path: Path) -> None:
    (tmp_path / NAME).touch(mode=0o400)
    viewers = Viewers(tmp_path)
    say_in_use(tmp_path)
    assert viewers.are_looking(0)


def test_where_it_may_not_be_said_nothing_is_raised(tmp_path: Path) -> None:
    say_in_use(tmp_path / "not there")


def test_nobody_looking_it_works_once_a_second_and_ten_times_from_a_second_after_somebody_does(
    wiring: Settings, clock: JumpingClock
) -> None:
    run_dir = Path(wiring.recorder.run_dir)
    polled: list[int] = []

    def poll(number: int) -> None:
        polled.append(clock.monotonic_ns() - START_NS)
        if number == 5:
            read_live(run_dir)

    recorder = Recorder(wiring, StandInHardware(clock, poll), clock, inline=True, say=lambda text: None)
    recorder.run(START_NS + 20 * NS_PER_S)
    # Looked at 4.01 s, seen at the end of that second's tick, and for ten seconds from then.
    steps_ms = np.diff(polled) // 1_000_000
    assert steps_ms.tolist() == [10, *[1000] * 5, *[100] * 100, *[1000] * 4]
    assert [ns % NS_PER_S for ns in polled[1:7]] == [10_000_000] * 6


def test_seconds_are_cut_at_the_same_instants_whether_somebody_looks_or_not(
    wiring: Settings, clock: JumpingClock
) -> None:
    puts: list[int] = []

    def poll(number: int) -> None:
        if number in (3, 40):
            say_in_use(Path(wiring.recorder.run_dir))

    recorder = Recorder(wiring, StandInHardware(clock, poll), clock, inline=True, say=lambda text: None)
    cut = recorder._cut

    def watch(index: int, batch: object) -> None:
        puts.append(clock.monotonic_ns() - START_NS)
        cut(index, batch)  # type: ignore[arg-type]

    recorder._cut = watch  # type: ignore[method-assign]
    recorder.run(START_NS + 25 * NS_PER_S)
    assert [ns % NS_PER_S for ns in puts] == [10_000_000] * len(puts)
    assert len(puts) == 25
