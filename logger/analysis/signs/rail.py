"""Rail pressure under its floor while the engine ran, and whether that starves it.

What counts is the pressure across the injectors: against the manifold's, against the springs of mechanical injection
valves, or, with a carburettor, how long a float bowl lasts.
"""

from dataclasses import replace

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.crank.states import State, View
from logger.analysis.signs.sign import DENSE_NS, Sign
from logger.event import NS_PER_S, BoolArray, FloatArray, IntArray

MS = 1_000_000
# A float bowl holds 15 to 40 g and an engine that pulls burns 3 to 8 g/s (both common practice, no source): with next
# to no pressure for longer than this while it pulls hard it has run dry.
BOWL_LASTS_NS = 6 * NS_PER_S
NEXT_TO_NONE = 0.3
PULLS_HARD, IDLES_ON = 0.75, 0.15  # of redline, and of the torque of full load
# What injectors may lack of the pressure across them before firings are lost, as a share of what they have at full
# load. Flow goes with its root (Bernoulli): a quarter less makes the mixture a sixth leaner, half of it leaner by four
# tenths, where torque is gone or nearly. Below what the rail holds behind a shut throttle they lack it whatever the
# manifold does; with the throttle wide open they lack all that is missing; where it is not recorded, most of it.
LACKS_ANYHOW, LACKS_OPEN, LACKS_PERHAPS = 0.27, 0.5, 0.55
WIDE_OPEN = 0.6
TRAILING = 0.025  # of full load, by the throttle: a driver who trails it through a bend still burns fuel
# Mechanical injection valves open against a spring at about half of system pressure, which is higher than any port
# injection's; an engine draws some 65 kPa below the atmosphere at idle (all common practice, no source).
OPENS_ABOVE_KPA, OPENS_AT = 400.0, 0.45
VACUUM_KPA, FOLLOWS = 65.0, 0.12
SETTLES_NS = 1_700 * MS  # after an engine runs by itself: until then the pump may still be filling the rail
FEEL_IT_NS = 100 * MS  # about how long the crank takes to show it
# Without a throttle the crank tells: one that slowed by itself before the rail fell, and on through its dip, was on
# the overrun; a shortage only slows it from its fall on. Dragged along in gear an engine loses more than this share of
# its speed a second (no source; 0.06 g at 12 m/s).
COASTED_NS, STEP_NS, SLOWS_PER_S = 400 * MS, 200 * MS, 0.05


def signs(view: View, band: bands.PressureBand | None) -> list[Sign]:
    """Rail pressure under the floor while the engine ran; from where its fall began."""
    trace = view.traces.get("fuel_pressure")
    if band is None or trace is None or trace.time_ns.size < 20:
        return []
    low = trace.value < band.floor
    found = []
    for dip in bands.excursions("fuel_pressure", trace, band.floor - trace.value, low):
        low_at_start = not view.ran_at(dip.from_ns)
        if low_at_start:
            dip = replace(dip, from_ns=_settled(view, dip))
        if dip.from_ns > dip.to_ns or dip.depth < 0.08 * band.closed:
            continue
        if dip.from_ns == dip.to_ns and dip.from_ns - dip.last_good_ns < DENSE_NS:
            continue  # one sample: no hose empties and fills so fast
        if _unfed(view, dip):
            continue
        left, level = (dip.from_ns, band.closed) if low_at_start else bands.fall(trace, dip.from_ns, band)
        sated = None
        if view.engine.fuel_system == "carburettor":
            starved, weak = _emptied(view, band, left, dip.to_ns)
        else:
            starved = _starved(view, band, left, dip)
            weak, sated = bands.misfires_at(trace, left, dip.to_ns, level)
            if weak is None and starved >= 1.0:
                weak = left + FEEL_IT_NS
        found.append(
            Sign(
                "low_pressure",
                "fuel_pressure",
                left,
                dip.to_ns,
                0.0,
                starved,
                left - 10 * MS,
                engine_ns=weak,
                sated_ns=sated,
                note=f"{level - dip.lowest:.0f}",
            )
        )
    return found


def _settled(view: View, dip: bands.Excursion) -> int:
    """When an engine that was started with the rail low had run for SETTLES_NS, ns; past the dip where it did not."""
    first, last = np.searchsorted(view.firings.time_ns, [dip.from_ns, dip.to_ns])
    ran = np.flatnonzero(view.running[first:last])
    return int(view.firings.time_ns[first + ran[0]]) + SETTLES_NS if ran.size else dip.to_ns + 1


