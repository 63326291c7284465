"""What is usual for a car: levels by state, speed and warmth, learned from each event and compared with earlier ones.

A fault that is there all day looks normal to whoever sees that day alone. So each event leaves behind what it taught
(a small table, see `learned`), and the next one is held against the earlier days' (`off_normal`):

- Like is compared with like: idle, overrun, part and full load, below and above half of the redline, coolant below and
  above WARM_DEGC. The first SETTLES_NS after a start are left out: there the alternator refills the battery.
- Of several earlier events the upper of the two middle levels counts (for channels where low is bad), so that neither a
  day that was ill itself nor one odd day makes the rule, and of days beyond the absolute limit none does.
- A difference counts only beyond a margin that healthy days keep within, and only beyond the absolute limit.
- Work on the car that can have changed a channel (`touches`) ends what earlier days say of it, so that nobody is
  accused of a regulator that was set anew on purpose.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from logger.analysis.channels.bands import PressureBand
from logger.analysis.crank.states import State, View
from logger.analysis.findings import OffNormal
from logger.event import EARLIER_EVENTS, NS_PER_S, Cause, Event, FloatArray, IntArray, Repair, repair_places

STEP_NS = NS_PER_S // 5
NEAR_NS = NS_PER_S // 10
SETTLES_NS = 20 * NS_PER_S
WARM_DEGC = 60.0
FULL_LOAD = 0.6
FAST = 0.5  # of the redline
DEFAULT_REDLINE_RPM = 6000.0
LEAST_S = 5.0  # in one cell, today and then

STATES = ("idle", "overrun", "part", "full", "pulling")  # the last where the load is not known by a throttle
SLOW = "slow"  # with idling
SPEEDS = (SLOW, "fast")
WARMTHS = ("cold", "warm")
CELLS = [" ".join(words) for words in product(STATES, SPEEDS, WARMTHS)]
IN_WORDS = {
    "idle": "at idle", "overrun": "with the throttle shut", "part": "at part load", "full": "at full load",
    "pulling": "while pulling", "slow": "low speed", "fast": "high speed", "cold": "cold", "warm": "warm",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rule:
    """When a channel's level is off: by `share` of the usual and `margin` in its unit, further than healthy days
    differ, and beyond `limit`, which no sound car passes (infinite where there is no such value). slow: whether low
    speed tells anything; an alternator there gives what lamps and fan leave over. is_high: being high is bad."""

    cause: Cause
    unit: str
    limit: float
    margin: float = 0.0
    share: float = 0.0
    slow: bool = True
    is_high: bool = False
    means: str = ""

    def worse(self, value: float, than: float) -> bool:
        """Whether a value lies beyond another on the bad side."""
        return value > than if self.is_high else value < than


# An alternator that charges holds 13.2 V or more, warm (common practice; published ranges begin at 12.9 V when hot).
CHARGES_V = 13.2
FED_V = 12.5  # what then reaches coil and pump through switches, fuses and wires (the same)
RULES: dict[str, Rule] = {
    "battery_voltage": Rule(
        "supply_voltage", "V", CHARGES_V, margin=0.6, slow=False, means="the alternator, its belt or its wiring"
    ),
    "ignition_feed_voltage": Rule(
        "ignition_primary", "V", FED_V, margin=0.8, slow=False, means="the switch, fuse or wire that feeds the coil"
    ),
    "pump_feed_voltage": Rule(
        "fuel_delivery", "V", FED_V, margin=0.8, slow=False, means="the relay, fuse or wire that feeds the pump"
    ),
    "fuel_pressure": Rule("fuel_delivery", "kPa", np.inf, share=0.08, means="the pump, the filter or the regulator"),
    "engine_ground_drop": Rule(
        "supply_voltage", "V", 0.3, margin=0.3, is_high=True, means="the ground strap between engine and battery"
    ),
}
VOLTS = frozenset({"battery_voltage", "ignition_feed_voltage", "pump_feed_voltage"})
FED_BY = {"ignition_feed_voltage": "battery_voltage", "pump_feed_voltage": "battery_voltage"}

Samples = Mapping[str, tuple[IntArray, FloatArray]]
"""Of one recording, by channel: the cell of each sample, int (n,) into CELLS, and its value (n,)."""


def samples(view: View) -> Samples:
    """A recording's levels at STEP_NS while the engine ran, with the cell that each belongs to."""
    firings = view.firings
    if firings.time_ns.size < 2:
        return {}
    at_ns = np.arange(firings.time_ns[0], firings.time_ns[-1], STEP_NS)
    place = np.clip(np.searchsorted(firings.time_ns, at_ns), 0, firings.time_ns.size - 1)
    good = (np.abs(firings.time_ns[place] - at_ns) < NEAR_NS) & (view.state[place] >= State.IDLE)
    begun_ns = firings.time_ns[firings.bounds()[:-1]]
    good &= at_ns - begun_ns[firings.stretch[place] - firings.stretch[0]] > SETTLES_NS
    at_ns, place = at_ns[good], place[good]
    cell = _cells(view, place, view.sampled("coolant_temperature", at_ns))
    found = {}
    for channel in RULES.keys() & view.traces.keys():
        trace = view.traces[channel]
        if trace.time_ns.size > 1:
            after = np.clip(np.searchsorted(trace.time_ns, at_ns), 1, trace.time_ns.size - 1)
            there = trace.time_ns[after] - trace.time_ns[after - 1] < STEP_NS
            found[channel] = (cell[there], np.interp(at_ns[there], trace.time_ns, trace.value))
    return found


