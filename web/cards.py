"""The printed test cards: one A5 side for each cause, for the paddock."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from logger.event import Cause
from logger.units import SI, Units
from web.rendering import TEMPLATES
from web.texts import TEXTS

SIZES = (85, 80, 75, 70, 65, 60, 55)
FITS_AT_7_PT = 5120
"""Letters that fill an A5 side set in two columns of 7 points, headings and boxes included (measured in print)."""


@dataclass(frozen=True, slots=True)
class CardLimit:
    """What passes, and the number under which its source stands at the foot of the card."""

    passes: str
    source: int


@dataclass(frozen=True, slots=True)
class CardTest:
    """One test with a box to tick."""

    title: str
    minutes: int
    steps: list[str]
    limits: list[CardLimit]


@dataclass(frozen=True, slots=True)
class CardPage:
    """Variables of a card. size: the type in which it fills one side, in tenths of a point; card.css knows each."""

    cause: Cause
    cause_words: str
    cautions: list[str]
    first: list[str]
    measure: list[CardTest]
    provoke: list[CardTest]
    sources: list[str]
    size: int


def build(cause: Cause) -> CardPage:
    """Gather one card."""
    from logger.analysis.failure.next_tests import test_card  # the page starts without the analysis, which is heavy

    card = test_card(cause)
    sources = list(dict.fromkeys(limit.source for test in (*card.measure, *card.provoke) for limit in test.limits))
    measure, provoke = (
        [
            CardTest(
                test.title,
                test.minutes,
                list(test.steps),
                [CardLimit(limit.passes, sources.index(limit.source) + 1) for limit in test.limits],
            )
            for test in tests
        ]
        for tests in (card.measure, card.provoke)
    )
    letters = _letters([*card.cautions, *card.first, *sources])
    letters += sum(_letters([test.title, *test.steps, *(limit.passes for limit in test.limits)])
                   for test in (*measure, *provoke))  # fmt: skip
    fits = 70.0 * (FITS_AT_7_PT / max(letters, 1)) ** 0.5
    size = next((size for size in SIZES if size <= fits), SIZES[-1])
    return CardPage(cause, TEXTS["cause"][cause], card.cautions, card.first, measure, provoke, sources, size)


def card_html(cause: Cause, units: Units = SI) -> str:
    """A card as one file that needs nothing else."""
    css = Markup((Path(__file__).parent / "static" / "card.css").read_text(encoding="utf-8"))
    return TEMPLATES.env.get_template("card.html").render(page=build(cause), css=css, units=units)


def _letters(texts: Iterable[str]) -> int:
    """Letters of some paragraphs; each leaves half a line empty at its end."""
    return sum(len(text) + 25 for text in texts)
