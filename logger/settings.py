"""The settings file: which car, which sensor on which input, where to store.

A TOML file becomes frozen dataclasses. Each field carries its own rule (default, unit, range, help); parsing, error
texts and the documents all read those rules, so none of them can say something else. `Settings.to_dict()` is the
snapshot that every recording carries, `Settings.from_dict()` reads it back.
"""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, cast, get_args

from logger.channel_settings import ChannelSettings, take_channel
from logger.conversion import units_for
from logger.errors import SettingsError
from logger.event import Engine, EventKind, FuelSystem, TachSource
from logger.rules import Rule, key, rules_of, take_table
from logger.settings_check import PULSE_SECTIONS, check

# GPIO 0 to 3 belong to the I2C buses.
_PIN: dict[str, Any] = {"low": 4, "high": 27, "unit": "GPIO number, not the pin of the header"}
_PULLS = ("up", "down", "none")


@dataclass(frozen=True, slots=True)
class EventSettings:
    """[event]: what recordings made from now on belong to."""

    name: str = key("text", "name of the event", "")
    kind: EventKind = key("word", "what kind of day it is", "competition", words=get_args(EventKind))  # noqa: RUF009


@dataclass(frozen=True, slots=True)
class AccelerometerSettings:
    """[accelerometer]: the ADXL345 on the same bus."""

    fitted: bool = key("switch", "whether there is one", True)
    address: int = key("word", "its address", 0x53, unit="I2C address", words=(0x53, 0x1D))
    rate_hz: float = key("word", "samples per second", 400.0, words=(100.0, 200.0, 400.0, 800.0))
    mounting: tuple[str, ...] = key(
        "texts", "the chip's axes that point forward, left and up in the car", ("+x", "+y", "+z")
    )
    store_raw: bool = key(
        "switch", "store every sample (about 6 MB an hour); else only vibration levels each 50 ms", True
    )


@dataclass(frozen=True, slots=True)
class PulseInput:
    """[tach], [spark_clamp], [injector], [crank]: a pin whose edges are counted."""

    pin: int = key("whole", "GPIO number", **_PIN)
    edge: str = key("word", "which edge of the pin is the pulse", "falling", words=("falling", "rising"))
    pull: str = key("word", "the Pi's own resistor on the pin", "up", words=_PULLS)
    debounce_us: float = key("number", "dead time after a pulse", 200.0, low=0.0, high=5000.0, unit="microseconds")


@dataclass(frozen=True, slots=True)
class KeySense:
    """[key_sense]: a pin that tells whether the ignition is switched on."""

    fitted: bool = key("switch", "whether it is wired", True)
    pin: int = key("whole", "GPIO number", 27, **_PIN)
    active: str = key("word", "level of the pin with the ignition on", "high", words=("high", "low"))
    pull: str = key("word", "the Pi's own resistor on the pin", "down", words=_PULLS)


@dataclass(frozen=True, slots=True)
class MarkButton:
    """[mark_button]: a button the driver presses after something odd."""

    fitted: bool = key("switch", "whether it is wired", True)
    pin: int = key("whole", "GPIO number; the button connects it to ground", 22, **_PIN)


@dataclass(frozen=True, slots=True)
class LampSettings:
    """[lamp]: one lamp; steady = recording, slow blink = a sensor is missing, fast blink = not recording."""

    fitted: bool = key("switch", "whether it is wired", True)
    pin: int = key("whole", "GPIO number", 23, **_PIN)


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    """[recorder]: where recordings go and when to stop."""

    data_dir: str = key("text", "folder of recordings and logbook", "/var/lib/stumblelog")
    run_dir: str = key("text", "folder of the live values, in memory", "/run/stumblelog")
    i2c_bus: int = key("whole", "number of the I2C bus", 1, low=0, high=31)
    buffer_s: float = key("number", "how long a stalled card is ridden out", 120.0, low=10.0, high=3600.0, unit="s")
    reserve_mb: float = key("number", "stop cleanly when less is free", 1.0, low=1.0, high=100000.0, unit="MB")
    when_full: str = key(
        "word", "at reserve_mb: stop, or delete the oldest recordings (named on the page)", "stop",
        words=("stop", "delete_oldest"),
    )  # fmt: skip
    warn_mb: float = key("number", "warn when less is free", 500.0, low=1.0, high=1000000.0, unit="MB")
    power_off_after_min: float = key(
        "number", "with power hold: shut down so long after key off; 0 = never", 10.0, low=0.0, high=1440.0, unit="min"
    )
    power_off_at_latest_min: float = key(
        "number", "and while the page is being read, so long after key off", 120.0, low=0.0, high=1440.0, unit="min"
    )


@dataclass(frozen=True, slots=True)
class DisplaySettings:
    """[display]: units on the page and in reports; inside everything is SI."""

    pressure: str = key("word", "unit of pressures", "kPa", words=units_for("kPa"))
    temperature: str = key("word", "unit of temperatures", "degC", words=units_for("degC"))