def by_recording(event: Event, parts: Sequence[tuple[int, Samples]]) -> list[Samples]:
    """Each recording's samples, in order, from those of its parts: (number of the recording, samples of a part)."""
    found: list[Samples] = []
    for number in range(len(event.recordings)):
        own = [part for of, part in parts if of == number]
        channels = {channel for part in own for channel in part}
        found.append(
            {
                channel: (
                    np.concatenate([part[channel][0] for part in own if channel in part]),
                    np.concatenate([part[channel][1] for part in own if channel in part]),
                )
                for channel in channels
            }
        )
    return found


def _cells(view: View, place: IntArray, coolant_degc: FloatArray) -> IntArray:
    by_throttle = view.load_channel == "throttle_position"
    full = STATES.index("full") if by_throttle else STATES.index("pulling")
    part = STATES.index("part") if by_throttle else STATES.index("pulling")
    state = np.where(view.load[place] > FULL_LOAD, full, part)
    state[view.state[place] == State.OVERRUN] = STATES.index("overrun")
    state[view.state[place] == State.IDLE] = STATES.index("idle")
    fast = view.firings.speed_rps[place] * 60.0 > FAST * (view.engine.redline_rpm or DEFAULT_REDLINE_RPM)
    warm = ~(coolant_degc < WARM_DEGC)
    return np.asarray((state * 2 + fast) * 2 + warm, np.int64)


def learned(event: Event, parts: Sequence[Samples], rail: PressureBand | None) -> dict[str, Any]:
    """What an event taught, ready for JSON. parts: each recording's samples, in order; rail: the event's own band.

    `levels`: channel -> cell -> [seconds, tenth, half, nine tenths], from what was driven after the last work on that
    channel. `changed`: channels of which earlier events no longer tell anything. `rail`: the band's numbers, or None.
    Empty where there is nothing of all this.
    """
    worked_on = _work(event)
    levels = {}
    for channel in RULES:
        begin = max((number for number, channels in worked_on if channel in channels), default=0)
        if cells := _levels(parts[begin:], channel):
            levels[channel] = cells
    changed = sorted({channel for _, channels in worked_on for channel in channels})
    band = None if rail is None else [round(float(x), 2) for x in (rail.closed, rail.full, rail.floor, rail.noise)]
    return {"levels": levels, "changed": changed, "rail": band} if levels or changed else {}


def off_normal(event: Event, parts: Sequence[Samples], earlier: Sequence[Mapping[str, Any]]) -> list[OffNormal]:
    """Channels whose level is off against earlier events of the car: of each the cell that is off furthest.

    parts: as for `learned`. earlier: what earlier events taught, the oldest first.
    """
    worked_on = _work(event)
    found = {}
    for channel, rule in RULES.items():
        end = min((number for number, channels in worked_on if channel in channels), default=len(parts))
        usual = _joined(earlier, channel, rule)
        off = [
            (rule.cause, cell, level, *usual[cell])
            for cell, (_, *level) in _levels(parts[:end], channel).items()
            if cell in usual and (rule.slow or SLOW not in cell) and _is_off(rule, level, usual[cell][0])
        ]
        if off:
            found[channel] = max((_off(channel, rule, one[1], one[2], one[3], one[4]) for one in off), key=_far)
    # What hangs on a battery that is low itself says nothing more.
    return [one for channel, one in found.items() if FED_BY.get(channel) not in found]


