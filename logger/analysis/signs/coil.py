"""What a coil makes of a low supply: the share of its sparks that fail.

A coil is made to give a spark at full load and at the redline, where many cylinders leave it the least time to charge.
With less to do it makes do with less: below the redline it charges for longer, and behind a throttle that is not open
the spark has less pressure to break through. Not so at idle, where what is left of the burnt gas makes up for that.
"""

import numpy as np
from scipy import ndimage

from logger.analysis.channels import bands
from logger.analysis.channels.scene import interval_ns
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import View
from logger.event import FloatArray, Trace

# A coil charges for some milliseconds, or for seven tenths of the time between two sparks where that is less (common
# practice, no source); its current rises as 1 - exp(-t/tau), textbook inductor and resistor.
CHARGES_S, CHARGED_SHARE, TAU_S = 0.003, 0.7, 0.005
# The share of its sparks that it misses at full load, over all simulated cars, doubles with each half volt less.
MISSED, MISSED_AT_V, DOUBLES_V = 0.12, 8.3, 0.5
# Fitted to the same cars: how many volts less do with no load at all, and from which load on all are needed.
EASIER_V, FULL = 4.0, 0.8
SMOOTH_NS = 90_000_000
IDLING = 1.35  # of idle speed


def volts(view: View, trace: Trace, first: int = 0, stop: int | None = None) -> FloatArray:
    """The supply at firings first..stop-1, (m,): in volts that would charge the coil as far at the redline.

    trace: what tells of the battery (bands.supply), not empty.
    """
    time_ns = view.firings.time_ns[first:stop]
    if not time_ns.size:
        return np.empty(0)
    begin, end = np.searchsorted(trace.time_ns, [time_ns[0] - SMOOTH_NS, time_ns[-1] + SMOOTH_NS])
    begin, end = max(0, int(begin) - 1), int(end) + 1
    width = round(SMOOTH_NS / interval_ns(trace.time_ns)) | 1
    smooth = ndimage.median_filter(trace.value[begin:end], width, mode="nearest")
    fed = np.interp(time_ns, trace.time_ns[begin:end], smooth)
    return np.asarray(fed * more_charge(view, view.firings.speed_rps[first:stop]))


def missed(volts: FloatArray) -> FloatArray:
    """The share of its sparks that a coil misses at full load, (n,), at volts as at the redline, (n,)."""
    return np.minimum(MISSED * 2.0 ** ((MISSED_AT_V - volts) / DOUBLES_V), 1.0)


def missed_at_load(view: View, first: int, stop: int) -> FloatArray | None:
    """The share missed at firings first..stop-1 with the load that they had, (m,); None where no voltage tells.

    An engine whose throttle is not recorded counts as pulling hard.
    """
    trace = bands.supply(view)
    if trace is None or not trace.time_ns.size:
        return None
    load = np.ones(stop - first)
    if view.load_channel == "throttle_position":
        idles = view.firings.speed_rps[first:stop] < IDLING * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
        load = np.where(idles, 1.0, np.nan_to_num(view.load[first:stop].astype(np.float64), nan=1.0))
    return missed(volts(view, trace, first, stop) + EASIER_V * np.maximum(1.0 - load / FULL, 0.0))


def more_charge(view: View, speed_rps: FloatArray) -> FloatArray:
    """How much more current the coil reaches at speeds (n,) than at the redline, at the same voltage, (n,)."""
    fastest_rpm = view.engine.redline_rpm or 60.0 * float(np.percentile(view.firings.speed_rps, 98))
    redline_rps = np.full(1, fastest_rpm / 60.0)
    return _charge(view, np.minimum(speed_rps, redline_rps)) / _charge(view, redline_rps)


def _charge(view: View, speed_rps: FloatArray) -> FloatArray:
    """The current that the one coil reaches between two sparks at a speed, as a share of what it would in the end."""
    between_s = 1.0 / np.maximum(speed_rps * view.engine.firings_per_revolution, 1.0)
    return np.asarray(1.0 - np.exp(-np.minimum(CHARGES_S, CHARGED_SHARE * between_s) / TAU_S))
