"""What this machine can do, and what is missing for the rest."""

import importlib.util
import shutil
from collections.abc import Callable

from logger.check.line import CheckLine, Verdict

_STORE = ("numpy", "zstandard", "sqlite_utils")
_DRIVERS = ("gpiozero", "adafruit_ads1x15", "adafruit_adxl34x", "adafruit_blinka")
_PAGE = ("fastapi", "uvicorn", "jinja2", "python_multipart", "uplot")

FUNCTIONS: dict[str, tuple[str, ...]] = {
    "record": (*_DRIVERS, "lgpio", "numpy", "zstandard"),
    "import, export": (*_STORE, "pyarrow"),
    "analyse, report": (*_STORE, "scipy"),
    "serve": (*_STORE, "scipy", *_PAGE),
    "demo": (*_STORE, "scipy", *_PAGE, *_DRIVERS),
}
"""What people do with it, and the packages that each needs."""

PROGRAMS = {"ngspice": "simulating the input circuits", "chromium": "testing the page"}
"""For developers only."""


def lines(
    is_pi: bool,
    has_package: Callable[[str], bool] | None = None,
    has_program: Callable[[str], bool] | None = None,
) -> list[CheckLine]:
    """One line for each function. The two questions can be answered by others, for tests."""
    has_package = has_package or (lambda name: importlib.util.find_spec(name) is not None)
    has_program = has_program or (lambda name: shutil.which(name) is not None)
    found = [_function(name, [p for p in needs if not has_package(p)], is_pi) for name, needs in FUNCTIONS.items()]
    missing = [f"{name} ({what})" for name, what in PROGRAMS.items() if not has_program(name)]
    said = f"not here: {', '.join(missing)}" if missing else "all there"
    return [*found, CheckLine("developers", "For developers", said, "needed by nobody else")]


def _function(name: str, missing: list[str], is_pi: bool) -> CheckLine:
    if not missing:
        pins = " (its pins are the Pi's)" if name == "record" and not is_pi else ""
        return CheckLine(name, name, f"possible{pins}", "possible")
    if missing == ["lgpio"] and not is_pi:
        return CheckLine(name, name, "on a Raspberry Pi only", "possible on a Pi")
    verdict: Verdict = "stop" if name == "record" and is_pi else "look"
    extra = "[pi]" if "lgpio" in missing else ""
    todo = f"Install them with: pip install 'stumblelog{extra}'"
    return CheckLine(name, name, f"missing: {', '.join(missing)}", "possible", verdict, todo)
