"""What a device says of itself in its cookies: its units and its time zone."""

from datetime import tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from starlette.requests import Request

from logger.units import PRESSURE, Units


def units_of(request: Request, default: Units) -> Units:
    """The device's choice, or the settings' where it made none or an unknown one."""
    pressure = request.cookies.get("sl_pressure", "")
    temperature = request.cookies.get("sl_temperature", "")
    return Units(
        pressure if pressure in PRESSURE else default.pressure,
        temperature if temperature in ("degC", "degF") else default.temperature,
    )


def zone_of(request: Request) -> tzinfo | None:
    """The device's time zone, which its script leaves on the first visit; None, this machine's, without one."""
    name = request.cookies.get("sl_zone", "")
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):  # an unknown one, a path, or a name too long for a file
        return None
