"""How a page becomes HTML: the templates, and the few functions that they may call."""

import json
import re
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from fastapi.responses import Response
from fastapi.templating import Jinja2Templates
from jinja2 import pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape
from starlette.requests import Request

from logger.story import INSTANT
from logger.units import SYMBOLS, reading, unit_of
from web.device import units_of, zone_of
from web.texts import TEXTS, text

TEMPLATES = Jinja2Templates(Path(__file__).parent / "templates")


def data_block(value: object) -> Markup:
    """JSON inside a page, safe within a script element of type application/json."""
    return Markup(json.dumps(value, default=str).replace("<", "\\u003c").replace("&", "\\u0026"))


def percent(share: float) -> str:
    """A probability in whole per cent; never 100 or 0, which no measurement gives."""
    if share >= 0.995:
        return text("app.more_than", n=99)
    return text("app.less_than", n=1) if share < 0.005 else f"{100 * share:.0f}"


def zone_name(zone: tzinfo | None) -> str:
    """The zone in which times are shown; None: this machine's."""
    return str(zone) if zone is not None else datetime.now().astimezone().tzname() or "UTC"


@pass_context
def local_text(context: Context, at: datetime | None, form: str = "%Y-%m-%d %H:%M") -> str:
    """A time in the device's zone as far as the server knows it; the device's own script puts its own there."""
    return text("events.no_clock") if at is None else f"{at.astimezone(context.get('zone')):{form}}"


@pass_context
def told(context: Context, sentence: str) -> Markup:
    """A sentence of the story or the findings as this device reads it: its units, and its own time of day."""

    def as_time(found: re.Match[str]) -> str:
        shown = local_text(context, datetime.fromisoformat(found.group()), "%H:%M")
        return f'<time class="sl-time" datetime="{found.group()}" data-show="time">{shown}</time>'

    return Markup(INSTANT.sub(as_time, str(escape(context["units"].said(sentence)))))


TEMPLATES.env.globals.update(t=text, texts=TEXTS, data_block=data_block, local_text=local_text, zone_name=zone_name)
TEMPLATES.env.globals.update(symbols=SYMBOLS, unit_of=unit_of, reading=reading, percent=percent)
TEMPLATES.env.filters["told"] = told
TEMPLATES.env.trim_blocks = True
TEMPLATES.env.lstrip_blocks = True


def render(request: Request, name: str, page: Any, status: int = 200, **more: Any) -> Response:
    """Render a template with its page as `page`; every template also knows the device's units and time zone."""
    units = units_of(request, request.app.state.units)
    context = {"page": page, "units": units, "zone": zone_of(request), **more}
    return TEMPLATES.TemplateResponse(request, name, context, status_code=status)
