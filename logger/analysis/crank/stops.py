"""Why the engine stopped: switched off, stalled by the driver, or died with the key on.

Key sense decides where it is recorded. Otherwise: switching off takes the coil's feed away while the battery breathes
up, and the fuel pump with it, so that rail pressure falls; an engine that dies keeps its feed, and its rail rises to
the regulator's full pressure as manifold vacuum fades. A driver's stall drags the crank down pulse by pulse with
sound ignition, usually with the throttle opening first; lost ignition at idle lets the pulses end at full idle speed.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from logger.analysis.crank.jolts import lurched, pushed_to_the_end, stood, stood_when_due
from logger.analysis.crank.key import (
    MS,
    RUN_DOWN_NS,
    battery_breathed_up,
    coil_fed_on,
    feed_gone_before,
    feed_left,
    feed_outlasted,
    pump_fed_on,
    pump_stopped,
    turned_off,
    turned_off_and_on,
)
from logger.analysis.crank.last_breaths import aired, burned_to_the_end
from logger.analysis.crank.pulses import DEFAULT_IDLE_RPM
from logger.analysis.crank.states import IDLE_BAND, State, View
from logger.event import NS_PER_S

Why = Literal["key_off", "driver_stall", "died", "record_ends", "unclear"]
RAN_DOWN_NS, OVERDUE_NS = 400 * MS, 50 * MS  # before the key was turned; how late its sense may be (judgement)
FEED_FELL = 0.75  # of the feed before
LABOURS = 0.15  # of full load, more than before
AT_IDLE, NEAR_IDLE = 1.5, 1.8  # of idle speed: from where an engine stops within half a second, and within a second
USUAL, BEFORE = 0.95, 10  # of a crank's speed before: of the median of so many pulses
PULLS, STAYED = 0.2, 0.7  # of full load; of the throttle before
FOOT_NS = ((-300 * MS, -50 * MS), (100 * MS, 400 * MS))
SOON_NS = 6 * NS_PER_S  # in which a driver who stalled it at the line has it running again (no source)
AT_ONCE_NS = 300 * MS  # in which nobody has an engine that stands running again: it never stood
SPARSE = 1.0  # pulses a revolution, up to which a clutch drags the crank from idle to rest between two of them
ROCKS_BACK = 5  # times the interval before: no crank slows so much from one pulse to the next and turns on
JUST_STARTED_NS = 2 * NS_PER_S  # after its first firings; until then a cold engine may die by itself (judgement)
IN_VAIN_NS = 3 * NS_PER_S  # of cranking; a warm engine catches within one or two (judgement)
SUDDEN = 0.87  # of the speed before, or of idle speed: pulses that end above it did not end by a crank dragged down

DRAGGED_DOWN, RAN_DOWN = "the crank was dragged down", "the crank ran down"
JUST_STARTED = "it stopped within two seconds of its start; a choke or an empty float bowl does the same"
LOOKS_THE_SAME = "it stopped at idle and was started again; a driver's stall would look the same here"


@dataclass(frozen=True, slots=True)
class Stop:
    """The end of a stretch of running. at_ns: when the next pulse was due. last: index of the last pulse seen.

    restart_ns: when the engine ran by itself again; None where it did not. off_ns: when the key was turned off, where
    that is known; a tach wire from the crank goes on for as long as the crank runs down. slows_ns: of a crank that ran
    down with its pulses, or was dragged down, when it began to.
    """

    why: Why
    at_ns: int
    last: int
    restart_ns: int | None
    reason: str
    off_ns: int | None = None
    slows_ns: int | None = None

    @property
    def dragged_down(self) -> bool:
        """Whether only the way in which the crank slowed tells of the driver; a lurch of the car tells of more."""
        return self.why == "driver_stall" and self.reason.startswith(DRAGGED_DOWN)


def stops(view: View) -> list[Stop]:
    """Every time the engine stopped after it had run by itself: the ends of its stretches, unless it ran on at once."""
    firings, bounds = view.firings, view.firings.bounds()
    found = []
    for number, (first, stop) in enumerate(zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True)):
        if not view.running[first:stop].any() or stop - first < 12:
            continue
        if view.recording.goes_on and stop == firings.time_ns.size:
            continue  # a cut through a long recording, with the engine running
        following = int(firings.time_ns[stop]) if stop < firings.time_ns.size else view.recording.duration_ns
        last, restart = _last_steady(view, first, stop), _restart(view, number)
        if restart is not None and restart - int(firings.time_ns[last]) < AT_ONCE_NS:
            left = feed_left(view, int(firings.time_ns[last]), following)
            if left is None or left > FEED_FELL:
                continue  # the train of pulses is broken, not the run
        one = _judge(view, last, following, restart)
        begun = int(firings.time_ns[first + int(np.argmax(view.state[first:stop] >= State.STARTING))])
        if one.dragged_down and _cranked_in_vain(view, number):
            one = replace(one, why="died", reason=f"{RAN_DOWN} and would not start again, with the key on")
        if one.why == "died" and one.at_ns - begun < JUST_STARTED_NS and _supplied(view, one.at_ns):
            one = replace(one, why="unclear", reason=JUST_STARTED)
        found.append(one)
    return found


def _cranked_in_vain(view: View, number: int) -> bool:
    """Whether the starter turned the engine for longer after a stretch than one that was stalled needs to run again."""
    firings = view.firings
    begin = int(np.searchsorted(firings.stretch, number, side="right"))
    runs = np.flatnonzero(view.running[begin:])
    until = slice(begin, begin + int(runs[0]) if runs.size else None)
    seen = firings.seen[until]
    turns = (np.diff(firings.stretch[until]) == 0) & seen[1:] & seen[:-1]
    return int(np.diff(firings.time_ns[until])[turns].sum()) > IN_VAIN_NS


def _last_steady(view: View, first: int, stop: int) -> int:
    """The last pulse that came in a row of three: a crank that rocks back as it stops may give one more, later."""
    seen, interval = view.firings.seen[first:stop], np.diff(view.firings.time_ns[first:stop])
    in_a_row = np.flatnonzero(seen[2:] & seen[1:-1] & seen[:-2] & (interval[1:] < ROCKS_BACK * interval[:-1]))
    return first + 2 + int(in_a_row[-1]) if in_a_row.size else stop - 1


def _judge(view: View, last: int, following: int, restart: int | None) -> Stop:
    firings = view.firings
    end = int(firings.time_ns[last])
    due = end + _interval_ns(view, last)

    def stop(why: Why, reason: str, off_ns: int | None = None) -> Stop:
        slows_ns = _sound_until(view, last) if reason.startswith((RAN_DOWN, DRAGGED_DOWN)) else None
        return Stop(why, due, last, restart, reason, off_ns, slows_ns)

    if view.recording.duration_ns - end < 300 * MS or _gap_at(view, end):
        return stop("record_ends", "the recording ends or has a gap here")
    key = view.recording.traces.get("key_sense")
    if key is not None and key.time_ns.size:
        key_off_ns = turned_off(view, end)
        if key_off_ns is not None and not _down_before(view, last, key_off_ns):
            return stop("key_off", "the key was turned off", key_off_ns)
        if key_off_ns is None and (left := feed_left(view, end, following)) is not None and left < FEED_FELL:
            return stop("died", "the coil's feed was lost with the key on")
        return stop(*_stall_or_died(view, last, restart))
    off_ns = feed_gone_before(view, end)
    pulled = _pulled(view, end if off_ns is None else off_ns)
    outlasted = feed_outlasted(view, last, due)
    if off_ns is not None and restart is None and not pulled and not outlasted:
        return stop("key_off", "the coil's feed was switched off and the crank ran down", off_ns)
    left = feed_left(view, end, following)
    if left is not None:
        dead = left == 0.0
        if dead and pulled:
            return stop("died", "the coil's feed was lost while the engine pulled")
        if dead and not outlasted and restart is None and pump_fed_on(view, due):
            return stop(
                "unclear", "the coil's feed went and the fuel pump kept its own: a failure, or a switch for each"
            )
        if dead and not outlasted and (restart is None or turned_off_and_on(view, end, due, following)):
            return stop("key_off", "the coil's feed was switched off")
        if left < FEED_FELL and not outlasted:
            again = "" if restart is None else " and the engine was started again"
            return stop("died", f"the coil's feed was lost{again}")
        return stop(*_stall_or_died(view, last, restart))
    if coil_fed_on(view, last) and not (pump_stopped(view, end) or _breathed_up_first(view, last)):
        return stop(*_stall_or_died(view, last, restart))
    if restart is None and pump_fed_on(view, due):
        return stop("unclear", "the fuel pump kept its feed: the engine died, or pump and ignition have a switch each")
    if restart is None and following >= view.recording.duration_ns:
        return stop("key_off", "the engine was not started again, and nothing recorded tells it from a key turned off")
    if restart is None and (pump_stopped(view, end) or battery_breathed_up(view, end)):
        return stop("key_off", "rail pressure fell or the battery rose at once, as when the key is turned off")
    return stop(*_stall_or_died(view, last, restart))


def _pulled(view: View, at_ns: int) -> bool:
    """Whether the engine pulled well above idle until then, and the foot stayed: nobody turns the key just there."""
    first, last = np.searchsorted(view.firings.time_ns, [at_ns - NS_PER_S // 2, at_ns])
    if view.load_channel != "throttle_position" or last - first < 6:
        return False
    slowest = float(view.firings.speed_rps[first:last].min())
    fast = slowest > NEAR_IDLE * (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    before, after = (view.near("throttle_position", at_ns + a, at_ns + b).value for a, b in FOOT_NS)
    stayed = before.size and after.size and float(np.median(after)) > STAYED * float(np.median(before))
    return bool(fast and stayed and view.load[first:last].min() > PULLS and not pump_stopped(view, at_ns))


def _interval_ns(view: View, last: int) -> int:
    time_ns = view.firings.time_ns
    first = max(0, last - 3)
    return int((time_ns[last] - time_ns[first]) / max(1, last - first))


def _restart(view: View, number: int) -> int | None:
    later = np.flatnonzero((view.firings.stretch > number) & (view.state >= State.STARTING))
    return int(view.firings.time_ns[later[0]]) if later.size else None


def _gap_at(view: View, end_ns: int) -> bool:
    """Whether nothing was recorded for a while from within half a second around the last pulse."""
    return bool(((view.gaps_ns[:, 0] - 500 * MS < end_ns) & (end_ns < view.gaps_ns[:, 1])).any())


def _stall_or_died(view: View, last: int, restart: int | None) -> tuple[Why, str]:
    """The driver's stall lurches the car, or drags the crank down quickly, behind an opening throttle."""
    firings = view.firings
    begin = int(np.searchsorted(firings.time_ns, firings.time_ns[last] - NS_PER_S))
    speed = firings.pulses_per_revolution * np.diff(firings.time_ns[begin : last + 1])
    end = int(firings.time_ns[last])
    if lurched(view, end) and not aired(view, end):
        return "driver_stall", "the car lurched as the engine stopped: the clutch was let in"
    idle_rps = (view.engine.idle_rpm or DEFAULT_IDLE_RPM) / 60.0
    slow = firings.speed_rps[last] < AT_IDLE * idle_rps
    if slow and firings.pulses_per_revolution <= SPARSE and pushed_to_the_end(view, end):
        return "driver_stall", "the crank, near idle speed, pushed the car to the end: the clutch was being let in"
    soon = slow and restart is not None and restart - end < SOON_NS and _supplied(view, end)
    if soon and firings.pulses_per_revolution < SPARSE:
        return "unclear", LOOKS_THE_SAME
    if speed.size < 6:
        return "died", "the pulses ended with the key on"
    speed = NS_PER_S / speed
    if speed[-1] > SUDDEN * min(float(np.median(speed[-8:-2])), max(idle_rps, float(speed[-3]))):
        if firings.pulses_per_revolution <= SPARSE and stood_when_due(view, last, _interval_ns(view, last)):
            return "driver_stall", "the crank, at idle, stood before the next pulse was due: it was dragged to a halt"
        felt = view.near("acceleration", end - 100 * MS, end + 250 * MS).time_ns.size
        if soon and (not felt or _laboured(view, begin, last)):
            return "unclear", LOOKS_THE_SAME
        return "died", "the pulses ended at full speed with the key on"
    usual = float(np.median(speed[: max(3, speed.size // 2)]))
    fell_ns = _sound_until(view, last)
    fell_s = 1.0 if fell_ns is None else (end - fell_ns) / NS_PER_S
    if fell_ns is not None and usual < IDLE_BAND * idle_rps and lurched(view, fell_ns):
        return "driver_stall", "the car lurched as the crank began to slow: the clutch was let in"
    if restart is not None and restart - end < SOON_NS and not _witnessed(view):
        return "unclear", "it stopped and was started again; nothing recorded tells the driver's stall from a fault"
    opened = _opened(view, begin, last)
    burned = burned_to_the_end(view, end)
    if burned is not None:
        if burned:
            return "driver_stall", f"{DRAGGED_DOWN} with the mixture burning to the end"
        return "died", f"{RAN_DOWN}, unburnt air in the exhaust, with the key on"
    if not opened and view.load_channel == "throttle_position" and stood(view, end):
        return "died", f"{RAN_DOWN} without throttle and without a jerk of the standing car, with the key on"
    if fell_s < 0.35 or opened or usual > 2.0 * idle_rps:
        return "driver_stall", f"{DRAGGED_DOWN} with pulses present to the end"
    return "died", f"{RAN_DOWN} with the throttle closed and the key on"


def _down_before(view: View, last: int, off_ns: int) -> bool:
    """Whether the crank had run down by itself before the key was turned, and its next pulse was overdue by then."""
    slows_ns = _sound_until(view, last)
    due_ns = int(view.firings.time_ns[last]) + _interval_ns(view, last)
    return slows_ns is not None and off_ns - slows_ns > RAN_DOWN_NS and off_ns - due_ns > OVERDUE_NS


def _sound_until(view: View, last: int) -> int | None:
    """The last pulse, ns, up to pulse `last` that came hardly slower than those before it; None where none did.

    From then on a crank that ran down, or was dragged down, only slowed.
    """
    time_ns = view.firings.time_ns
    begin = int(np.searchsorted(time_ns, time_ns[last] - RUN_DOWN_NS))
    speed = 1.0 / np.maximum(np.diff(time_ns[begin : last + 1]), 1)
    if speed.size <= BEFORE:
        return None
    before = np.median(np.lib.stride_tricks.sliding_window_view(speed[:-1], BEFORE), axis=1)
    sound = np.flatnonzero(speed[BEFORE:] > USUAL * before)
    return int(time_ns[begin + BEFORE + 1 + int(sound[-1])]) if sound.size else None


def _breathed_up_first(view: View, last: int) -> bool:
    """Whether the battery rose as the crank began to slow: an alternator may feed a coil that was switched off."""
    sound_ns = _sound_until(view, last)
    return sound_ns is not None and battery_breathed_up(view, sound_ns)


def _witnessed(view: View) -> bool:
    """Whether anything but the crank tells of foot, car, fuel or the coil's feed."""
    tells = ("acceleration", "air_fuel_ratio", "fuel_pressure", "ignition_feed_voltage", "throttle_position")
    return any(channel in view.traces for channel in tells)


def _opened(view: View, begin: int, last: int) -> bool:
    """Whether the driver opened the throttle over those pulses, as far as throttle or rail show it."""
    load = view.load[begin : last + 1]
    if view.load_channel is None or not (load >= 0.0).any():
        return False
    before = float(np.min(load[:4], initial=1.0, where=load[:4] >= 0.0))
    return float(np.max(load, initial=0.0, where=load >= 0.0)) - before > 0.08


def _laboured(view: View, begin: int, last: int) -> bool:
    """Whether load had clearly grown by the last pulses: nothing takes an idling engine's vacuum away but clutch and
    foot, while lost ignition leaves it until the crank slows."""
    load = view.load[begin : last + 1]
    if view.load_channel is None or load.size < 6 or not np.isfinite(load).all():
        return False
    return float(np.median(load[-3:]) - np.median(load[: load.size // 2])) > LABOURS


def _supplied(view: View, end_ns: int) -> bool:
    """Whether coil feed and rail, where they are recorded, were there when the engine stopped."""
    feed = view.near("ignition_feed_voltage", end_ns - 150 * MS, end_ns + 250 * MS).value
    held = view.near("ignition_feed_voltage", end_ns - NS_PER_S, end_ns - 150 * MS).value
    rail = view.near("fuel_pressure", end_ns - 300 * MS, end_ns + 50 * MS).value
    usual = view.near("fuel_pressure", end_ns - 3 * NS_PER_S, end_ns - NS_PER_S).value
    fed = not (feed.size and held.size) or float(feed.min()) > 0.75 * float(np.median(held))
    pressed = not (rail.size and usual.size) or float(np.median(rail)) > 0.85 * float(np.median(usual))
    return fed and pressed
