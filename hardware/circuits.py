"""The input circuits: values chosen by function, checked against limits, written as netlists for ngspice.

    python -m hardware.circuits        rewrites hardware/netlists/*.cir

Nothing here is needed at run time; tests/hardware runs every netlist through its stresses.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
"""Preferred values of IEC 60063. E24 is a table: six of its values are not the rounded powers of ten."""

E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
"""The series that capacitors are sold in."""

RAIL_V = 3.3
PIN_LOW_V, PIN_HIGH_V = -0.3, RAIL_V + 0.3
"""Absolute maximum of an ADS1115 input and of a Pi pin: ground and supply, 0.3 V beyond."""


def preferred(value: float, series: tuple[float, ...] = E24) -> float:
    """The nearest preferred value (ratio-wise, as the series is geometric). Raises ValueError unless value > 0."""
    if value <= 0.0:
        raise ValueError(f"a component value must be positive, got {value}")
    decade = 10.0 ** math.floor(math.log10(value))
    candidates = [decade * step for step in (*series, 10.0)]
    return min(candidates, key=lambda candidate: abs(math.log(candidate / value)))


@dataclass(frozen=True, slots=True)
class DividerFilter:
    """A resistor divider with a capacitor over its lower arm: scale and anti-alias filter in one (ohm, farad)."""

    upper: float
    lower: float
    capacitor: float
    tolerance: float = 0.01

    @property
    def ratio(self) -> float:
        """Volts in the car per volt at the input."""
        return (self.upper + self.lower) / self.lower

    @property
    def source_ohm(self) -> float:
        """What the ADC sees: both arms in parallel."""
        return self.upper * self.lower / (self.upper + self.lower)

    @property
    def corner_hz(self) -> float:
        """-3 dB corner of the single pole, 1 / (2 pi R C)."""
        return 1.0 / (2.0 * math.pi * self.source_ohm * self.capacitor)

    def attenuation(self, frequency_hz: float) -> float:
        """Amplitude left of a sine of this frequency, relative to DC."""
        return 1.0 / math.hypot(1.0, frequency_hz / self.corner_hz)

    def worst_ratios(self) -> tuple[float, float]:
        """Smallest and largest ratio with both resistors at opposite ends of their tolerance."""
        t = self.tolerance
        ends = [self.upper * (1 + sign * t) / (self.lower * (1 - sign * t)) + 1.0 for sign in (-1, 1)]
        return min(ends), max(ends)

    def upper_dissipation_w(self, volts: float) -> float:
        """Power in the upper arm with this many volts across the divider."""
        return (volts / (self.upper + self.lower)) ** 2 * self.upper


def capacitor_for(source_ohm: float, corner_hz: float) -> float:
    """The E6 capacitor that gives about this corner behind that source, farad."""
    return preferred(1.0 / (2.0 * math.pi * source_ohm * corner_hz), E6)


def choose_divider(highest_v: float, input_v: float, lower: float, corner_hz: float) -> DividerFilter:
    """The E24 divider that brings `highest_v` to at most `input_v`, and the capacitor for about `corner_hz`."""
    wanted = lower * (highest_v / input_v - 1.0)
    upper = preferred(wanted)
    if upper < wanted * 0.999:
        upper = preferred(wanted * 1.1)
    source = upper * lower / (upper + lower)
    return DividerFilter(upper, lower, capacitor_for(source, corner_hz))


BATTERY = choose_divider(highest_v=36.0, input_v=3.3, lower=10e3, corner_hz=16.0)
"""Battery and ignition feed: 36 V (a clamped load dump) still reads; corner far below half of 100 samples a second."""

TRANSDUCER = DividerFilter(10e3, 10e3, capacitor_for(5e3, 32.0), tolerance=0.001)
"""0 to 5 V sensors onto a 3.3 V input; 32 Hz keeps a pressure fall's onset within a few milliseconds."""

HIGH_OHM = DividerFilter(100e3, 100e3, capacitor_for(50e3, 32.0))
"""A wiper or an NTC that must not be loaded. The ADC's own 6 Mohm takes 0.8 percent of it; calibration removes that."""

COOLANT = DividerFilter(100e3, 100e3, capacitor_for(50e3, 3.0))
"""The same at five samples a second."""

GROUND_DROP = DividerFilter(10e3, 10e3, capacitor_for(5e3, 32.0))
"""Engine block against the star point, 0 to 6.6 V: cranking lifts it. Below zero (a charging alternator pulls it down)
the lower clamp diode takes about half of what there is."""

PI_PULL_DOWN_OHM = (33e3, 73e3)
"""The Pi's own resistor on a pin (BCM2711; Raspberry Pi documentation): part of the key sense's lower arm."""

PI_HIGH_V, PI_LOW_V = 2.0, 0.8
"""A pin of a Pi 4 surely reads high above, low below (BCM2711; Raspberry Pi documentation)."""

KEY_SENSE = DividerFilter(15e3, 22e3, 4.7e-6)
"""Reads high down to 4.5 V in the car with the Pi's strongest pull-down; 4.7 uF ride out the starter's first dip."""


