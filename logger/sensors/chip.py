"""What both chips on the bus share: being opened through their driver, in words where nothing answers."""

from collections.abc import Callable
from typing import TypeVar

Driver = TypeVar("Driver")


def open_chip(driver: Callable[[], Driver], address: int) -> Driver:
    """The driver's object. Raises OSError where nothing answers; the drivers' probe turns any error into ValueError."""
    try:
        return driver()
    except ValueError as error:
        raise OSError(
            f"nothing answers at I2C address 0x{address:02x}; look at its plug, its supply and its address pin"
        ) from error
