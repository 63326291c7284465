"""Writes the table of the bus budget page from what the sensors really do: python -m hardware.budget"""

from pathlib import Path

from logger import settings
from logger.sensors.accelerometer import FIFO_LEVELS, VISIT_SAMPLES
from logger.sensors.budget import BITS_PER_BYTE, BUS_HZ, TRANSFER_S, bus_loads

PAGE = Path(__file__).with_name("bus-budget.md")
BEGIN, END = "<!-- table -->\n", "<!-- end of table -->\n"
SLOW_HZ = 100_000


def table() -> str:
    """The table, in Markdown, of the default settings."""
    wiring = settings.default()
    rows = ["| part | transfers each second | bytes each second | of the bus's time |", "|---|---|---|---|"]
    total = 0.0
    for load in bus_loads(wiring):
        total += load.share()
        rows.append(f"| {load.part} | {load.transfers:.0f} | {load.bytes:.0f} | {100 * load.share():.1f} % |")
    rate = wiring.accelerometer.rate_hz
    slow = sum(load.transfers * TRANSFER_S + load.bytes * BITS_PER_BYTE / SLOW_HZ for load in bus_loads(wiring))
    return (
        "\n".join([*rows, f"| **all** | | | **{100 * total:.0f} %** |"])
        + f"\n\nAt {BUS_HZ // 1000} kHz, {1e6 * TRANSFER_S:.0f} µs of overhead assumed for each transfer. At the Pi's "
        f"usual {SLOW_HZ // 1000} kHz the same takes {100 * slow:.0f} %.\n"
        f"The accelerometer's FIFO is visited {rate / VISIT_SAMPLES:.0f} times a second, for {VISIT_SAMPLES} samples "
        f"each; it holds {FIFO_LEVELS}, so a visit may be {1000 * (FIFO_LEVELS - VISIT_SAMPLES) / rate:.0f} ms late.\n"
    )


def page(text: str) -> str:
    """The page's text with the table as it is now."""
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    return f"{before}{BEGIN}{table()}{END}{after}"


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
