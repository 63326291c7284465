"""A temperature channel freed from what no mass of water or metal can do."""

import numpy as np

from logger.event import NS_PER_S, BoolArray, FloatArray, Trace

POSSIBLE_DEGC = (-35.0, 180.0)
JUMP_DEGC = 4.0
SLOPE_DEGC_PER_S = 0.6
BRIDGE_S = 40.0


def on_grid(trace: Trace, time_s: FloatArray) -> FloatArray:
    """A temperature laid on `time_s`, freed from what no mass of water or metal can do; NaN where that leaves nothing.

    Values beyond POSSIBLE_DEGC, and pieces cut off by jumps of more than JUMP_DEGC between neighbouring samples, are
    the sensor's wire, not heat; the piece that lasts longest is believed, and others that continue it. Stretches of
    up to BRIDGE_S without a believed sample are bridged by a straight line, as temperature changes slowly.
    """
    sample_s, value = trace.time_ns / NS_PER_S, np.asarray(trace.value, dtype=float)
    possible = np.isfinite(value) & (value > POSSIBLE_DEGC[0]) & (value < POSSIBLE_DEGC[1])
    sample_s, value = sample_s[possible], value[possible]
    if not value.size:
        return np.full(time_s.size, np.nan)
    believed = _continuous(sample_s, value)
    sample_s, value = sample_s[believed], value[believed]
    laid = np.interp(time_s, sample_s, value)
    after = np.searchsorted(sample_s, time_s)
    before_s = np.where(after > 0, sample_s[np.maximum(after - 1, 0)], -np.inf)
    after_s = np.where(after < value.size, sample_s[np.minimum(after, value.size - 1)], np.inf)
    near = np.minimum(time_s - before_s, after_s - time_s) <= 2.0
    return np.where(near | (after_s - before_s <= BRIDGE_S), laid, np.nan)


def _continuous(sample_s: FloatArray, value: FloatArray) -> BoolArray:
    """Samples of the longest piece without a jump, and of those pieces that lie within reach of what is believed."""
    piece = np.concatenate([[0], np.cumsum(np.abs(np.diff(value)) > JUMP_DEGC)])
    sizes = np.bincount(piece)
    keep = np.zeros(sizes.size, dtype=bool)
    longest_first = np.argsort(-sizes, kind="stable")
    keep[longest_first[0]] = True
    for number in longest_first[1:]:
        mine, kept = piece == number, keep[piece]
        distance_s = np.abs(sample_s[kept][:, None] - sample_s[mine][[0, -1]]).min(axis=0)
        expected = np.interp(sample_s[mine][[0, -1]], sample_s[kept], value[kept])
        allowed = JUMP_DEGC + SLOPE_DEGC_PER_S * distance_s
        keep[number] = sizes[number] > 5 and bool(np.all(np.abs(value[mine][[0, -1]] - expected) <= allowed))
    kept_samples: BoolArray = keep[piece]
    return kept_samples