ENGINE_RULES: dict[str, Rule] = {
    "cylinders": Rule("whole", "number of cylinders", low=1, high=16),
    "strokes": Rule("word", "four-stroke or two-stroke", 4, words=(2, 4)),
    "tach_pulses_per_revolution": Rule("number", "pulses on the tach wire per turn", None, low=0.25, high=120.0),
    "tach_source": Rule("word", "what drives the tach wire", None, words=get_args(TachSource)),
    "fuel_system": Rule("word", "how fuel gets in", None, words=get_args(FuelSystem)),
    "idle_rpm": Rule("number", "warm idle speed", None, low=100.0, high=5000.0, unit="rpm"),
    "redline_rpm": Rule("number", "highest speed it is run at", None, low=1000.0, high=25000.0, unit="rpm"),
}
"""[engine]: the fields of `logger.event.Engine`, which the analysis shares and which therefore knows no rules."""

_SECTIONS: dict[str, type] = {
    "event": EventSettings,
    "accelerometer": AccelerometerSettings,
    "key_sense": KeySense,
    "mark_button": MarkButton,
    "lamp": LampSettings,
    "recorder": RecorderSettings,
    "display": DisplaySettings,
}


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the recorder and the store need to know about this car and this logger."""

    engine: Engine
    channels: Mapping[str, ChannelSettings]
    pulse_inputs: Mapping[str, PulseInput]
    event: EventSettings = field(default_factory=EventSettings)
    accelerometer: AccelerometerSettings = field(default_factory=AccelerometerSettings)
    key_sense: KeySense = field(default_factory=KeySense)
    mark_button: MarkButton = field(default_factory=MarkButton)
    lamp: LampSettings = field(default_factory=LampSettings)
    recorder: RecorderSettings = field(default_factory=RecorderSettings)
    display: DisplaySettings = field(default_factory=DisplaySettings)

    def to_dict(self) -> dict[str, Any]:
        """Plain dicts, lists, numbers and texts in the layout of the file; what is None is left out."""
        document: dict[str, Any] = {"engine": asdict(self.engine)}
        document |= {name: asdict(getattr(self, name)) for name in _SECTIONS}
        document |= {
            section: asdict(self.pulse_inputs[channel])
            for section, channel in PULSE_SECTIONS.items()
            if channel in self.pulse_inputs
        }
        document["channels"] = {name: asdict(channel) for name, channel in self.channels.items()}
        return cast(dict[str, Any], _plain(document))

    @classmethod
    def from_dict(cls, document: Mapping[str, Any], where: str = "settings") -> "Settings":
        """Settings from a parsed file or a snapshot. Raises SettingsError: `where`, the key and what is allowed."""
        settings = _build(where, document)
        try:
            check(settings)
        except ValueError as error:
            raise SettingsError(f"{where}: {error}") from error
        return settings


def load(path: Path) -> Settings:
    """Read a settings file; what it does not mention has its default, the channels that of the default wiring.

    Raises SettingsError naming the file, the key and what is allowed.
    """
    return Settings.from_dict(_document(path), str(path))


def default() -> Settings:
    """The default wiring on a six-cylinder engine: the file that a new installation starts from."""
    return load(DEFAULT_FILE)


DEFAULT_FILE = Path(__file__).with_name("settings_default.toml")


def rules() -> Iterator[tuple[str, str, Rule]]:
    """(section, key, rule) of every setting there is, for documents and help."""
    for name, rule in ENGINE_RULES.items():
        yield "engine", name, rule
    sections: dict[str, type] = {**_SECTIONS, **dict.fromkeys(PULSE_SECTIONS, PulseInput)}
    for section, kind in {**sections, "channels.NAME": ChannelSettings}.items():
        for name, rule in rules_of(kind).items():
            yield section, name, rule


def _document(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}; give a settings file that exists") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: not valid TOML: {error}") from error


def _plain(value: Any) -> Any:
    """Tuples to lists and None left out, so that a snapshot is JSON and TOML alike."""
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items() if item is not None}
    return [_plain(item) for item in value] if isinstance(value, tuple | list) else value


def _build(where: str, document: Mapping[str, Any]) -> Settings:
    for name in document:
        if name not in {*_SECTIONS, *PULSE_SECTIONS, "engine", "channels"}:
            known = ", ".join(["engine", "channels.NAME", *PULSE_SECTIONS, *_SECTIONS])
            raise SettingsError(f"{where}: [{name}] is not a section of the settings; known are {known}")
    wiring = document
    if "channels" not in document:
        wiring = {**{name: _document(DEFAULT_FILE)[name] for name in ("channels", "tach")}, **document}
    channels = wiring.get("channels", {})
    if not isinstance(channels, Mapping):
        raise SettingsError(f"{where}: channels must be sections of their own, [channels.NAME]")
    return Settings(
        engine=Engine(**take_table(where, "engine", document.get("engine", {}), ENGINE_RULES)),
        channels={name: take_channel(where, name, table) for name, table in channels.items()},
        pulse_inputs={
            channel: PulseInput(**take_table(where, section, wiring[section], rules_of(PulseInput)))
            for section, channel in PULSE_SECTIONS.items()
            if section in wiring
        },
        **{
            name: kind(**take_table(where, name, document.get(name, {}), rules_of(kind)))
            for name, kind in _SECTIONS.items()
        },
    )
