"""Evidence in plain words: one sentence a person can read aloud, what speaks for it, against it, and its rivals."""

from dataclasses import dataclass

from logger.analysis.failure.causes import Verdict
from logger.analysis.failure.episodes import Episode
from logger.analysis.failure.order import Order
from logger.analysis.findings import Stumble
from logger.event import NS_PER_S, Cause

NAMES: dict[Cause, str] = {
    "supply_voltage": "system voltage collapsed first",
    "ignition_primary": "the coil was no longer switched or fed",
    "ignition_secondary": "the coil was switched, but the mixture was not lit",
    "fuel_delivery": "fuel pressure left its normal band first",
    "mixture": "fuel or air was wrong although pressure and spark held",
    "undetermined": "the recorded signals cannot tell what failed first",
}


@dataclass(frozen=True, slots=True)
class Texts:
    """The words that go with one stumble."""

    sentence: str
    speaks_for: list[str]
    speaks_against: list[str]
    rivals: list[str]


def texts(episode: Episode, order: Order, verdict: Verdict) -> Texts:
    """Write the words for one stumble."""
    share = verdict.probability[verdict.cause]
    sentence = (
        f"At {order.onset_ns / NS_PER_S:.3f} s of {episode.view.recording.name} {NAMES[verdict.cause]}"
        f" ({likely(share)} likely); first to move: {order.first.replace('_', ' ')}."
    )
    own = verdict.cause
    speaks_for = [piece.sentence for piece in verdict.evidence if piece.weights.get(own, 0.0) > 0.0]
    against = [piece.sentence for piece in verdict.evidence if piece.weights.get(own, 0.0) < 0.0]
    return Texts(sentence, speaks_for, against, rivals(verdict))


def rivals(verdict: Verdict) -> list[str]:
    """Causes that the recorded signals leave open, and what hides behind the named one."""
    found = [
        f"{NAMES[cause]} ({likely(share)})"
        for cause, share in verdict.probability.items()
        if cause != verdict.cause and share >= 0.05
    ]
    if verdict.cause == "ignition_secondary":
        of_one = verdict.sub_cause == "one_cylinder"
        alike = (
            "that cylinder's injector, or its valves,"
            if of_one
            else "an injector driver that drops out, or an air leak,"
        )
        found.append(f"{alike} would look the same in these signals")
    return found


def summary(found: list[Stumble], main: Cause | None) -> str:
    """One sentence on the whole event."""
    if main is None:
        return "No stumble was found."
    own = [stumble for stumble in found if stumble.cause == main]
    lost = sum(stumble.lost_firings for stumble in found)
    firings = "1 firing" if lost == 1 else f"about {lost} firings"
    if len(found) == 1:
        return f"The engine stumbled once and lost {firings}: {NAMES[main]}."
    share = "each time" if len(own) == len(found) else f"in {len(own)} of these"
    times = "twice" if len(found) == 2 else f"{len(found)} times"
    return f"The engine stumbled {times} and lost {firings}; {share} {NAMES[main]}."


def likely(share: float) -> str:
    """A probability in whole per cent; never 100 or 0, which no measurement gives."""
    return "over 99 %" if share >= 0.995 else "under 1 %" if share < 0.005 else f"{100 * share:.0f} %"
