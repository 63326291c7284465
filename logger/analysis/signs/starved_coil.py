"""Misses while the battery is too low for the coil: at idle each one drops the crank's speed at a stroke.

An idling engine has nothing but friction against it, and slows some per cent with every firing that is lost. With the
battery down to where coils fail that needs no other witness; with a sound one the driver's clutch is as likely
(idle_drops.py asks for more). Under load single misses hardly show; there a supply that has collapsed speaks for
itself, unless the crank turns too evenly for any miss.
"""

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import State, View
from logger.analysis.signs import coil
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, BoolArray, IntArray

COIL_FAILS_V = 10.0  # at the battery, with the engine running (common practice, no source)
IDLING = (0.6, 1.35)  # of idle speed
SIDE = 3  # pulses over which speed is taken on either side
DROP = 0.025  # relative loss of speed over that, at a stroke
STEADY = (-0.03, 0.015)  # relative loss over as many pulses before
RUNS_DOWN = 1.07  # of the speed, half a second before: then the crank comes down from a blip by itself
LEAST_EXPECTED = 4.0  # firings lost: of one cylinder, or for a moment, a low supply may cost too few to be felt
# Under load, as at the redline (coil.py): where the load is known, and where it is not.
COLLAPSED_V, COLLAPSED_ANYHOW_V = 9.3, 9.0
# Down to this an even crank tells of a sturdy coil; what counts as even, relative, see _unrest; pulses of a block.
SEEN_EVEN_V, EVEN, BLOCK = 8.2, 0.01, 8
FAST, LOADED, LASTS_NS = 1.6, 0.7, 600_000_000
CLUTCH_NS = NS_PER_S  # where only the crank's own gain tells load, a clutch that is let in looks like a pull
JOIN_NS = NS_PER_S // 2
FEWEST = 2  # drops within half a second of each other


def signs(view: View) -> list[Sign]:
    """Groups of drops, as weak_torque signs; empty where the battery is not recorded."""
    time_ns = view.firings.time_ns
    battery = view.traces.get("battery_voltage")
    if time_ns.size < 20 * SIDE or battery is None or not (battery.value < COIL_FAILS_V).any():
        return []
    drops = np.flatnonzero(_drops(view))
    found = []
    for part in np.split(drops, np.flatnonzero(np.diff(time_ns[drops]) > JOIN_NS) + 1):
        # Neighbouring pulses see the same drop.
        count = 1 + int(np.count_nonzero(np.diff(part) > SIDE)) if part.size else 0
        if count < FEWEST:
            continue
        from_ns, to_ns = int(time_ns[part[0]]), int(time_ns[min(part[-1] + SIDE, time_ns.size - 1)])
        found.append(Sign("weak_torque", "tach_pulses", from_ns, to_ns, float(count), 3.0 * count, from_ns))
    return found


def collapsed(view: View) -> list[Sign]:
    """Stretches in which the engine pulled on a supply that no coil makes every spark from, as weak_torque signs.

    What they cost is only estimated: single misses under load hardly show. Empty where no voltage tells of the battery.
    """
    trace, firings = bands.supply(view), view.firings
    known = view.load_channel == "throttle_position"  # the rail hangs on the same battery
    least_v = COLLAPSED_V if known else COLLAPSED_ANYHOW_V
    if trace is None or trace.time_ns.size < 50 or firings.time_ns.size < 50 or not (trace.value < least_v).any():
        return []
    volts = coil.volts(view, trace)
    fast = firings.speed_rps > FAST * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    short = view.running & fast & (view.load > LOADED) & (volts < least_v)
    found = []
    at = np.flatnonzero(short)
    for part in np.split(at, np.flatnonzero(np.diff(firings.time_ns[at]) > JOIN_NS) + 1) if at.size else []:
        from_ns, to_ns = int(firings.time_ns[part[0]]), int(firings.time_ns[part[-1]])
        if to_ns - from_ns < (LASTS_NS if view.load_channel else CLUTCH_NS):
            continue
        if float(np.median(volts[part])) > SEEN_EVEN_V and _unrest(firings.time_ns[part[0] : part[-1] + 1]) < EVEN:
            continue
        missed = float(coil.missed(volts[part]).sum())
        lost = missed * view.engine.firings_per_revolution / firings.pulses_per_revolution
        if lost > LEAST_EXPECTED:
            found.append(Sign("weak_torque", "tach_pulses", from_ns, to_ns, lost, 3.0, from_ns))
    return found


def _unrest(time_ns: IntArray) -> float:
    """How far crank speed wanders from BLOCK to BLOCK of pulses beyond a smooth pull, as a share; inf for under six.

    time_ns: (n,). Third differences leave speed, gain and drag out. Edges that jitter count as unrest: they could hide
    misses.
    """
    log_interval = np.log(np.maximum(np.diff(time_ns).astype(np.float64), 1.0))
    n = log_interval.size // BLOCK
    if n < 6:
        return float("inf")
    return float(np.median(np.abs(np.diff(log_interval[: n * BLOCK].reshape(n, BLOCK).mean(axis=1), 3))))


def _drops(view: View) -> BoolArray:
    """Where the crank lost speed at a stroke, idling on a low battery, at each pulse, (n,)."""
    firings, idle = view.firings, (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    took = np.log(np.maximum(firings.time_ns[SIDE:] - firings.time_ns[:-SIDE], 1).astype(np.float64))
    drop = np.zeros(firings.time_ns.size)
    before = np.full(firings.time_ns.size, np.inf)
    drop[SIDE:-SIDE] = took[SIDE:] - took[:-SIDE]
    before[2 * SIDE :] = took[SIDE:] - took[:-SIDE]
    volts = view.sampled("battery_voltage", firings.time_ns)
    idling = (view.state == State.IDLE) & view.running & firings.seen
    idling &= (firings.speed_rps > IDLING[0] * idle) & (firings.speed_rps < IDLING[1] * idle)
    earlier = np.interp(firings.time_ns - NS_PER_S // 2, firings.time_ns, firings.speed_rps)
    idling &= earlier < RUNS_DOWN * firings.speed_rps
    return np.asarray(idling & (volts < COIL_FAILS_V) & (drop > DROP) & (before > STEADY[0]) & (before < STEADY[1]))