def _unfed(view: View, dip: bands.Excursion) -> bool:
    """Whether the pressure sensor's own supply was gone: as measured, or with nothing left to make it from."""
    for channel, enough in (("sensor_supply_voltage", 4.5), ("battery_voltage", 7.0), ("ignition_feed_voltage", 6.5)):
        if channel in view.traces:
            near = view.near(channel, dip.from_ns - 20 * MS, dip.to_ns + 20 * MS).value
            return float(near.min(initial=enough)) < enough
    return False


def _starved(view: View, band: bands.PressureBand, left_ns: int, dip: bands.Excursion) -> float:
    """How far a dip of the rail went, as a share of what makes an engine stumble."""
    low = view.near("fuel_pressure", left_ns, dip.to_ns)
    at_ns = int(low.time_ns[int(np.argmin(low.value))])
    if view.load_channel == "throttle_position":
        if not _burning(view, low.time_ns).any():
            return 0.0
    elif _coasting(view, dip):
        return 0.0
    full = max(band.full, 1.0)
    if full > OPENS_ABOVE_KPA:
        # What is below the valves' opening pressure moves no fuel, and the manifold does not matter to them.
        return (full - dip.lowest) / (full * (1.0 - OPENS_AT)) / LACKS_OPEN
    # A rail that does not follow the manifold is helped by its vacuum when the throttle is shut.
    helped = VACUUM_KPA if band.full - band.closed < FOLLOWS * band.closed else 0.0
    anyhow = (band.closed - dip.lowest) / (full + helped) / LACKS_ANYHOW
    if view.load_channel == "throttle_position":
        place = min(int(np.searchsorted(view.firings.time_ns, at_ns)), view.firings.time_ns.size - 1)
        if not view.load[place] > WIDE_OPEN:
            return anyhow
        return max(anyhow, (full - dip.lowest) / full / LACKS_OPEN)
    return max(anyhow, (full - dip.lowest) / full / LACKS_PERHAPS)


def _coasting(view: View, dip: bands.Excursion) -> bool:
    """Whether the crank slowed all the while, from well before a dip of the rail to its end."""
    at_ns = np.arange(dip.from_ns - COASTED_NS, dip.to_ns, STEP_NS)
    speed = np.maximum(np.interp(at_ns, view.firings.time_ns, view.firings.speed_rps), 0.1)
    return bool((np.diff(np.log(speed)) < -SLOWS_PER_S * STEP_NS / NS_PER_S).all())


def _burning(view: View, time_ns: IntArray) -> BoolArray:
    """Whether fuel was called for at each time: not behind a shut throttle well above idle, where nothing pulls."""
    place = np.clip(np.searchsorted(view.firings.time_ns, time_ns), 0, view.firings.time_ns.size - 1)
    # Where the throttle's own sensor fails the load is unknown (NaN), and nothing says that it was shut.
    return np.asarray((view.state[place] != State.OVERRUN) | ~(view.load[place] <= TRAILING))


def _emptied(view: View, band: bands.PressureBand, left_ns: int, to_ns: int) -> tuple[float, int | None]:
    """How far a float bowl with next to no pressure behind it ran empty, as a share; and when it feeds no more, ns.

    Until then it goes on feeding the engine, and only what the engine does itself tells whether it starves; what comes
    between fills it again. It empties with what the engine burns, which goes with speed and load.
    """
    low = view.near("fuel_pressure", left_ns, to_ns)
    if low.time_ns.size < 2:
        return 0.0, None
    burnt = _burn(view, low.time_ns) * np.gradient(low.time_ns)
    drained = np.cumsum(burnt)
    drained -= np.maximum.accumulate(np.where(low.value >= NEXT_TO_NONE * band.closed, drained, 0.0))
    dry = np.flatnonzero(drained > BOWL_LASTS_NS - NS_PER_S)
    return float(drained.max()) / BOWL_LASTS_NS, int(low.time_ns[dry[0]]) if dry.size else None


def _burn(view: View, time_ns: IntArray) -> FloatArray:
    """Fuel burnt at each time as a share of what an engine burns that pulls hard, (n,)."""
    firings = view.firings
    place = np.clip(np.searchsorted(firings.time_ns, time_ns), 0, firings.time_ns.size - 1)
    load = np.nan_to_num(view.load[place].astype(np.float64), nan=0.5)
    torque = IDLES_ON + (1.0 - IDLES_ON) * np.minimum(load / WIDE_OPEN, 1.0)
    hard_rps = PULLS_HARD * (view.engine.redline_rpm or 60.0 * float(np.percentile(firings.speed_rps, 98))) / 60.0
    return np.asarray(torque * firings.speed_rps[place] / max(hard_rps, 1.0))