@dataclass(frozen=True, slots=True)
class TachInput:
    """Coil negative to a 3.3 V edge through an opto-coupler: LED on while the coil is off, so its firing pulls low.

    Two series resistors share the flyback. The LED's own threshold is the comparator; pull-up and capacitor form the
    filter that a ringing coil does not get through.
    """

    series_each: float = 8.2e3
    n_series: int = 2
    pull_up: float = 10e3
    capacitor: float = 10e-9
    transfer_ratio: float = 1.0

    def peak_led_a(self, flyback_v: float) -> float:
        """LED current at the top of the flyback."""
        return (flyback_v - 1.2) / (self.series_each * self.n_series)

    def dissipation_each_w(self, pulses_hz: float, supply_v: float, flyback_v: float) -> float:
        """Mean power in each series resistor: supply throughout, 60 us flyback, 1.5 ms spark line at 40 V."""
        total = self.series_each * self.n_series
        energy = flyback_v**2 * 60e-6 + 40.0**2 * 1.5e-3
        return (supply_v**2 + energy * pulses_hz) / total / self.n_series


TACH = TachInput()


@dataclass(frozen=True, slots=True)
class Supply:
    """From the fused feed to the converter's input: series Schottky, suppressor, hold-up capacitor.

    A suppressor of 33 V stand-off breaks down at 37 V and lets 53 V through at its full current (common practice, no
    source), so capacitor and converter are rated above that.
    """

    breakdown_v: float = 36.7
    slope_ohm: float = 0.17
    diode_v: float = 0.4
    capacitor: float = 10e-3
    capacitor_esr: float = 0.03
    converter_low_v: float = 6.0
    converter_high_v: float = 60.0
    power_w: float = 5.0

    def hold_up_s(self, from_v: float = 12.0) -> float:
        """How long the capacitor alone carries the Pi from that battery voltage down to the converter's limit."""
        full = (from_v - self.diode_v) ** 2 - self.converter_low_v**2
        return self.capacitor * full / 2.0 / self.power_w


SUPPLY = Supply()


def supply_netlist(title: str, part: Supply, source: str, source_ohm: float) -> str:
    """The supply under a pulse with its source resistance; the converter as a load of constant power."""
    return (
        f"* {title}\nV1 battery 0 {source}\nRi battery fused {source_ohm:g}\nD1 fused pin series\n"
        f"Dz 0 pin suppressor\nC1 pin cap {part.capacitor:g}\nResr cap 0 {part.capacitor_esr:g}\n"
        f"Bload pin 0 I={part.power_w:g}/max(v(pin),{part.converter_low_v:g})\n"
        ".model series D(Is=10u N=1.05 Rs=0.02 Bv=100)\n"
        f".model suppressor D(Is=1n N=1.5 Rs={part.slope_ohm:g} Bv={part.breakdown_v:g})\n"
    )


_CLAMP = """\
* dual Schottky clamp to ground and to the 3.3 V rail, then 1 kohm into the pin
D1 0 {node} schottky
D2 {node} rail schottky
Rpin {node} pin 1k
Rleak pin 0 6meg
Cpin pin 0 10p
Vrail rail 0 3.3
.model schottky D(Is=1u N=1.05 Rs=0.3 Cjo=10p Bv=30)
"""


def divider_netlist(title: str, part: DividerFilter, source: str, pull_down: float | None = None) -> str:
    """A divider, its clamp and the pin, driven by an ngspice voltage source expression. pull_down: the Pi's own."""
    pull = f"Rpull pin 0 {pull_down:g}\n" if pull_down else ""
    return (
        f"* {title}\nV1 car 0 {source}\nR1 car node {part.upper:g}\nR2 node 0 {part.lower:g}\n"
        f"C1 node 0 {part.capacitor:g}\n{pull}" + _CLAMP.format(node="node")
    )


def tach_netlist(title: str, part: TachInput, source: str) -> str:
    """The tach input: series resistors, LED with reverse diode, opto-coupler as a scaled current mirror, pull-up."""
    series = "".join(
        f"R{index} {'coil' if index == 1 else f'a{index - 1}'} "
        f"{'led' if index == part.n_series else f'a{index}'} {part.series_each:g}\n"
        for index in range(1, part.n_series + 1)
    )
    return (
        f"* {title}\nV1 coil 0 {source}\n{series}"
        "D1 led sense infrared\nVsense sense 0 0\nD2 0 led small\n"
        # The phototransistor: collector current follows the LED's, scaled, 5 us late, and saturates at 0.1 V.
        f"Bph ph 0 V=i(Vsense)*{part.transfer_ratio:g}*1000\nRph ph lag 1k\nCph lag 0 5n\n"
        "Bopto pin 0 I=max(v(lag),0)/1000*min(max((v(pin)-0.05)/0.1,0),1)\n"
        f"Rpull rail pin {part.pull_up:g}\nCf pin 0 {part.capacitor:g}\nVrail rail 0 3.3\n"
        ".model infrared D(Is=1e-14 N=1.9 Rs=2)\n.model small D(Is=2.5n N=1.75 Rs=0.6)\n"
    )


