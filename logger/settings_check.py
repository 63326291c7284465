"""What no single key of the settings can know: inputs and pins used twice, chips and dead times overloaded."""

from typing import TYPE_CHECKING

from logger.conversion import mounting_matrix

if TYPE_CHECKING:
    from logger.settings import Settings

MAX_CONVERSIONS_PER_S = 600
"""Per ADC chip: an ADS1115 does 860 a second less its oscillator's 10 percent; the rest is bus time."""

DEAD_TIME_DIVISOR = 4
"""The dead time after a pulse may take at most this part of the shortest interval between real pulses."""

PULSE_SECTIONS = {
    "tach": "tach_pulses",
    "spark_clamp": "spark_pulses",
    "injector": "injector_pulses",
    "crank": "crank_pulses",
}
"""Section of the settings file for each pulse channel."""


def check(settings: "Settings") -> None:
    """Raises ValueError naming the keys that do not go together and what to do."""
    _check_inputs(settings)
    _check_pins(settings)
    _check_tach(settings)
    _check_mounting(settings)


def _check_inputs(settings: "Settings") -> None:
    taken: dict[tuple[int, int], str] = {}
    rates: dict[int, float] = {}
    for name, channel in settings.channels.items():
        place = (channel.chip, channel.input)
        if place in taken:
            raise ValueError(
                f"channels.{name}.input is {channel.input} of chip 0x{channel.chip:02x}, "
                f"which channels.{taken[place]} has already; choose another"
            )
        taken[place] = name
        rates[channel.chip] = rates.get(channel.chip, 0.0) + channel.rate_hz
    for chip, rate in rates.items():
        if rate > MAX_CONVERSIONS_PER_S:
            raise ValueError(
                f"channels.*.rate_hz add up to {rate:g} conversions a second on chip 0x{chip:02x}, which does "
                f"{MAX_CONVERSIONS_PER_S}; lower them or move a channel to another chip"
            )


def _check_pins(settings: "Settings") -> None:
    pins = [
        (section, settings.pulse_inputs[channel].pin)
        for section, channel in PULSE_SECTIONS.items()
        if channel in settings.pulse_inputs
    ]
    pins += [("key_sense", settings.key_sense.pin)] if settings.key_sense.fitted else []
    pins += [("mark_button", settings.mark_button.pin)] if settings.mark_button.fitted else []
    pins += [("lamp", settings.lamp.pin)] if settings.lamp.fitted else []
    taken: dict[int, str] = {}
    for section, pin in pins:
        if pin in taken:
            raise ValueError(f"{section}.pin is {pin}, which {taken[pin]}.pin has already; choose another")
        taken[pin] = section


def _check_tach(settings: "Settings") -> None:
    if "tach_pulses" not in settings.pulse_inputs:
        raise ValueError("[tach] is missing; write its pin, for without tach pulses nothing can be found")
    engine = settings.engine
    if engine.redline_rpm is None:
        return
    shortest_us = 60e6 / (engine.redline_rpm * engine.pulses_per_revolution)
    debounce_us = settings.pulse_inputs["tach_pulses"].debounce_us
    if debounce_us > shortest_us / DEAD_TIME_DIVISOR:
        raise ValueError(
            f"tach.debounce_us is {debounce_us:g}; at {engine.redline_rpm:g} rpm pulses come {shortest_us:.0f} "
            f"microseconds apart, so more than {shortest_us / DEAD_TIME_DIVISOR:.0f} could swallow a real one"
        )


def _check_mounting(settings: "Settings") -> None:
    mounting = settings.accelerometer.mounting
    try:
        mounting_matrix(mounting)
    except ValueError as error:
        raise ValueError(f"accelerometer.mounting is {list(mounting)}: {error}") from error
