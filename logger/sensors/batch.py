"""What the sensors hand to the recorder: batches of counts and edge times, gaps, and the health of each part.

Every time in here is int64 nanoseconds on the clock that was handed to the hardware (`Clock.monotonic_ns`); the
recorder subtracts the start of its recording.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from logger.event import Gap, IntArray

Counts = npt.NDArray[np.int16]
State = Literal["starting", "ok", "missing", "noisy"]


@dataclass(frozen=True, slots=True)
class Levels:
    """Vibration over each 50 ms, static gravity removed, in g and car axes.

    time_ns: shape (n,), the last sample of each. rms, peak: float32, shape (n, 4): forward, left, up, resultant.
    """

    time_ns: IntArray
    rms: npt.NDArray[np.float32]
    peak: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class PartHealth:
    """One physical part as it is now.

    part: such as "adc 0x48" or "tach_pulses". where: bus address or pin. state: "starting" until it first answered,
    "noisy" for a pulse input that is disarmed. message: what is wrong and what to look at, empty when ok. samples:
    values or edges since the start. errors: failed transactions, refused edges. missed: due samples that could not be
    taken in time. peak_late_ms: the latest that a sample was started after its due time since the last batch. details:
    what else is known, such as the chip's model or the clock of the edge times.
    """

    part: str
    where: str
    state: State
    message: str = ""
    samples: int = 0
    errors: int = 0
    missed: int = 0
    peak_late_ms: float = 0.0
    details: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Batch:
    """All that arrived in one call of `Hardware.poll`.

    samples: channel to (times (n,), counts int16 (n,), or (n, 3) for acceleration), times rising within a channel and
    from batch to batch. A sample is stamped in the middle of its conversion and may arrive some milliseconds later, so
    it may lie before the time at which the poll began. pulses: pulse channels and driver_marks to their times.
    states: key_sense to (times, 0 or 1), each holding until the next; the first batch carries the state at the start.
    levels: None without an accelerometer or before the first 50 ms. gaps: stretches not recorded, reported when they
    end. health: every part.
    """

    samples: Mapping[str, tuple[IntArray, Counts]]
    pulses: Mapping[str, IntArray]
    states: Mapping[str, tuple[IntArray, npt.NDArray[np.int8]]]
    levels: Levels | None
    gaps: tuple[Gap, ...]
    health: tuple[PartHealth, ...]
