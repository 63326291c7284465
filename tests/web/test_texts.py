"""Everything the page says stands in one file, nothing in it goes unused, and no page says a word of its own."""

import re
from pathlib import Path

import web
from logger.channels import CHANNELS
from logger.event import CAUSES
from web.texts import TEXTS
from web.traces import PANELS

WEB = Path(web.__file__).parent
LOOKED_UP_BY_WORD = {
    "kind",
    "cause",
    "cause_long",
    "effect",
    "fault",
    "verdict",
    "channel",
    "panel",
    "problem",
    "invalid",
    "field",
    "danger",
}
"""Sections whose keys are words of the contract or keys of errors, put together when the page is made."""


def sources(*suffixes: str) -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in WEB.rglob("*") if path.suffix in suffixes)


def test_every_channel_cause_and_panel_has_its_words() -> None:
    assert TEXTS["channel"].keys() >= CHANNELS.keys()
    assert TEXTS["cause"].keys() == TEXTS["cause_long"].keys() == set(CAUSES)
    assert TEXTS["panel"].keys() == {panel.key for panel in PANELS}


def test_every_text_is_used() -> None:
    python, scripts = sources(".py", ".html").replace("'", '"'), sources(".js")
    begun = set(re.findall(r'"(\w+\.\w*)" (?:~|\+)', python))
    for section in TEXTS.keys() - LOOKED_UP_BY_WORD - {"js"}:
        for key in TEXTS[section]:
            rests = [f"{section}.{key}".removeprefix(start) for start in begun if f"{section}.{key}".startswith(start)]
            put_together = any(rest in ("true", "false", "null") or f'"{rest}"' in python for rest in rests)
            assert f'"{section}.{key}"' in python or put_together, f"{section}.{key} is said nowhere"
    for key in TEXTS["js"]:
        found = re.search(rf"texts\.{key}\b|\"{key}\"", scripts)
        assert found or key.startswith(("part_", "name_")), f"js.{key} is said nowhere"


def test_every_error_has_its_words() -> None:
    raised = re.findall(r'(?:PageError\(\d+|problem_response\(request, [\w.]+|return \d+), "(\w+)"', sources(".py"))
    assert len(raised) > 10
    assert set(raised) <= TEXTS["problem"].keys()


def test_templates_say_nothing_of_their_own() -> None:
    for path in (WEB / "templates").glob("*.html"):
        template = path.read_text(encoding="utf-8")
        visible = re.sub(r"{% block main_class %}.*?{% endblock %}", " ", template)
        visible = re.sub(r"{#.*?#}|{%.*?%}|{{.*?}}|<!--.*?-->|<[^>]*>", " ", visible, flags=re.S)
        said = set(re.findall(r"[A-Za-z]{3,}", visible)) - {"min", "api", "openapi", "json"}
        assert not said, f"{path.name}: {said}"