def pwl(points: Iterable[tuple[float, float]]) -> str:
    """An ngspice piecewise-linear source, continued over lines as ngspice wants long ones."""
    return "PWL(\n" + "\n".join(f"+ {t:.9g} {v:.6g}" for t, v in points) + "\n+ )"


def coil_negative(
    rpm: float, pulses_per_revolution: float, supply_v: float, flyback_v: float, n_pulses: int
) -> list[tuple[float, float]]:
    """Voltage at the coil's negative terminal: off, dwell near ground, flyback, spark line, ringing, off again.

    Shape and times are common practice, no source: 3 ms dwell (at most 60 percent), spike of some tens of
    microseconds, spark line three times the supply for 1.5 ms, then 8 kHz ringing that dies away in half a millisecond.
    """
    interval = 60.0 / (rpm * pulses_per_revolution)
    dwell = min(3e-3, 0.6 * interval)
    line = min(1.5e-3, 0.5 * (interval - dwell))
    quiet = interval - dwell - line  # the next dwell cuts the ringing short at high speed
    points = [(0.0, supply_v)]
    for number in range(n_pulses):
        fire = (number + 1) * interval
        points += [(fire - dwell, supply_v), (fire - dwell + 5e-6, 0.9), (fire, 1.6), (fire + 8e-6, flyback_v)]
        points += [(fire + 25e-6, flyback_v * 0.8), (fire + 60e-6, 3 * supply_v), (fire + line, 2.5 * supply_v)]
        for step in range(1, 17):
            t = step / 8e3 / 4
            swing = 1.5 * supply_v * math.exp(-t / 1.2e-4) * math.cos(math.pi / 2 * step)
            if t < quiet:
                points.append((fire + line + t, supply_v + swing))
    points.append((points[-1][0] + interval * 0.2, supply_v))
    return points


def load_dump(peak_v: float, seconds: float, clamp_v: float | None = None) -> list[tuple[float, float]]:
    """Load dump of the road-vehicle supply standard (ISO 16750-2): 14 V, 10 ms rise to the peak, exponential fall."""
    points = [(0.0, 14.0), (0.01, 14.0), (0.02, peak_v)]
    points += [(0.02 + seconds * k / 20, 14.0 + (peak_v - 14.0) * 10 ** (-k / 20)) for k in range(1, 41)]
    return [(t, v if clamp_v is None else min(v, clamp_v)) for t, v in points]


def cranking_profile(lowest_v: float, plateau_v: float, seconds: float) -> list[tuple[float, float]]:
    """Starting profile of the same standard: 5 ms fall, 15 ms at the lowest, 50 ms rise, plateau with 2 Hz ripple."""
    points = [(0.0, 12.0), (0.1, 12.0), (0.105, lowest_v), (0.120, lowest_v), (0.170, plateau_v)]
    steps = int(seconds * 50)
    points += [
        (0.170 + k / 50, plateau_v + math.sin(2 * math.pi * 2 * k / 50) * min(1.0, plateau_v / 10))
        for k in range(1, steps)
    ]
    return [*points, (0.170 + seconds + 0.04, 12.0)]


NETLISTS = {
    "battery_divider.cir": lambda: divider_netlist(
        "Battery and ignition feed: divider, filter, clamp; load dump", BATTERY, pwl(load_dump(101.0, 0.4))
    ),
    "transducer_input.cir": lambda: divider_netlist(
        "0.5 to 4.5 V transducer: divider, filter, clamp; signal wire shorted to the battery", TRANSDUCER, "14.8"
    ),
    "key_sense.cir": lambda: divider_netlist(
        "Key sense: divider, capacitor, clamp, the Pi's pull-down; starting profile down to 3 V",
        KEY_SENSE,
        pwl(cranking_profile(3.0, 5.0, 1.0)),
        PI_PULL_DOWN_OHM[0],
    ),
    "supply.cir": lambda: supply_netlist(
        "Supply: series diode, suppressor, hold-up; unclamped load dump", SUPPLY, pwl(load_dump(101.0, 0.4)), 0.5
    ),
    "engine_ground.cir": lambda: divider_netlist(
        "Engine-ground drop: divider, filter, clamp; the strap open while cranking", GROUND_DROP, "12"
    ),
    "tach_input.cir": lambda: tach_netlist(
        "Tach: coil negative to a 3.3 V edge; six cylinders at 6500 rpm",
        TACH,
        pwl(coil_negative(6500.0, 3.0, 13.8, 400.0, 8)),
    ),
}


def write(folder: Path) -> None:
    """Write every netlist into `folder`."""
    for name, netlist in NETLISTS.items():
        (folder / name).write_text(netlist() + ".end\n", encoding="utf-8")


if __name__ == "__main__":
    write(Path(__file__).with_name("netlists"))
