"""The safety page. Its text stands in web/texts/en.toml; `python -m web.safety` writes hardware/safety.md from it."""

import textwrap
from dataclasses import dataclass
from pathlib import Path

from web.texts import TEXTS, text

PATH = Path(__file__).parent.parent / "hardware" / "safety.md"
WIDTH = 120


@dataclass(frozen=True, slots=True)
class Danger:
    """What can hurt, and what to do about it."""

    title: str
    text: str


@dataclass(frozen=True, slots=True)
class SafetyPage:
    """Variables of the page."""

    first: str
    dangers: list[Danger]


def build() -> SafetyPage:
    """Gather the page."""
    return SafetyPage(text("safety.first"), [Danger(one["title"], one["text"]) for one in TEXTS["danger"].values()])


def as_markdown() -> str:
    """The same for whoever reads the kit's folder."""
    page = build()
    paragraphs = [page.first, *(f"**{danger.title}.** {danger.text}" for danger in page.dangers)]
    filled = [textwrap.fill(each, WIDTH, break_long_words=False, break_on_hyphens=False) for each in paragraphs]
    return "\n\n".join([f"# {text('safety.title')}", *filled]) + "\n"


if __name__ == "__main__":
    PATH.write_text(as_markdown(), encoding="utf-8")