def rail(
    earlier: Sequence[Mapping[str, Any]], today: PressureBand | None, off: Sequence[OffNormal]
) -> PressureBand | None:
    """The band to judge today's rail by: of one that is off against earlier days theirs, where its floor is higher."""
    if today is None or all(one.channel != "fuel_pressure" for one in off):
        return today
    bands = [PressureBand(*one["rail"]) for one in _still_true(earlier, "fuel_pressure") if one.get("rail")]
    bands.sort(key=lambda band: band.floor)
    usual = bands[len(bands) // 2] if bands else today
    return usual if usual.floor > today.floor else today


def _levels(parts: Sequence[Samples], channel: str) -> dict[str, list[float]]:
    """Seconds, tenth, half and nine tenths of the values of each cell that was driven for long enough."""
    there = [part[channel] for part in parts if channel in part]
    if not there:
        return {}
    cell, value = (np.concatenate([one[k] for one in there]) for k in (0, 1))
    cells = {}
    for number in np.unique(cell).tolist():
        inside = value[cell == number]
        seconds = inside.size * STEP_NS / NS_PER_S
        if seconds >= LEAST_S:
            level = np.percentile(inside, [10, 50, 90]).tolist()
            cells[CELLS[number]] = [round(seconds, 1), *(round(value, 3) for value in level)]
    return cells


def _joined(earlier: Sequence[Mapping[str, Any]], channel: str, rule: Rule) -> dict[str, tuple[list[float], int]]:
    """Of each cell the earlier events' level (tenth, half, nine tenths) that counts, and how many events told it."""
    told: dict[str, list[list[float]]] = {}
    for one in _still_true(earlier, channel):
        for cell, (_, *level) in one["levels"].get(channel, {}).items():
            if np.isinf(rule.limit) or not rule.worse(level[1], rule.limit):
                told.setdefault(cell, []).append(level)
    joined = {}
    for cell, levels in told.items():
        levels.sort(key=lambda level: level[1], reverse=rule.is_high)
        joined[cell] = (levels[len(levels) // 2], len(levels))
    return joined


def _still_true(earlier: Sequence[Mapping[str, Any]], channel: str) -> list[Mapping[str, Any]]:
    """The newest events, back to the one after whose work on that channel it is as it is."""
    found: list[Mapping[str, Any]] = []
    for one in reversed(earlier[-EARLIER_EVENTS:]):
        found.append(one)
        if channel in one.get("changed", ()):
            break
    return found


def _is_off(rule: Rule, now: Sequence[float], usual: Sequence[float]) -> bool:
    """Whether a level is off; now, usual: tenth, half and nine tenths of the values."""
    margin = rule.margin + rule.share * abs(usual[1])
    # Part load is many loads, and its level wanders as far: half of today lies beyond nine tenths of then, and clearly.
    edge = usual[2] + 0.5 * margin if rule.is_high else usual[0] - 0.5 * margin
    return abs(usual[1] - now[1]) > margin and rule.worse(now[1], edge) and rule.worse(now[1], rule.limit)


def _off(channel: str, rule: Rule, cell: str, now: Sequence[float], usual: Sequence[float], n_events: int) -> OffNormal:
    state, speed, warmth = (IN_WORDS[word] for word in cell.split())
    days = "the earlier day that is known" if n_events == 1 else f"{n_events} earlier days"
    name = channel.replace("_", " ")
    sentence = (
        f"{name[:1].upper()}{name[1:]} was at {now[1]:.4g} {rule.unit} {state}, {speed}, {warmth}; on {days} it was "
        f"{usual[1]:.4g} {rule.unit} there. It was so all day, so look at {rule.means}."
    )
    return OffNormal(channel, cell, now[1], usual[1], n_events, rule.cause, sentence)


def _far(one: OffNormal) -> float:
    return abs(one.usual - one.now)


FUEL, ELECTRIC = frozenset({"fuel_pressure", "pump_feed_voltage"}), VOLTS | {"engine_ground_drop"}
SUSPECTED: dict[Cause, frozenset[str]] = {
    "supply_voltage": ELECTRIC,
    "ignition_primary": frozenset({"ignition_feed_voltage"}),
    "ignition_secondary": frozenset(),
    "fuel_delivery": FUEL,
    "mixture": FUEL,
}
WORDS: tuple[tuple[str, frozenset[str]], ...] = (
    (r"fuel|petrol|pump|filter|pressure|regulat|carb|inject|tank|rail|hose", FUEL),
    (r"volt|alternator|dynamo|generator|battery|belt|ground|earth|strap|fuse|relay|switch|wir|regulat|charg", ELECTRIC),
    (r"coil|spark|plug|lead|cap\b|rotor|points|condenser|distributor|ignition|module|timing", frozenset()),
    (r"sensor|sender|gauge|transducer|logger", frozenset(RULES)),
)


def touches(repair: Repair) -> frozenset[str]:
    """Channels whose usual level that work can have changed: by its suspect and its words, all where neither tells."""
    said = [channels for words, channels in WORDS if re.search(words, repair.what, re.IGNORECASE)]
    if repair.suspect in SUSPECTED:
        said.append(SUSPECTED[repair.suspect])
    return frozenset().union(*said) if said else frozenset(RULES)


def _work(event: Event) -> list[tuple[int, frozenset[str]]]:
    """For each repair the first recording after it, and what it touches; of unknown time: before and after all."""
    found = []
    for repair, place in zip(event.repairs, repair_places(event), strict=True):
        channels = touches(repair)
        if place is None:
            found += [(0, channels), (len(event.recordings), channels)]
        else:
            found.append((place[0] + (place[1] > 0.0), channels))
            if place[1] > 0.0:
                found.append((place[0], channels))
    return found
