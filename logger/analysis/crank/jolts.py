"""What a box in a standing car feels as the engine stops: the clutch that jerks the car, the crank that shakes it."""

import numpy as np
from scipy import ndimage

from logger.analysis.channels.scene import usual_step_ns
from logger.analysis.crank.states import View
from logger.event import FloatArray

MS = 1_000_000
LURCH_G, STANDING_G = 0.3, 0.1
SMOOTH_NS = 20 * MS
FEWEST = 5  # readings
# When a next pulse would be due, in intervals after the last; from when the crank stands, and for how long looked at.
DUE, STANDS, REST_NS = (0.65, 1.15), 4, 600 * MS
SHOOK, STILL = 2.0, 0.15  # times what the box shakes at rest; of the shaking's power beyond that


def lurched(view: View, end_ns: int) -> bool:
    """Whether the standing car was jerked along or across within a fifth of a second around the last pulse."""
    around = view.near("acceleration", end_ns - 100 * MS, end_ns + 250 * MS)
    if around.value.ndim != 2 or around.value.shape[0] < FEWEST or not stood(view, end_ns):
        return False
    level = view.near("acceleration", end_ns - 1200 * MS, end_ns - 150 * MS).value.mean(axis=0)
    smooth = _smooth(view, around.value - level)
    gravity = int(np.argmax(np.abs(level)))
    sideways = np.delete(smooth, gravity, axis=1)
    return float(np.linalg.norm(sideways, axis=1).max()) > LURCH_G


def pushed_to_the_end(view: View, end_ns: int) -> bool:
    """Whether the car was pushed forward until the last pulse and held back soon after it."""
    before = view.near("acceleration", end_ns - 300 * MS, end_ns).value
    after = view.near("acceleration", end_ns + 300 * MS, end_ns + 700 * MS).value
    if before.ndim != 2 or min(before.shape[0], after.shape[0]) < FEWEST:
        return False
    return float(np.median(before[:, 0]) - np.median(after[:, 0])) > LURCH_G


def stood_when_due(view: View, last: int, interval_ns: int) -> bool:
    """Whether a standing car's box, shaken by the engine until pulse `last`, was still when the next pulse was due.

    A crank that loses its spark turns on for several revolutions; only a clutch stops it within one of them.
    """
    end = int(view.firings.time_ns[last])
    rest = view.near("acceleration", end + STANDS * interval_ns, end + STANDS * interval_ns + REST_NS).value
    if rest.ndim != 2 or rest.shape[0] < 10:
        return False

    def power(from_ns: int, to_ns: int) -> float:
        value = view.near("acceleration", from_ns, to_ns).value
        if value.shape[0] < 5:
            return np.nan
        smooth = ndimage.uniform_filter1d(value - np.median(rest, axis=0), 3, axis=0, mode="nearest")
        return float(np.mean(smooth**2))

    ran, due = power(end - 3 * interval_ns, end), power(*(end + round(share * interval_ns) for share in DUE))
    still = power(end + STANDS * interval_ns, end + STANDS * interval_ns + REST_NS)
    return ran > SHOOK**2 * still and due < still + STILL * (ran - still)


def stood(view: View, end_ns: int) -> bool:
    """Whether the car stood before the last pulse: nothing shook it, and a second later it reads the same.

    A car that brakes to a halt reads steadily too, but not the same.
    """
    before = view.near("acceleration", end_ns - 1200 * MS, end_ns - 150 * MS).value
    after = view.near("acceleration", end_ns + 600 * MS, end_ns + 1200 * MS).value
    if before.ndim != 2 or min(before.shape[0], after.shape[0]) < FEWEST:
        return False
    swayed = _smooth(view, before - np.median(before, axis=0))
    still = float(np.abs(swayed).max(axis=1).mean()) < 0.5 * LURCH_G
    return still and float(np.abs(np.median(after, axis=0) - np.median(before, axis=0)).max()) < STANDING_G


def _smooth(view: View, value: FloatArray) -> FloatArray:
    """Acceleration (n, 3) without what lasts for less than a box takes to swing on its mounts, a sensor's noise."""
    rows = round(SMOOTH_NS / max(1.0, usual_step_ns(view.traces["acceleration"].time_ns[:2000])))
    return np.asarray(ndimage.uniform_filter1d(value, max(1, rows), axis=0, mode="nearest"))
