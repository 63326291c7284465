"""How a page becomes HTML: the templates, and the few functions that they may call."""

import json
from datetime import datetime
from pathlib import Path
from typing import Any

from fastapi.responses import Response
from fastapi.templating import Jinja2Templates
from markupsafe import Markup
from starlette.requests import Request

from web.texts import TEXTS, text
from web.units import SYMBOLS, reading, unit_of, units_of

TEMPLATES = Jinja2Templates(Path(__file__).parent / "templates")


def data_block(value: object) -> Markup:
    """JSON inside a page, safe within a script element of type application/json."""
    return Markup(json.dumps(value, default=str).replace("<", "\\u003c").replace("&", "\\u0026"))


def percent(share: float) -> str:
    """A probability in whole per cent; never 100 or 0, which no measurement gives."""
    if share >= 0.995:
        return text("app.more_than", n=99)
    return text("app.less_than", n=1) if share < 0.005 else f"{100 * share:.0f}"


def utc_text(at: datetime | None, form: str = "%Y-%m-%d %H:%M") -> str:
    """What stands in a page until the device's script puts its local time there."""
    return text("events.no_clock") if at is None else f"{at:{form}} UTC"


TEMPLATES.env.globals.update(t=text, texts=TEXTS, data_block=data_block, utc_text=utc_text)
TEMPLATES.env.globals.update(symbols=SYMBOLS, unit_of=unit_of, reading=reading, percent=percent)
TEMPLATES.env.trim_blocks = True
TEMPLATES.env.lstrip_blocks = True


def render(request: Request, name: str, page: Any, status: int = 200, **more: Any) -> Response:
    """Render a template with its page as `page`; every template also knows the device's units."""
    context = {"page": page, "units": units_of(request, request.app.state.units), **more}
    return TEMPLATES.TemplateResponse(request, name, context, status_code=status)
