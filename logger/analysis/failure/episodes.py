"""Episodes: signs that belong to one moment, joined by time.

Signs that overlap, or that lie less than JOIN_NS apart, are one episode: contacts that chatter are one stumble while
normal running between lasts less than half a second.
"""

from dataclasses import dataclass, replace

from logger.analysis.crank.states import View
from logger.analysis.crank.stops import Stop
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S

MS = 1_000_000
JOIN_NS = NS_PER_S // 2
BLUR_NS = 250 * MS
BLURRED = ("lean", "weak_torque", "lame_cylinder", "stray_edges")
AT_ONCE_NS = 120 * MS  # a sample of a slow channel, and what hose and regulator hold
LEAD_NS = 60 * MS  # a rail that falls no earlier than this before the ignition may have lost the same supply


@dataclass(frozen=True, slots=True)
class Episode:
    """Signs that belong to one moment in which the engine stumbled."""

    view: View
    signs: tuple[Sign, ...]
    stop: Stop | None = None

    @property
    def sharp(self) -> list[Sign]:
        """The signs that date the episode: the blurred ones only where there are no others, the exhaust's last."""
        for blurred in (BLURRED, ("lean",)):
            signs = [sign for sign in self.signs if sign.kind not in blurred]
            if signs:
                return signs
        return list(self.signs)

    @property
    def from_ns(self) -> int:
        return min(sign.from_ns for sign in self.sharp)

    @property
    def to_ns(self) -> int:
        felt = [sign for sign in self.signs if sign.kind in BLURRED]
        if felt and self.view.engine.fuel_system == "carburettor" and all(s.kind == "low_pressure" for s in self.sharp):
            # A float bowl parts the two: pressure may be low for long before the engine feels it, and after.
            return max(sign.to_ns for sign in felt)
        return max(sign.to_ns for sign in self.sharp)

    def of(self, kind: str, channel: str | None = None) -> list[Sign]:
        """The signs of one kind, in time order."""
        return [sign for sign in self.signs if sign.kind == kind and channel in (None, sign.channel)]


def join(signs: list[Sign], bowl_ns: int = 0) -> list[list[Sign]]:
    """Group signs by time: one group while the next begins less than JOIN_NS after the latest end so far.

    Two faults that overlap stay two: a rail that was low before the ignition failed did not fall for that, and a coil
    without current did not starve. Only a rail that falls after the supply did goes with it. An engine that runs down
    belongs to what came before; what the exhaust or the car's motion tells is too blurred to join or to part others,
    so it goes to the group it touches, or makes one of its own.

    bowl_ns: how long a float bowl carries the engine through low pressure, so that what comes later belongs to it.
    """
    electrical = _in_a_row([sign for sign in signs if not _follows(sign) and sign.kind != "low_pressure"])
    alone, taken = [], []
    for starved in _in_a_row([sign for sign in signs if sign.kind == "low_pressure"]):
        led = [number for number, group in enumerate(electrical) if _led(group, starved)]
        if led:
            taken.append((led[0], starved))
        else:
            alone.append(starved)
    groups = _with_rail(electrical, taken) + alone
    for sign in sorted(filter(_follows, signs), key=lambda sign: sign.from_ns):
        touched = [group for group in groups if _touches(sign, group, bowl_ns)]
        if sign.kind == "died" and touched:
            # What failed before the crank stood and what failed as it was turned again is one.
            groups = [group for group in groups if group not in touched]
            groups.append([*(other for group in touched for other in group), sign])
        elif touched:
            # What lost firings for certain explains more than a rail that was low anyway.
            max(touched, key=lambda group: any(other.kind not in ("low_pressure", *BLURRED) for other in group)).append(
                sign
            )
        else:
            groups.append([sign])
    if bowl_ns:
        groups = [bout for group in groups for bout in _bouts(group)]
    return sorted(groups, key=lambda group: group[0].from_ns)


def _with_rail(electrical: list[list[Sign]], taken: list[tuple[int, list[Sign]]]) -> list[list[Sign]]:
    """The electrical groups, each with the rails it took along; one with the next where the rail stayed low until then.

    A rail fills for a while after its pump is fed again, while the engine runs on what there is: that joins nothing.
    """
    groups: list[list[Sign]] = []
    low_ns = 0
    for number, group in enumerate(electrical):
        rails = [sign for leader, starved in taken if leader == number for sign in starved]
        if groups and min(sign.from_ns for sign in group) < low_ns:
            groups[-1] += group + rails
        else:
            groups.append(group + rails)
        low_ns = max([low_ns, *(sign.to_ns for sign in rails)])
    return groups


def _bouts(group: list[Sign]) -> list[list[Sign]]:
    """A group parted where the engine ran well again between two bouts, though the rail behind its float bowl was low.

    Only the first began as the pressure fell; of the others the low pressure counts from where each begins.
    """
    felt = _in_a_row([sign for sign in group if sign.kind in BLURRED])
    low = [sign for sign in group if sign.kind == "low_pressure"]
    if len(felt) < 2 or not low or sum(map(len, felt)) + len(low) < len(group):
        return [group]
    parts = [[*(sign for sign in low if sign.from_ns < felt[1][0].from_ns), *felt[0]]]
    for bout in felt[1:]:
        begin, end = bout[0].from_ns, max(sign.to_ns for sign in bout)
        last = [sign for sign in low if sign.from_ns < end][-1]  # however full the rail is again, the bowl is not
        again = replace(last, from_ns=begin, to_ns=max(last.to_ns, begin), earliest_ns=None, engine_ns=None)
        parts.append([again, *bout])
    return parts


def _in_a_row(signs: list[Sign]) -> list[list[Sign]]:
    groups: list[list[Sign]] = []
    latest = 0
    for sign in sorted(signs, key=lambda sign: sign.from_ns):
        until = sign.to_ns if sign.sated_ns is None else sign.sated_ns
        if groups and sign.felt_ns - latest < JOIN_NS:
            groups[-1].append(sign)
            latest = max(latest, until)
        else:
            groups.append([sign])
            latest = until
    return groups


def _follows(sign: Sign) -> bool:
    """Whether a sign only tells what something else brought about."""
    return sign.kind in BLURRED or sign.kind == "died"


def _led(group: list[Sign], starved: list[Sign]) -> bool:
    """Whether the rail fell as the electrical signs of a group began, or while they lasted.

    Where the battery held and only the coil's feed opened, the pump had what it needs, unless it hangs on the same
    switch: then the rail falls at once.
    """
    fed = {sign.channel for sign in group if sign.kind == "supply_dip"}
    begin, end = min(sign.from_ns for sign in group), max(sign.to_ns for sign in group)
    latest = begin + AT_ONCE_NS if fed == {"ignition_feed_voltage"} else end + JOIN_NS
    return begin - LEAD_NS < starved[0].from_ns < latest


def _touches(sign: Sign, group: list[Sign], bowl_ns: int) -> bool:
    sharp = [other for other in group if other.kind not in BLURRED]
    reach = BLUR_NS if sharp and sign.kind in BLURRED else JOIN_NS
    dated = sharp or group
    begin, end = min(other.from_ns for other in dated), max(other.to_ns for other in dated)
    starved = bowl_ns if any(other.kind == "low_pressure" for other in group) else 0
    return sign.from_ns < end + max(reach, starved) and sign.to_ns > begin - reach
