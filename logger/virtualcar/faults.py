"""Faults that can be switched on: what breaks, what brings it out, and how long it stays broken.

A fault acts through a contact (a joint, a wire, a semiconductor) that opens and chatters, or through a strength
between 0 and 1. Which part of the car that touches is its `kind`; `KINDS` maps each to a cause word and a name.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from random import Random

from logger.event import Cause


@dataclass(frozen=True, slots=True)
class Kind:
    """What a fault of this kind is called, which cause word is true for it, and what usually brings it out."""

    component: str
    cause: Cause
    usual: tuple[str, ...]


KINDS: dict[str, Kind] = {
    "coil_lead": Kind("coil lead", "ignition_secondary", ("shock", "both", "random")),
    "plug": Kind("one spark plug or its lead", "ignition_secondary", ("load", "random", "heat")),
    "crossfire": Kind("distributor cap and rotor", "ignition_secondary", ("load", "random")),
    "chafe_feed": Kind("coil feed wire", "ignition_primary", ("shock", "both", "random")),
    "chafe_trigger": Kind("trigger sensor wire", "ignition_primary", ("shock", "both")),
    "module_hot": Kind("ignition module", "ignition_primary", ("heat",)),
    "pump_tired": Kind("fuel pump or filter", "fuel_delivery", ("load", "heat")),
    "pump_feed": Kind("pump feed wire", "fuel_delivery", ("shock", "both")),
    "vapour": Kind("fuel line heat", "fuel_delivery", ("heat",)),
    "surge": Kind("tank pickup", "fuel_delivery", ("lateral",)),
    "ground": Kind("battery ground", "supply_voltage", ("shock", "both")),
    "charging": Kind("alternator", "supply_voltage", ("random", "heat")),
    "injector_drive": Kind("injector drive", "mixture", ("shock", "heat")),
    "air_leak": Kind("intake hose", "mixture", ("shock", "heat")),
}


LAG_S = {"pump_tired": 0.5, "vapour": 0.35, "surge": 0.14, "charging": 0.03, "air_leak": 0.12}


@dataclass(frozen=True, slots=True)
class Trigger:
    """What brings a fault out.

    shock_g: knocks from this level on, each with `shock_chance` at that level, growing with the knock.
    rate_hz: episodes per second of themselves. heat_degc, heat_span: both grow from 0 at the first to full at the
    sum, by the temperature of the part. load_kpa: only above this manifold pressure. lateral_g: only above this
    cornering.
    """

    shock_g: float | None = None
    shock_chance: float = 0.7
    rate_hz: float = 0.0
    heat_degc: float | None = None
    heat_span: float = 10.0
    load_kpa: float = 0.0
    lateral_g: float = 0.0

    def warmth(self, part_degc: float) -> float:
        """Share of the full rate at this temperature of the part."""
        if self.heat_degc is None:
            return 1.0
        share = min(1.0, max(0.0, (part_degc - self.heat_degc) / self.heat_span))
        return share * share


class Contact:
    """A contact that is closed but for scheduled open times, which may chatter. Times in s, ascending."""

    def __init__(self) -> None:
        self.opens: list[float] = []
        self.closes: list[float] = []

    def schedule(self, start: float, seconds: float, chatter: float, random: Random) -> None:
        """Open from `start` for about `seconds`; chatter 0..1 is the share of pieces in which it makes contact."""
        at = max(start, self.closes[-1] + 1e-4 if self.closes else 0.0)
        end = max(start + seconds, at + 1e-3)
        while at < end:
            open_s = random.expovariate(1.0 / (0.02 + 0.10 * (1.0 - chatter)))
            until = end if chatter <= 0.0 else min(end, at + max(0.0008, open_s))
            self.opens.append(at)
            self.closes.append(until)
            at = until + max(0.0005, random.expovariate(1.0 / (0.004 + 0.03 * chatter * random.random())))

    def busy(self, t: float) -> bool:
        """Whether an episode is scheduled beyond t."""
        return bool(self.closes) and self.closes[-1] > t

    def is_open(self, t: float) -> bool:
        if not self.closes or t >= self.closes[-1]:
            return False
        k = bisect_right(self.opens, t) - 1
        return k >= 0 and t < self.closes[k]

    def closed_since(self, t: float, earliest: float) -> float:
        """From when on, not before `earliest`, the contact has been closed up to t; t itself where it is open."""
        if not self.closes or earliest >= self.closes[-1]:
            return earliest
        k = bisect_right(self.opens, t) - 1
        if k < 0:
            return earliest
        return t if t < self.closes[k] else max(earliest, self.closes[k])

    def opened_before(self, t: float) -> float | None:
        """When the latest opening not after t began."""
        k = bisect_right(self.opens, t) - 1
        return self.opens[k] if k >= 0 else None


@dataclass(slots=True)
class Fault:
    """One fault of a car, built afresh for each power-up.

    median_s: typical length of an episode. chatter: see Contact. depth: how far a gradual fault goes, 0..1.
    fatal_chance: share of episodes that last for tens of seconds, from which the engine does not recover.
    cylinder: for a plug. how: the word of `Kind.usual`. noise: chance of a stray tach pulse with each lost spark.
    `strength` is the present share of `depth`; `contact` its contact.
    """

    kind: str
    trigger: Trigger
    random: Random
    median_s: float = 0.2
    spread: float = 0.9
    chatter: float = 0.4
    depth: float = 1.0
    fatal_chance: float = 0.0
    cylinder: int = 0
    contact: Contact = field(default_factory=Contact)
    strength: float = 0.0
    started: list[float] = field(default_factory=list)
    how: str = "random"
    noise: float = 0.0

    @property
    def cause(self) -> Cause:
        return KINDS[self.kind].cause

    def on_hit(self, t: float, peak_g: float, part_degc: float) -> None:
        """A knock of peak_g at t; the contact answers some milliseconds later."""
        trigger = self.trigger
        if trigger.shock_g is None or peak_g < trigger.shock_g:
            return
        chance = trigger.shock_chance * (1.0 + 0.5 * (peak_g - trigger.shock_g)) * trigger.warmth(part_degc)
        if self.random.random() < chance:
            self._episode(t + self.random.uniform(0.003, 0.045))

    def step(self, t: float, dt: float, part_degc: float, manifold_kpa: float, lateral_g: float) -> None:
        """Spontaneous episodes, and the strength of gradual faults."""
        trigger = self.trigger
        ready = manifold_kpa >= trigger.load_kpa and abs(lateral_g) >= trigger.lateral_g
        rate = trigger.rate_hz * trigger.warmth(part_degc) if ready else 0.0
        if rate and not self.contact.busy(t) and self.random.random() < rate * dt:
            self._episode(t + self.random.uniform(0.0, 0.004))
        goal = self.depth if self.contact.is_open(t) else 0.0
        if self.kind in ("pump_tired", "charging"):
            goal = self.depth * trigger.warmth(part_degc)
        elif self.kind == "surge":
            goal = self.depth if abs(lateral_g) > trigger.lateral_g else 0.0
        lag_s = LAG_S.get(self.kind, 0.01)
        if self.kind == "surge" and goal < self.strength:
            lag_s = 0.5  # a pump that has swallowed air takes its time to deliver again
        self.strength += (goal - self.strength) * min(1.0, dt / lag_s)

    def _episode(self, start: float) -> None:
        seconds = self.median_s * math.exp(self.random.gauss(0.0, self.spread))
        if self.fatal_chance and self.random.random() < self.fatal_chance:
            seconds = self.random.uniform(15.0, 60.0)
        self.started.append(start)
        chatter = self.chatter if seconds < 10.0 else 0.0
        self.contact.schedule(start, seconds, chatter, self.random)
