"""Draws the schematics: python -m hardware.draw writes hardware/drawings/*.svg (needs the package schemdraw)."""

from collections.abc import Callable
from pathlib import Path

import schemdraw
import schemdraw.elements as elm

from hardware.circuits import BATTERY, COOLANT, GROUND_DROP, KEY_SENSE, TACH, TRANSDUCER, DividerFilter

schemdraw.use("svg")


def ohm(value: float) -> str:
    """A resistance as it is written on a schematic."""
    return f"{value / 1e3:g} kΩ" if value >= 1e3 else f"{value:g} Ω"


def farad(value: float) -> str:
    """A capacitance as it is written on a schematic."""
    return f"{value * 1e6:g} µF" if value >= 0.99e-6 else f"{value * 1e9:g} nF"


def _into_adc(d: schemdraw.Drawing, pin: str) -> None:
    """From the filtered node: clamp to both rails, 1 kΩ, pin."""
    d += elm.Line().right(2.2)
    d.push()
    d += elm.Schottky().up().label("clamp", loc="bottom")
    d += elm.Vdd().label("3.3 V")
    d.pop()
    d.push()
    d += elm.Schottky().down().reverse()
    d += elm.Ground()
    d.pop()
    d += elm.Resistor().right().label("1 kΩ")
    d += elm.Dot(open=True).label(pin, loc="right")


def _filtered(d: schemdraw.Drawing, part: DividerFilter) -> None:
    """Upper arm, lower arm, capacitor."""
    d += elm.Resistor().right().label(ohm(part.upper))
    d.push()
    d += elm.Resistor().down().label(ohm(part.lower), loc="bottom")
    d += elm.Ground()
    d.pop()
    d += elm.Line().right(2.2)
    d.push()
    d += elm.Capacitor().down().label(farad(part.capacitor), loc="bottom")
    d += elm.Ground()
    d.pop()


def divider(d: schemdraw.Drawing) -> None:
    """Battery and ignition feed taps."""
    d += elm.Dot(open=True).label("fuse box +\nor coil +", loc="left")
    d += elm.Fuse().right().label("1 A at the source")
    _filtered(d, BATTERY)
    _into_adc(d, "ADC A0 / A1")


def ground(d: schemdraw.Drawing) -> None:
    """Engine-ground drop."""
    d += elm.Dot(open=True).label("engine block,\na screw of its own", loc="left")
    _filtered(d, GROUND_DROP)
    _into_adc(d, "second ADC A3")


def pins(d: schemdraw.Drawing) -> None:
    """Key sense (above), mark button, lamp (below)."""
    d += elm.Dot(open=True).label("switched by the\nignition lock", loc="left")
    d += elm.Fuse().right().label("1 A at the source")
    _filtered(d, KEY_SENSE)
    _into_adc(d, "GPIO 27")
    d += elm.Dot(open=True).at((0, -7)).label("GPIO 22", loc="left")
    d += elm.Resistor().right().label("1 kΩ")
    d.push()
    d += elm.Capacitor().down().label("100 nF", loc="bottom")
    d += elm.Ground()
    d.pop()
    d += elm.Line().right(2.2)
    d += elm.Button().down().label("mark button", loc="bottom")
    d += elm.Ground()
    d += elm.Dot(open=True).at((9, -7)).label("GPIO 23", loc="left")
    d += elm.Resistor().right().label("1 kΩ")
    d += elm.LED().down().label("lamp", loc="bottom")
    d += elm.Ground()


def tach(d: schemdraw.Drawing) -> None:
    """Coil negative to GPIO 17."""
    d += elm.Dot(open=True).label("coil −", loc="left")
    for number in range(TACH.n_series):
        d += elm.Resistor().right().label(f"{ohm(TACH.series_each)}, 350 V" + ("\nat the coil" if number == 0 else ""))
    d.push()
    d += elm.Diode().down().reverse().label("reverse\nhalf wave", loc="bottom")
    d += elm.Ground().label("engine", loc="right")
    d.pop()
    d += elm.Line().right(2.6)
    d += (opto := elm.Optocoupler().right().anchor("anode").label("opto-coupler", loc="top"))
    d += elm.Line().at(opto.cathode).left(0.6)
    d += elm.Line().down(0.8)
    d += elm.Ground().label("engine", loc="right")
    d += elm.Line().at(opto.emitter).right(0.6)
    d += elm.Line().down(0.8)
    d += elm.Ground().label("star", loc="right")
    d += elm.Line().at(opto.collector).right(2.2)
    d.push()
    d += elm.Resistor().up().label(ohm(TACH.pull_up))
    d += elm.Vdd().label("3.3 V")
    d.pop()
    d += elm.Line().right(2.2)
    d.push()
    d += elm.Capacitor().down().label(farad(TACH.capacitor), loc="bottom")
    d += elm.Ground()
    d.pop()
    d += elm.Line().right(2.4)
    d += elm.Dot(open=True).label("GPIO 17", loc="right")


def sensors(d: schemdraw.Drawing) -> None:
    """A ratiometric transducer (above) and the coolant NTC (below)."""
    d += elm.Dot(open=True).label("transducer\n0.5–4.5 V", loc="left")
    _filtered(d, TRANSDUCER)
    _into_adc(d, "ADC A2")
    d += elm.Vdd().at((3, -7)).label("5 V sensor supply")
    d += elm.Resistor().down().label("2.49 kΩ", loc="bottom")
    d.push()
    d += elm.Thermistor().down().label("NTC", loc="bottom")
    d += elm.Ground()
    d.pop()
    _filtered(d, COOLANT)
    _into_adc(d, "second ADC A0")


def supply(d: schemdraw.Drawing) -> None:
    """From the battery to the Pi, and the star point."""
    d += elm.Battery().up().label("12 V", loc="top")
    d += elm.Line().right(0.5)
    d += elm.Switch().right().label("master switch")
    d += elm.Fuse().right().label("3 A")
    d += elm.Schottky().right().label("reverse\nprotection")
    d.push()
    d += elm.Zener().down().reverse().label("33 V\nsuppressor", loc="bottom")
    d += elm.Ground()
    d.pop()
    d += elm.Line().right(2.8)
    d.push()
    d += elm.Capacitor(polar=True).down().label("10 000 µF\n63 V", loc="bottom")
    d += elm.Ground()
    d.pop()
    d += elm.Line().right(2.4)
    d += (
        elm.Ic(pins=[elm.IcPin(name="in", side="left"), elm.IcPin(name="5.1 V", side="right")])
        .anchor("in")
        .label("buck converter, 6–60 V in", loc="bottom")
    )
    d += elm.Ground().at((0, 0)).label("star point", loc="right")


DRAWINGS: dict[str, Callable[[schemdraw.Drawing], None]] = {
    "divider.svg": divider,
    "tach.svg": tach,
    "sensors.svg": sensors,
    "supply.svg": supply,
    "pins.svg": pins,
    "ground.svg": ground,
}


def write(folder: Path) -> None:
    """Draw every schematic into `folder`."""
    for name, draw in DRAWINGS.items():
        with schemdraw.Drawing(file=str(folder / name), show=False) as drawing:
            drawing.config(fontsize=11, bgcolor="white", margin=1.3)
            draw(drawing)


if __name__ == "__main__":
    write(Path(__file__).with_name("drawings"))
