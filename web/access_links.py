"""Read-only links to one event: made, listed and withdrawn by the owner, opened by whoever was given one."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Literal
from urllib.parse import quote

import segno
from fastapi import APIRouter, Form
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.requests import Request

from web.access import LINK_COOKIE
from web.access_keys import Link
from web.api import REFUSALS, known_event, store_of
from web.login import access_of
from web.problems import PageError
from web.rendering import render

json_router = APIRouter(prefix="/api", responses=REFUSALS)
page_router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

Days = Literal[1, 7, 30]
DAYS: tuple[Days, ...] = (1, 7, 30)
Name = Annotated[str, Field(max_length=100)]


class LinkWish(BaseModel):
    """A link to make. name: whom it is for."""

    days: Days = 7
    name: Name = ""


class LinkShown(BaseModel):
    """A link that holds. href: its path on this server; only known where it was just made."""

    link_id: int
    name: str
    made_utc: datetime
    until_utc: datetime
    href: str | None = None


@dataclass(frozen=True, slots=True)
class LinksPage:
    """Variables of the page. address, code: of a link just made, and the same as a picture to scan."""

    event_id: str
    event_name: str
    days: tuple[Days, ...]
    links: list[LinkShown]
    address: str | None = None
    code: str | None = None


@page_router.get("/shared/{token}")
def open_link(request: Request, token: str) -> Response:
    """Lax, unlike the session's cookie: people open such a link from a message, and it allows nothing to be changed."""
    keys = access_of(request).keys
    link = keys.link_of(token)
    if link is None:
        raise PageError(404, "link")
    answer = RedirectResponse(f"/events/{quote(link.event_id)}", status_code=303)
    seconds = max(1, round(link.until_s - keys.now_s()))
    answer.set_cookie(LINK_COOKIE, token, max_age=seconds, httponly=True, samesite="lax")
    return answer


@page_router.get("/links/{event_id}")
def links_page(request: Request, event_id: str) -> Response:
    return render(request, "links.html", _page(request, event_id))


@page_router.post("/links/{event_id}")
def form_link(
    request: Request, event_id: str, days: Annotated[int, Form()] = 7, name: Annotated[Name, Form()] = ""
) -> Response:
    """Answered with the page itself: the link is shown this once."""
    if days not in DAYS:
        raise PageError(422, "invalid")
    address = f"{str(request.base_url).rstrip('/')}{_make(request, event_id, days, name).href}"
    code = segno.make(address, error="l", micro=False).svg_data_uri(scale=5, border=4, light="#fff")
    return render(request, "links.html", _page(request, event_id, address, code))


@page_router.post("/links/{event_id}/{link_id}/withdraw")
def form_withdraw(request: Request, event_id: str, link_id: int) -> Response:
    _withdraw(request, event_id, link_id)
    return RedirectResponse(f"/links/{quote(event_id)}", status_code=303)


@json_router.get("/links/{event_id}")
def show_links(request: Request, event_id: str) -> list[LinkShown]:
    """The links to an event that hold."""
    return _links(request, known_event(store_of(request), event_id))


@json_router.post("/links/{event_id}", status_code=201)
def post_link(request: Request, event_id: str, wish: LinkWish) -> LinkShown:
    """Make a link with which one event can be read, and nothing be changed, until it ends or is withdrawn."""
    return _make(request, event_id, wish.days, wish.name)


@json_router.delete("/links/{event_id}/{link_id}", status_code=204)
def delete_link(request: Request, event_id: str, link_id: int) -> None:
    """Withdraw a link: whoever has it sees nothing from now on."""
    _withdraw(request, event_id, link_id)


def _make(request: Request, event_id: str, days: int, name: str) -> LinkShown:
    link, token = access_of(request).keys.share(known_event(store_of(request), event_id), name.strip(), days)
    return _shown(link, f"/shared/{token}")


def _withdraw(request: Request, event_id: str, link_id: int) -> None:
    if not access_of(request).keys.withdraw(event_id, link_id):
        raise PageError(404, "link")


def _page(request: Request, event_id: str, address: str | None = None, code: str | None = None) -> LinksPage:
    store = store_of(request)
    name = store.outline(known_event(store, event_id)).name
    return LinksPage(event_id, name, DAYS, _links(request, event_id), address, code)


def _links(request: Request, event_id: str) -> list[LinkShown]:
    return [_shown(one) for one in access_of(request).keys.links(event_id)]


def _shown(link: Link, href: str | None = None) -> LinkShown:
    made, until = (datetime.fromtimestamp(at, UTC) for at in (link.made_s, link.until_s))
    return LinkShown(link_id=link.link_id, name=link.name, made_utc=made, until_utc=until, href=href)
