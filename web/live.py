"""Live values: the recorder's small file under the run directory, handed on to browsers as server-sent events."""

import asyncio
import json
import math
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

STEP_S = 0.1
HEARTBEAT_S = 2.0
STALE_S = 3.0


@dataclass(frozen=True, slots=True)
class Live:
    """What is known of the recorder now. state: `live`, `stale` (age_s says how old) or `absent`; values as written."""

    state: str
    age_s: float | None
    values: dict[str, Any]


def read_live(run_dir: Path | None, now_s: Callable[[], float] = time.time) -> Live:
    """Read live.json once. A file that is missing or half a file is `absent`: the recorder replaces it as a whole."""
    if run_dir is None:
        return Live("absent", None, {})
    path = run_dir / "live.json"
    try:
        written_s = path.stat().st_mtime
        values = json.loads(path.read_bytes(), parse_constant=lambda _: None)
    except (OSError, ValueError):
        return Live("absent", None, {})
    if not isinstance(values, dict):
        return Live("absent", None, {})
    age_s = max(now_s() - written_s, 0.0)
    return Live("live" if age_s < STALE_S else "stale", round(age_s, 1), values)


async def stream(run_dir: Path | None, gone: Callable[[], Any], stopping: asyncio.Event) -> AsyncIterator[bytes]:
    """Server-sent events: one message whenever the recorder wrote anew (10 Hz), else one every two seconds."""
    yield b"retry: 1000\n\n"
    last: object = None
    sent_s = -math.inf
    while not stopping.is_set() and not await gone():
        live = read_live(run_dir)
        if live.values != last or time.monotonic() - sent_s > HEARTBEAT_S:
            last, sent_s = live.values, time.monotonic()
            body = json.dumps({"state": live.state, "age_s": live.age_s, "values": live.values})
            yield f"data: {body}\n\n".encode()
        await asyncio.sleep(STEP_S)
