"""Mock pins that carry exact times, and the clock that moves them."""

from gpiozero import InputDevice

from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.pins import TimedPin, pin_factory


class Witness:
    """Keeps what a pin's handler is told."""

    def __init__(self, edges: str = "both") -> None:
        self.pins = pin_factory()
        self.device = InputDevice(17, pull_up=True, pin_factory=self.pins)
        self.pin: TimedPin = self.device.pin
        self.seen: list[tuple[int, int]] = []
        self.pin.edges = edges
        self.pin.when_changed = self.on_edge

    def on_edge(self, ticks: float, state: int) -> None:
        self.seen.append((round(ticks * 1e9), state))


def test_an_edge_carries_the_time_it_is_given() -> None:
    witness = Witness()
    witness.pin.edge(86_400_123_456_789, 0)
    assert witness.seen == [(86_400_123_456_789, 0)]


def test_only_the_wanted_edge_is_told() -> None:
    witness = Witness("falling")
    witness.pin.pulse(1_000_000_000, 50_000, 0)
    assert witness.seen == [(1_000_000_000, 0)]
    assert witness.pin.state == 1


def test_a_level_that_does_not_change_is_no_edge() -> None:
    witness = Witness()
    witness.pin.edge(1, 1)
    assert witness.seen == []


def test_edges_wait_through_a_stall_and_keep_their_times() -> None:
    witness = Witness("falling")
    witness.pin.stall()
    witness.pin.pulse(5, 1, 0)
    witness.pin.pulse(10, 1, 0)
    assert witness.seen == []
    witness.pin.resume()
    assert witness.seen == [(5, 0), (10, 0)]


def test_edges_that_waited_are_dropped_once_nobody_listens() -> None:
    witness = Witness("falling")
    witness.pin.stall()
    witness.pin.pulse(5, 1, 0)
    witness.pin.when_changed = None
    witness.pin.resume()
    assert witness.seen == []


def test_a_driven_wire_is_stronger_than_the_pull() -> None:
    pins = pin_factory()
    pins.pin(17).edge(1, 0)
    assert InputDevice(17, pull_up=True, pin_factory=pins).pin.state == 0


def test_sleeping_moves_the_clock_and_what_is_due_happens_at_its_time() -> None:
    clock = VirtualClock(0)
    happened: list[tuple[str, int]] = []
    clock.call_at(70, lambda: happened.append(("late", clock.monotonic_ns())))
    clock.call_at(30, lambda: happened.append(("early", clock.monotonic_ns())))
    clock.sleep_until_ns(100)
    assert happened == [("early", 30), ("late", 70)]
    assert clock.monotonic_ns() == 100


def test_sleeping_until_a_past_time_returns_at_once() -> None:
    clock = VirtualClock(500)
    clock.sleep_until_ns(100)
    assert clock.monotonic_ns() == 500


def test_the_wall_clock_runs_with_the_monotonic_one_and_can_be_stepped() -> None:
    clock = VirtualClock(0)
    before = clock.utc_now()
    clock.spend(2_000_000_000)
    assert (clock.utc_now() - before).total_seconds() == 2.0
    clock.set_utc(before)
    assert clock.utc_now() == before
    assert clock.monotonic_ns() == 2_000_000_000
