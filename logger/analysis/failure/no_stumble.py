"""Why an episode is no stumble: what else than lost firings explains its signs."""

import numpy as np

from logger.analysis.channels import bands
from logger.analysis.crank.jolts import lurched
from logger.analysis.crank.key import FEED_DEAD_V
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import State, View
from logger.analysis.crank.stops import AT_IDLE
from logger.analysis.failure.episodes import Episode
from logger.analysis.signs.dead_time import LONGEST_DEAD_NS, STOICHIOMETRIC
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S

DEEP = 0.75  # of the supply before
FEWEST_LOST, SURE = 2.5, 3.0  # pulses; natural log-odds
FEWEST_FIRED = 2  # pulses
SHUT = 0.02  # of the throttle's travel; a little open, an engine asks for fuel on overrun, too
MOST_ASKED_NS, SOME_ASKED = NS_PER_S // 6, 0.2  # and share: at the edges of an overrun its state is a guess
# Samples of the exhaust, and times the stoichiometric ratio: a mixture so weak still burns and gives some four fifths
# of its torque (no source); a rich one reads as lean where one firing in four is lost.
FEWEST_SEEN, BURNS = 5, 1.2
WELL_BEFORE_NS = (600_000_000, 200_000_000)  # a lean mixture is dated to a fifth of a second, by its way to the probe
ACCOUNTED = 0.6  # of how much leaner it reads, and that with its lag undone


def why(episode: Episode) -> str | None:
    """Why an episode is no stumble; None where it is one."""
    unsure = all(sign.kind == "lost_pulses" and sign.strength < SURE for sign in episode.signs)
    view = episode.view
    pulses = view.firings.pulses_per_revolution / view.engine.firings_per_revolution
    if unsure and pulses * sum(sign.lost for sign in episode.signs) < FEWEST_LOST:
        return "one or two pulses missing and nothing else: too little to tell the ignition from the tach wire"
    if _clutch_let_in(episode):
        return "the car lurched as the pulses ended: the clutch was let in and dragged the crank nearly to a halt"
    if _only_leaner(episode):
        return "fuel pressure left its band, and the exhaust shows that the weaker mixture burned"
    if any(sign.kind not in ("supply_dip", "low_pressure") for sign in episode.signs):
        return None
    if _nothing_asked(episode):
        return "fuel pressure left its band on a shut throttle, where next to no fuel is asked of it"
    if all(sign.one_sample for sign in episode.signs):
        return "one sample alone left its band, and nothing else shows: noise on the sensor's wire"
    if any(sign.kind == "low_pressure" and sign.strength >= 1.0 for sign in episode.signs):
        return None
    dips = [dip for dip in episode.of("supply_dip") if dip.channel != "sensor_supply_voltage"]
    if not dips:
        return "fuel pressure left its band, but not far or long enough for the mixture not to light"
    if all(_fired_on_nothing(view, dip) for dip in dips):
        return "the coil gave every pulse with nothing at its terminal: the feed's tap failed, not the feed"
    place = max(int(np.searchsorted(view.firings.time_ns, dips[0].from_ns)) - 2, 0)
    fast = view.firings.speed_rps[place] > 1.6 * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    lowest = min(float(sign.note) for sign in dips)
    # A coil behind a ballast resistor is made for less, so a dip counts by its share, too.
    deep = any(float(dip.note) < min(bands.WEAK_COIL_V, DEEP * (float(dip.note) + dip.strength)) for dip in dips)
    if not fast or not deep:
        return f"the supply dipped to {lowest:.1f} V and the engine fired on"
    return None


def _clutch_let_in(episode: Episode) -> bool:
    """Whether a standing car was pushed just as an idling crank's pulses ended: it took the crank's energy.

    A crank whose firings are lost pushes nothing.
    """
    if any(sign.kind != "lost_pulses" for sign in episode.signs):
        return False
    view, sign = episode.view, episode.signs[0]
    before = max(int(np.searchsorted(view.firings.time_ns, sign.from_ns)) - 4, 0)
    idle_rps = (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    return bool(view.firings.speed_rps[before] < AT_IDLE * idle_rps) and lurched(view, sign.from_ns)


def _fired_on_nothing(view: View, dip: Sign) -> bool:
    """Whether a coil went on firing through a dip in which its feed read next to nothing, as none can."""
    far = view.engine.tach_far_from_coil
    if far or dip.channel != "ignition_feed_voltage" or float(dip.note) > FEED_DEAD_V:
        return False
    first, stop = np.searchsorted(view.firings.time_ns, [dip.from_ns, dip.to_ns + 1])
    return bool(stop - first >= FEWEST_FIRED and view.firings.seen[max(0, first - 1) : stop + 1].all())


def _nothing_asked(episode: Episode) -> bool:
    """Whether only the rail failed, and the car drove the engine while it did."""
    view = episode.view
    if view.load_channel != "throttle_position" or episode.of("supply_dip"):
        return False
    felt_ns = min(sign.felt_ns for sign in episode.signs)
    first, stop = np.searchsorted(view.firings.time_ns, [felt_ns, episode.to_ns])
    driven = (view.state[first:stop] == State.OVERRUN) & (view.load[first:stop] < SHUT)
    asked = float(np.mean(~driven)) if driven.size else 1.0
    return asked <= SOME_ASKED and asked * (episode.to_ns - felt_ns) <= MOST_ASKED_NS


def _only_leaner(episode: Episode) -> bool:
    """Whether a rail was short and the exhaust read leaner for it, but nowhere as lean as mixture that did not burn.

    Not behind a float bowl, which feeds the same mixture until it is dry, firing by firing.
    """
    if episode.view.engine.fuel_system == "carburettor":
        return False
    if any(sign.kind not in ("low_pressure", "lean") for sign in episode.signs):
        return False
    begin, end = min(sign.from_ns for sign in episode.signs), max(sign.to_ns for sign in episode.signs)
    seen = episode.view.near("air_fuel_ratio", begin, end + LONGEST_DEAD_NS).value
    if seen.size < FEWEST_SEEN:
        return False
    leanest = float(np.percentile(seen, 95))
    if not episode.of("low_pressure") and not _rail_weakened(episode.view, begin, end, leanest):
        return False
    return leanest < BURNS * STOICHIOMETRIC


def _rail_weakened(view: View, begin_ns: int, end_ns: int, leanest: float) -> bool:
    """Whether a rail that fell, if not below its band, accounts for a mixture that turned as lean as that.

    What injectors give goes with the root of the pressure (Bernoulli).
    """
    usual, rail = (
        view.near(name, begin_ns - WELL_BEFORE_NS[0], begin_ns - WELL_BEFORE_NS[1]).value
        for name in ("air_fuel_ratio", "fuel_pressure")
    )
    fallen = view.near("fuel_pressure", begin_ns - WELL_BEFORE_NS[1], end_ns).value
    if min(usual.size, rail.size, fallen.size) < FEWEST_SEEN:
        return False
    weaker = float(np.sqrt(np.median(rail) / max(float(np.percentile(fallen, 10)), 1.0)))
    leaner = leanest / float(np.median(usual)) - 1.0  # not so where the throttle was shut and fuel cut before
    return leaner > 0.0 and weaker - 1.0 > ACCOUNTED * leaner
