"""The logger's own box: whether its parts answer, whether it is recording, and whether it sits where it sat."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from logger.check.line import CheckLine, Verdict
from logger.check.observation import Observation
from logger.check.reference import Reference
from logger.event import FloatArray

TILTED_DEG, FALLEN_DEG = 15.0, 35.0
"""From one start to the next; two places that slope by 12 percent, once uphill and once downhill, make 14 degrees."""

CROOKED_DEG, WRONG_DEG = 30.0, 60.0
"""Against the vertical, where no earlier start is known."""

OPTIONAL_PARTS = ("lamp", "driver_marks", "spark_pulses", "injector_pulses", "crank_pulses")


def parts(observation: Observation) -> list[CheckLine]:
    """One line for all that answer, and one for each that does not."""
    wanting = [part for part in observation.parts if part.state in ("missing", "noisy") or _dead(part)]
    lines = [
        CheckLine(
            part.part, part.part, "noisy" if part.state == "noisy" else "does not answer", "answers",
            "look" if part.part in OPTIONAL_PARTS else "stop", _sentence(part.message) or f"Look at {part.where}.",
        )
        for part in wanting
    ]  # fmt: skip
    good = len(observation.parts) - len(wanting)
    return [CheckLine("parts", "Parts", f"{good} answer", "all answer"), *lines] if good else lines


def _dead(part: Any) -> bool:
    """A chip that has not even begun; pins are "starting" until their first edge, which may be far."""
    return bool(part.state == "starting" and part.part.startswith(("adc", "accelerometer")))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def gravity(observation: Observation, reference: Reference | None) -> CheckLine | None:
    """Gravity where it was at the last start, and one g of it; None without an accelerometer."""
    vector = observation.gravity
    size = float(np.linalg.norm(vector))
    if not np.isfinite(size):
        return None
    known = None if reference is None else reference.gravity
    if known is not None and np.isfinite(known).all() and np.linalg.norm(known) > 0.5:
        angle, look, stop = _angle(vector, known), TILTED_DEG, FALLEN_DEG
        expected = "as at the last start"
    else:
        angle, look, stop = _angle(vector, np.array([0.0, 0.0, 1.0])), CROOKED_DEG, WRONG_DEG
        expected = "upright"
    said = f"{angle:.0f}° off, {size:.2f} g"
    if not 0.8 < size < 1.2:
        todo = "At rest it must feel 1 g: switch it off and on, else renew it."
        return CheckLine("acceleration", "Accelerometer", said, "1.00 g at rest", "look", todo)
    if angle <= look:
        return CheckLine("acceleration", "Accelerometer", said, expected)
    verdict: Verdict = "stop" if angle > stop else "look"
    todo = "Is the box loose? Screw it down: an unsecured box is a projectile. On a slope: check again on level ground."
    if known is None and angle > stop:
        todo = (
            "Correct accelerometer.mounting in the settings, or the box hangs loose: an unsecured one is a projectile."
        )
    return CheckLine("acceleration", "Accelerometer", said, expected, verdict, todo)


def _angle(one: FloatArray, other: FloatArray) -> float:
    cosine = float(one @ other / np.linalg.norm(one) / np.linalg.norm(other))
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def marks(observation: Observation) -> CheckLine | None:
    """A mark button that keeps pressing itself; None where it does not."""
    count = observation.recent_pulses("driver_marks", 3.0).size
    if count < 3:
        return None
    return CheckLine("driver_marks", "Mark button", f"{count} presses in 3 s", "none", "look", "Its wire chafes.")


def recorder(live: Mapping[str, Any] | None) -> list[CheckLine]:
    """Whether what happens now is being kept, and whether there is room for a day. live: its word, None without one."""
    if live is None:
        todo = "Start it before the run: sudo systemctl start stumblelog-recorder, or stumblelog record."
        return [CheckLine("recorder", "Recorder", "not running", "recording", "look", todo)]
    if live.get("state") != "recording":
        todo = _sentence(str(live.get("why") or "")) or "See its journal: journalctl -u stumblelog-recorder."
        return [CheckLine("recorder", "Recorder", "not recording", "recording", "stop", todo)]
    line = CheckLine("recorder", "Recorder", "recording", "recording")
    if live.get("free_mb") is None:
        return [line, CheckLine("card", "Free space", "not told", f"{LITTLE_MB:.0f} MB or more", "look", CARD_TODO)]
    free = float(live["free_mb"])
    if free >= LITTLE_MB:
        return [line, CheckLine("card", "Free space", f"{free:.0f} MB", f"{LITTLE_MB:.0f} MB or more")]
    verdict: Verdict = "stop" if free < NO_RUN_MB else "look"
    return [line, CheckLine("card", "Free space", f"{free:.0f} MB", f"{LITTLE_MB:.0f} MB or more", verdict, ROOM_TODO)]


ROOM_TODO = "Fetch old recordings and delete them."
CARD_TODO = "The card does not say how much room is left: stumblelog doctor looks at it."
LITTLE_MB, NO_RUN_MB = 500.0, 20.0
"""A day of eight hours takes about 100 MB with raw acceleration, an hour about 11."""
