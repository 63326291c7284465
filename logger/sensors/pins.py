"""What all parts on pins share: opening one through gpiozero, and the errors that this can give."""

import sys
from typing import Any

from gpiozero import GPIOZeroError, InputDevice

NEVER_NS = 1 << 62
"""A due time that does not come."""

_PULL_UP = {"up": True, "down": False, "none": None}


def open_input(pin: int, pull: str, pins: Any) -> InputDevice:
    """An input with the Pi's own resistor set; its `pin` then takes `edges` and `when_changed`.

    Raises one of `pin_errors()` where the pin does not exist or somebody has it already.
    """
    active = None if pull != "none" else True
    return InputDevice(pin, pull_up=_PULL_UP[pull], active_state=active, pin_factory=pins)


def pin_errors() -> tuple[type[Exception], ...]:
    """gpiozero's errors, the system's, and those of lgpio, which have a base of their own, where it is in use."""
    lgpio = sys.modules.get("lgpio")
    return (GPIOZeroError, OSError) if lgpio is None else (GPIOZeroError, OSError, lgpio.error)
