"""The start check on the page: the running recorder is asked and judged, nothing of the hardware is touched."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from logger.check import CheckLine, Verdict, recorder_lines, worst
from logger.check.watch import check_now
from logger.clock import Clock, SystemClock
from logger.settings import DisplaySettings, Settings
from logger.store.store import Store
from logger.units import Units
from web.texts import text

GRAVEST_FIRST: tuple[Verdict, ...] = ("stop", "look", "not_judged", "ok")


@dataclass(frozen=True, slots=True)
class CheckPage:
    """Variables of the check: the gravest line's verdict, its sentence, the lines with the gravest first.

    running: the engine was turning, so that charging and idle were judged too. standing: it stood, as far as the
    sensors tell; neither where none was asked.
    """

    verdict: Verdict
    sentence: str
    lines: list[CheckLine]
    running: bool
    standing: bool
    checked_utc: datetime


def build(
    settings: Settings, store: Store, run_dir: Path | None, units: Units, clock: Clock | None = None
) -> CheckPage:
    """Check now. Without a recorder there is only that to say, and it is a stop: the run would not be recorded."""
    display = DisplaySettings(units.pressure, units.temperature)
    settings = replace(settings, display=display)
    found = (
        recorder_lines(None)
        if run_dir is None
        else check_now(settings, store, clock or SystemClock(), run_dir=run_dir, sensors=False)
    )
    lines = [replace(line, verdict="stop") if _unrecorded(line) else line for line in found]
    lines.sort(key=lambda line: GRAVEST_FIRST.index(line.verdict))
    verdict = worst(lines)
    running = any(line.label == "Pulses" for line in lines)
    standing = not running and any(line.subject in settings.channels for line in lines)
    return CheckPage(verdict, text("check.says_" + verdict), lines, running, standing, datetime.now(UTC))


def _unrecorded(line: CheckLine) -> bool:
    return line.subject == "recorder" and line.verdict != "ok"
