"""The recorder's last word: its small file under the run directory, judged, and handed on as server-sent events."""

import asyncio
import json
import math
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from web.texts import text

STEP_S = 0.1
HEARTBEAT_S = 2.0
STALE_S = 3.0
LEAST_FREE_MB = 500.0
"""A day of eight hours takes about 100 MB with raw acceleration; below five of those somebody should make room."""


@dataclass(frozen=True, slots=True)
class Live:
    """What is known of the recorder now.

    state: `live`, `stale` (age_s says how old) or `absent`. values: the file as logger/recorder/live.py describes it.
    ready: nothing speaks against starting a run; reasons: what does, in sentences. key_on_still: the ignition is on
    and the engine is not turning, which overheats a coil.
    """

    state: str
    age_s: float | None
    values: dict[str, Any]
    ready: bool
    reasons: list[str]
    key_on_still: bool


def read_live(
    run_dir: Path | None, now_s: Callable[[], float] = time.time, pulses_per_revolution: float | None = None
) -> Live:
    """Read live.json once. A file that is missing or half a file is `absent`: the recorder replaces it as a whole.

    pulses_per_revolution: as corrected on the page, where the recorder goes by others; None where it does not.
    """
    if run_dir is None:
        return _judged("absent", None, {})
    path = run_dir / "live.json"
    try:
        written_s = path.stat().st_mtime
        values = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return _judged("absent", None, {})
    if not isinstance(values, dict):
        return _judged("absent", None, {})
    if pulses_per_revolution is not None:
        values = _with_speed(values, pulses_per_revolution)
    age_s = round(max(now_s() - written_s, 0.0), 1)
    return _judged("live" if age_s < STALE_S else "stale", age_s, values)


def _with_speed(values: dict[str, Any], pulses_per_revolution: float) -> dict[str, Any]:
    """The same word with the engine's speed worked out anew from the rate of its pulses."""
    tach = (values.get("pulses") or {}).get("tach_pulses") or {}
    if "rate_hz" not in tach:
        return values
    return values | {"engine_rpm": round(tach["rate_hz"] * 60.0 / pulses_per_revolution, 1)}


def _judged(state: str, age_s: float | None, values: dict[str, Any]) -> Live:
    reasons = list(_reasons(state, age_s, values))
    return Live(state, age_s, values, not reasons, reasons, state == "live" and _key_on_still(values))


def _age(age_s: float) -> str:
    return f"{age_s:.0f} s" if age_s < 120.0 else f"{age_s / 60.0:.0f} min"


def _reasons(state: str, age_s: float | None, values: Mapping[str, Any]) -> list[str]:
    """What speaks against starting a run now."""
    if state == "absent":
        return [text("now.unknown")]
    if state == "stale":
        return [text("now.stale", age=_age(age_s or 0.0))]
    found = [] if values.get("state") == "recording" else [f"{text('now.not_recording')}: {values.get('why') or '?'}"]
    warnings = values.get("warnings") or []
    said = " ".join(warnings)
    found += [
        text("now.sensor_" + sensor["state"], part=sensor["part"])
        for sensor in values.get("sensors") or []
        if sensor.get("state") in ("missing", "noisy", "starting") and sensor.get("part", "") not in said
    ]
    free_mb = values.get("free_mb")
    if free_mb is not None and free_mb < LEAST_FREE_MB and "left on the card" not in said:
        found.append(text("now.little_space", mb=round(free_mb)))
    return found + warnings


def _key_on_still(values: Mapping[str, Any]) -> bool:
    key = (values.get("values") or {}).get("key_sense") or {}
    return key.get("value") == 1 and values.get("engine_rpm") == 0


async def stream(
    run_dir: Path | None,
    gone: Callable[[], Awaitable[bool]],
    stopping: asyncio.Event,
    step_s: float = STEP_S,
    pulses_per_revolution: float | None = None,
) -> AsyncIterator[bytes]:
    """Server-sent events: one message whenever the recorder wrote anew (10 Hz), else one every two seconds."""
    yield b"retry: 1000\n\n"
    last: object = None
    sent_s = -math.inf
    while not stopping.is_set() and not await gone():
        live = read_live(run_dir, pulses_per_revolution=pulses_per_revolution)
        if live.values != last or time.monotonic() - sent_s > HEARTBEAT_S:
            last, sent_s = live.values, time.monotonic()
            yield f"data: {json.dumps(asdict(live))}\n\n".encode()
        await asyncio.sleep(step_s)
