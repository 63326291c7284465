"""What to test next by hand: the procedures that the findings make likely, the quick and likely ones first."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from logger.analysis.failure.procedures import Limit, Procedure, procedures, sub_causes
from logger.analysis.findings import NextTest, Stumble
from logger.event import CAUSES, Cause, Engine

MOST = 8
# How much of the likelihood an other cause gets that the findings name beside the main one.
OTHER_CAUSE = 0.4
# A procedure that cannot convict the sub-cause found may still: sub-causes are less sure than causes.
OTHER_SUB_CAUSE = 0.3
SUITS_LINK = 1.5
RULES_FIRST = "The event's rules and scrutineers come first; what needs a licensed workshop belongs there."
CARD_COLUMNS = 62  # fits an A5 page in a typewriter face of 9 points


def for_findings(
    stumbles: Sequence[Stumble],
    main_cause: Cause | None,
    other_causes: Sequence[Cause],
    engine: Engine,
    links: Mapping[str, Any],
) -> list[NextTest]:
    """The next tests, most promising first: how likely each is to convict, over how long it takes.

    links: the dict of links.link; `linked_heat` and `linked_shock` favour warming and tapping. No main cause: none.
    """
    if main_cause is None:
        return []
    likely = dict.fromkeys(other_causes, OTHER_CAUSE) | {main_cause: 1.0}
    shares = _sub_cause_shares(stumbles)
    linked = {name for name in ("heat", "shock") if links.get(f"linked_{name}")}
    ranked = [
        (likely[procedure.cause] * _promise(procedure, shares, linked), procedure)
        for procedure in procedures()
        if procedure.cause in likely and _fits(procedure, engine)
    ]
    ranked.sort(key=lambda pair: -pair[0])
    return [_next_test(procedure) for promise, procedure in ranked[:MOST] if promise > 0]


def _fits(procedure: Procedure, engine: Engine) -> bool:
    if procedure.fuel is None or engine.fuel_system is None:
        return procedure.fuel != "carburettor"
    return (procedure.fuel == "carburettor") == (engine.fuel_system == "carburettor")


def _sub_cause_shares(stumbles: Iterable[Stumble]) -> dict[str, float]:
    """Share of each sub-cause among the stumbles of its cause that have one, weighed by lost firings."""
    cause_of = sub_causes()
    weight: dict[str, float] = {}
    for stumble in stumbles:
        if stumble.sub_cause in cause_of:
            weight[stumble.sub_cause] = weight.get(stumble.sub_cause, 0.0) + max(1, stumble.lost_firings)
    total = {cause: sum(w for sub, w in weight.items() if cause_of[sub] == cause) for cause in CAUSES}
    return {sub: lost / total[cause_of[sub]] for sub, lost in weight.items()}


def _promise(procedure: Procedure, shares: Mapping[str, float], linked: set[str]) -> float:
    """Likelihood times ease, which falls with the square root of the minutes: a sure long test beats a vague one."""
    known = any(sub_causes()[sub] == procedure.cause for sub in shares)
    if known and procedure.suspects:
        hit = sum(shares.get(sub, 0.0) for sub in procedure.suspects)
        likelihood = OTHER_SUB_CAUSE + (1.0 - OTHER_SUB_CAUSE) * min(hit, 1.0)
    else:
        likelihood = 1.0
    if procedure.suits in linked:
        likelihood *= SUITS_LINK
    return float(procedure.weight * likelihood / procedure.minutes**0.5)


def _next_test(procedure: Procedure) -> NextTest:
    return NextTest(
        title=procedure.title,
        steps=list(procedure.steps),
        passes="; ".join(limit.passes for limit in procedure.limits) + ".",
        source=_sources(procedure.limits),
        caution=" ".join(procedure.cautions),
        minutes=procedure.minutes,
    )


def _sources(limits: Sequence[Limit]) -> str:
    """One source for all values, or each value's own."""
    if len({limit.source for limit in limits}) == 1:
        return limits[0].source
    return "; ".join(f"{limit.passes}: {limit.source}" for limit in limits)


@dataclass(frozen=True, slots=True)
class TestCard:
    """A printed card for one cause: what to do first, what to measure, how to provoke it, what can hurt."""

    title: str
    first: list[str]
    measure: list[Procedure]
    provoke: list[Procedure]
    cautions: list[str]

    def as_text(self) -> str:
        """The card as plain text, at most CARD_COLUMNS wide, with a box to tick before each test."""
        lines = [self.title.upper(), "", "CAUTION", *_bulleted(self.cautions, "! "), ""]
        lines += ["FIRST, ENGINE OFF, KEY OUT", *_bulleted(self.first, "[ ] ")]
        for heading, tests in (("THEN MEASURE", self.measure), ("PROVOKE IT", self.provoke)):
            lines += ["", heading]
            for test in tests:
                lines += _bulleted([f"{test.title} ({test.minutes} min)"], "[ ] ")
                lines += _bulleted(test.steps, "    - ")
                lines += _bulleted([f"{limit.passes} ({limit.source})" for limit in test.limits], "    passes: ")
        return "\n".join(lines) + "\n"


def test_card(cause: Cause) -> TestCard:
    """The card of one cause, every sub-cause's tests in it. Raises KeyError for a word that is no cause."""
    if cause not in CAUSES:
        raise KeyError(cause)
    own = [procedure for procedure in procedures() if procedure.cause == cause]
    return TestCard(
        title=f"Test card: {cause.replace('_', ' ')}",
        first=[step for procedure in own if procedure.stage == "look" for step in procedure.steps],
        measure=[procedure for procedure in own if procedure.stage == "measure"],
        provoke=[procedure for procedure in own if procedure.stage == "provoke"],
        cautions=[*dict.fromkeys(caution for procedure in own for caution in procedure.cautions), RULES_FIRST],
    )


def _bulleted(texts: Iterable[str], bullet: str) -> list[str]:
    indent = " " * len(bullet)
    return [
        line for text in texts for line in wrap(text, CARD_COLUMNS, initial_indent=bullet, subsequent_indent=indent)
    ]
