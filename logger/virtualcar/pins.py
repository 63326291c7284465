"""gpiozero mock pins whose edges carry exact times, the way the kernel stamps them.

gpiozero's own mock pin stamps an edge with the instant of the Python call; here the world says when it happened, and
the handler gets it as the lgpio factory would hand it over: kernel nanoseconds as seconds in a float. Edges can also
be held back, as they wait in the kernel while the interpreter stalls, and come all at once.
"""

from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin


class TimedPin(MockPin):  # type: ignore[misc]
    """An input that the world moves with `edge` and the device reads as any other pin."""

    _state: int

    def __init__(self, factory: Any, info: Any) -> None:
        self._held: list[tuple[int, int]] | None = None
        self._driven = False
        super().__init__(factory, info)

    def edge(self, time_ns: int, level: int) -> None:
        """The wire goes to `level` at that time of the kernel's clock."""
        self._driven = True
        if level == self._state:
            return
        self._state = level
        if self._when_changed is not None and self._edges in ("both", "rising" if level else "falling"):
            if self._held is None:
                self._deliver(time_ns, level)
            else:
                self._held.append((time_ns, level))

    def pulse(self, time_ns: int, width_ns: int, level: int) -> None:
        """The wire goes to `level` for so long and back."""
        self.edge(time_ns, level)
        self.edge(time_ns + width_ns, 1 - level)

    def stall(self) -> None:
        """From now on edges wait in the kernel's queue."""
        self._held = self._held or []

    def resume(self) -> None:
        """Hand over all edges that waited."""
        held, self._held = self._held or [], None
        for time_ns, level in held:
            self._deliver(time_ns, level)

    def _set_pull(self, value: str) -> None:
        # gpiozero's mock lets the pull win; a wire that is driven is stronger than the Pi's 50 kohm.
        driven_state = self._state
        super()._set_pull(value)
        if self._driven:
            self._state = driven_state

    def _deliver(self, time_ns: int, level: int) -> None:
        # The handler may have taken itself away, as it does in noise: what still waits is then dropped.
        handler = self._when_changed
        if handler is not None and (call := handler()) is not None:
            call(time_ns / 1e9, level)


def pin_factory() -> Any:
    """A gpiozero factory of a small board whose pins are TimedPins; inputs idle at their pull."""
    return MockFactory(pin_class=TimedPin)
