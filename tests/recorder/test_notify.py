"""The service manager is told the truth: ready once stored, alive only while samples arrive and commits happen."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.event import NS_PER_S
from logger.recorder import space
from logger.recorder.health import CommitHealth, RecorderHealth
from logger.recorder.notify import Notifier, Watchdog
from logger.recorder.recorder import Recorder
from logger.settings import Settings
from tests.recorder.standin import START_NS, JumpingClock, StandInHardware


class Manager:
    """The other end of the socket."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self.socket.bind(address)

    def heard(self) -> list[str]:
        out = []
        while True:
            try:
                out.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return out


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    manager = Manager(str(tmp_path / "notify"))
    yield manager
    manager.socket.close()


@pytest.fixture
def notifier(manager: Manager, tmp_path: Path) -> Iterator[Notifier]:
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")})
    yield notifier
    notifier.close()


def health(samples: int, committed: int) -> RecorderHealth:
    return RecorderHealth(CommitHealth(committed=committed), samples=samples)


def test_ready_watchdog_and_stopping_are_sent_in_that_order(
    wiring: Settings, clock: JumpingClock, manager: Manager, notifier: Notifier
) -> None:
    heard: list[str] = []
    hardware = StandInHardware(clock, lambda number: heard.extend(manager.heard()))
    Recorder(wiring, hardware, clock, inline=True, notifier=notifier, say=lambda text: None).run(
        START_NS + 4 * NS_PER_S
    )
    first_lines = [text.split("\n")[0] for text in [*heard, *manager.heard()]]
    # The short first second and three whole ones.
    assert first_lines == ["READY=1", *["WATCHDOG=1"] * 4, "STOPPING=1"]


def test_sensors_that_fall_silent_starve_the_watchdog(manager: Manager, notifier: Notifier) -> None:
    watchdog = Watchdog(notifier, buffer_s=120.0)
    for second in range(6):
        watchdog.feed(health(samples=min(second + 1, 3), committed=second + 1), "", second * NS_PER_S)
    fed = [text.startswith("WATCHDOG") for text in manager.heard() if not text.startswith("READY")]
    assert fed == [True, True, True, True, False, False]


def test_sensors_that_fall_silent_in_a_second_recording_starve_it_too(
    wiring: Settings, clock: JumpingClock, manager: Manager, notifier: Notifier, monkeypatch: pytest.MonkeyPatch
) -> None:
    def left(folder: Path) -> float:
        return 0.9 if 20 < (clock.now_ns - START_NS) / NS_PER_S < 30 else 900.0

    def poll(number: int) -> None:
        hardware.silent = clock.now_ns - START_NS > 29 * NS_PER_S
        if clock.now_ns - START_NS > 34 * NS_PER_S:
            heard.extend(manager.heard())
        else:
            manager.heard()

    heard: list[str] = []
    hardware = StandInHardware(clock, poll)
    monkeypatch.setattr(space, "free_mb", left)
    recorder = Recorder(wiring, hardware, clock, inline=True, notifier=notifier, say=lambda text: None)
    recorder.run(START_NS + 45 * NS_PER_S)
    assert recorder.health.seconds < 20  # of the second one
    assert [text for text in heard if "WATCHDOG" in text] == []
    assert len(heard) > 5


def test_commits_that_stay_away_longer_than_the_buffer_starve_the_watchdog(
    manager: Manager, notifier: Notifier
) -> None:
    watchdog = Watchdog(notifier, buffer_s=3.0)
    for second in range(7):
        watchdog.feed(health(samples=second + 1, committed=min(second + 1, 2)), "", second * NS_PER_S)
    fed = [text.startswith("WATCHDOG") for text in manager.heard() if not text.startswith("READY")]
    assert fed == [True, True, True, True, False, False, False]


def test_before_the_first_commit_nothing_is_ready(manager: Manager, notifier: Notifier) -> None:
    Watchdog(notifier, 120.0).feed(health(samples=10, committed=0), "", 0)
    assert manager.heard() == ["STATUS=waiting for samples to arrive and be stored"]


def test_the_reason_for_not_recording_is_the_status(manager: Manager, notifier: Notifier) -> None:
    Watchdog(notifier, 120.0).feed(health(samples=10, committed=1), "only 0.9 MB free", 0)
    assert manager.heard() == ["STATUS=only 0.9 MB free"]


def test_a_manager_that_has_gone_stops_nothing(tmp_path: Path) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
    notifier.alive("recording")
    assert notifier.lost == 1
    notifier.close()


def test_without_a_manager_nothing_is_sent() -> None:
    notifier = Notifier({})
    notifier.ready("recording")
    assert notifier.lost == 0
