"""Starts: silences in which the crank stood and was turned again, and cranking that led to nothing."""

import numpy as np

from logger.analysis.crank.key import MS
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM, split
from logger.analysis.crank.states import CRANKED_BELOW, LoadScale, View, view
from logger.analysis.crank.stops import AT_IDLE, NEAR_IDLE
from logger.analysis.findings import FailedStart
from logger.event import NS_PER_S

# A starter draws a sound battery down by volts. A flat one it may hardly turn on; but an idling crank that gets no
# firing stands within a second (friction at idle takes 150 to 300 rad/s2), so who comes back later was started again.
STARTER_DRAW_V, STARTER_SURELY_V = 0.4, 1.0
STANDS_NS = 1_000_000_000
MOSTLY = 75  # per cent of a starter's pulses, that are as slow as it turns
# A battery that is gone, and not drawn down, from the first moment of a silence on: nobody reaches a starter so soon.
COLLAPSED, TOO_SOON_NS = 0.75, 200 * MS


def without_standstills(seen: View, scale: LoadScale) -> View:
    """The view with its stretches ended where the engine stood and was started again, so that it starts anew there."""
    silences = restarts(seen)
    if not silences:
        return seen
    firings = split(seen.firings, silences)
    return view(seen.recording, seen.engine, firings, seen.traces, scale, seen.gaps_ns)


def restarts(view: View) -> list[tuple[int, int]]:
    """Silences (first missing pulse, first seen after) from idle in which the engine stood and was started again.

    The starter's draw on the battery shows it; without a battery channel the length of the silence has to do.
    """
    firings = view.firings
    found = []
    for first, stop in firings.missing_runs().tolist():
        if first == 0 or stop >= firings.time_ns.size or not view.running[first - 1]:
            continue
        from_ns, to_ns = int(firings.time_ns[first]), int(firings.time_ns[stop])
        idles = firings.speed_rps[first - 1] / ((view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0)
        long = to_ns - from_ns > STANDS_NS
        if idles < AT_IDLE:
            stood = long or (to_ns - from_ns > 600 * MS and _starter_turned(view, from_ns, to_ns, STARTER_DRAW_V))
        else:
            stood = long and (idles < NEAR_IDLE or _starter_turned(view, from_ns, to_ns, STARTER_SURELY_V))
        if stood:
            found.append((first, stop))
    return found


def _starter_turned(view: View, from_ns: int, to_ns: int, draw_v: float) -> bool:
    """Whether the battery was drawn down for a tenth of a second or more, some time after the silence began."""
    battery = view.near("battery_voltage", from_ns + TOO_SOON_NS, to_ns + 50 * MS)
    before = view.near("battery_voltage", from_ns - 500 * MS, from_ns + 100 * MS).value
    if battery.value.size < 10 or before.size < 5:
        return "battery_voltage" not in view.traces
    usual = float(np.median(before))
    at_once = view.near("battery_voltage", from_ns + 20 * MS, from_ns + TOO_SOON_NS).value
    if at_once.size and float(np.median(at_once)) < COLLAPSED * usual:
        return False
    drawn = battery.time_ns[battery.value < usual - draw_v]
    return bool(drawn.size and drawn[-1] - drawn[0] > 80 * MS)


def failed_starts(view: View) -> list[FailedStart]:
    """Cranking that did not lead to running, with what was present meanwhile."""
    firings, bounds = view.firings, view.firings.bounds()
    found = []
    idle_rps = (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    for first, stop in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        if stop - first < 4 or view.running[first:stop].any():
            continue
        # Edges that stray make single intervals short.
        if float(np.percentile(firings.speed_rps[first:stop], MOSTLY)) > CRANKED_BELOW * idle_rps:
            continue
        from_ns, to_ns = int(firings.time_ns[first]), int(firings.time_ns[stop - 1])
        if to_ns - from_ns < 400 * MS:
            continue
        pressure = view.near("fuel_pressure", from_ns, to_ns).value
        battery = view.near("battery_voltage", from_ns, to_ns).value
        found.append(
            FailedStart(
                view.recording.name,
                from_ns / NS_PER_S,
                to_ns / NS_PER_S,
                True,
                float(np.median(pressure)) if pressure.size else None,
                float(np.median(battery)) if battery.size else None,
                "cranked, with tach pulses, and did not start",
            )
        )
    return found
