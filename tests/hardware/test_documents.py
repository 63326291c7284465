"""The kit's pages against the code and the settings, so that neither can rot alone."""

import re
from pathlib import Path

import pytest

from hardware import budget
from hardware import circuits as c
from hardware.draw import farad, ohm
from logger import curves, settings

HARDWARE = Path(c.__file__).parent
PAGES = sorted(HARDWARE.glob("*.md"))


def test_the_bus_budgets_table_is_that_of_the_code() -> None:
    text = budget.PAGE.read_text(encoding="utf-8")
    assert budget.page(text) == text
    assert "visited 50 times a second" in text


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert target.startswith("http") or (page.parent / target).exists(), target


@pytest.mark.parametrize("name", ["README.md", "wiring.md", "calibration.md", "parts.md", "mounting.md", "curves.md"])
def test_wherever_a_procedure_starts_the_safety_page_is_linked(name: str) -> None:
    assert "](safety.md)" in (HARDWARE / name).read_text(encoding="utf-8")


def test_the_front_page_names_every_page() -> None:
    front = (HARDWARE / "README.md").read_text(encoding="utf-8")
    assert [page.name for page in PAGES if page.name != "README.md" and f"]({page.name})" not in front] == []


def test_every_drawing_is_shown() -> None:
    text = "".join(page.read_text(encoding="utf-8") for page in PAGES)
    assert [path.name for path in (HARDWARE / "drawings").iterdir() if f"drawings/{path.name}" not in text] == []


def test_every_curve_is_listed_by_its_name() -> None:
    text = (HARDWARE / "curves.md").read_text(encoding="utf-8")
    assert [name for name in curves.names() if f"`{name}`" not in text] == []


def test_the_wiring_table_has_the_default_settings_pins_and_inputs() -> None:
    rows = {
        row.split("|")[1].split("`")[1]: row
        for row in (HARDWARE / "wiring.md").read_text(encoding="utf-8").splitlines()
        if row.startswith("| `")
    }
    wiring = settings.default()
    for name, channel in wiring.channels.items():
        assert f"0x{channel.chip:02x} A{channel.input}" in rows[name], name
    assert f"GPIO {wiring.pulse_inputs['tach_pulses'].pin} " in rows["tach_pulses"] + " "
    assert f"GPIO {wiring.key_sense.pin} " in rows["key_sense"]


@pytest.mark.parametrize(
    ("row", "part"),
    [("battery_voltage", c.BATTERY), ("fuel_pressure", c.TRANSDUCER), ("coolant_temperature", c.COOLANT),
     ("throttle_position", c.HIGH_OHM), ("key_sense", c.KEY_SENSE), ("engine_ground_drop", c.GROUND_DROP)],
)  # fmt: skip
def test_the_wiring_table_has_the_values_that_are_computed(row: str, part: c.DividerFilter) -> None:
    (line,) = [
        line
        for line in (HARDWARE / "wiring.md").read_text(encoding="utf-8").splitlines()
        if line.startswith(f"| `{row}`")
    ]
    assert f"{ohm(part.upper)} over {ohm(part.lower)}, {farad(part.capacitor)}" in line
