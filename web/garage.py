"""The addresses of what is used in the garage and on the dyno: bench page, pulls, test cards, circumstances."""

from dataclasses import asdict
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Body
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.requests import Request

from logger.event import Cause
from web import bench, cards, circumstances, pulls
from web.api import REFUSALS, known_event, live_of, store_of, units_for
from web.problems import PageError
from web.rendering import render

json_router = APIRouter(prefix="/api", responses=REFUSALS)
page_router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@json_router.get("/bench")
def show_bench(request: Request) -> bench.BenchPage:
    """The last pull, and what a bench session has reached."""
    return bench.build(store_of(request))


@page_router.get("/bench")
def bench_page(request: Request) -> Response:
    first = live_of(request)
    page = bench.build(store_of(request))
    return render(request, "bench.html", page, live=asdict(first), big=list(bench.BIG))


@json_router.get("/events/{event_id}/pulls")
def show_pulls(request: Request, event_id: str) -> pulls.PullsPage:
    """The full-load pulls of an event as curves ready to draw, with their comparison in sentences."""
    return _pulls(request, event_id)


@page_router.get("/events/{event_id}/pulls")
def pulls_page(request: Request, event_id: str) -> Response:
    return render(request, "pulls.html", _pulls(request, event_id))


@page_router.get("/cards/{cause}")
def card(request: Request, cause: Cause) -> Response:
    return render(request, "card.html", cards.build(cause))


@json_router.get("/events/{event_id}/circumstances")
def show_circumstances(request: Request, event_id: str) -> circumstances.CircumstancesPage:
    """What can be entered of fuel, road, weather and vehicle, and what is."""
    store = store_of(request)
    return circumstances.build(store, known_event(store, event_id))


@json_router.post("/events/{event_id}/circumstances", status_code=204)
def post_circumstances(request: Request, event_id: str, entered: Annotated[dict[str, Any], Body()]) -> None:
    """Enter some of them, all or nothing; an empty value takes back what was entered."""
    store = store_of(request)
    store.enter_circumstances(known_event(store, event_id), entered)


@page_router.get("/events/{event_id}/circumstances")
def circumstances_page(request: Request, event_id: str) -> Response:
    store = store_of(request)
    return render(
        request, "circumstances.html", circumstances.build(store, known_event(store, event_id), units_for(request))
    )


@page_router.post("/events/{event_id}/circumstances")
async def form_circumstances(request: Request, event_id: str) -> Response:
    store = store_of(request)
    known_event(store, event_id)
    wrote = {name: str(value) for name, value in (await request.form()).items()}
    units = units_for(request)
    if error := circumstances.enter(store, event_id, wrote, units):
        page = circumstances.build(store, event_id, units, wrote, error)
        return render(request, "circumstances.html", page, status=422)
    return RedirectResponse(f"/events/{quote(event_id)}", status_code=303)


def _pulls(request: Request, event_id: str) -> pulls.PullsPage:
    store = store_of(request)
    page = pulls.build(store, known_event(store, event_id))
    if page is None:
        raise PageError(404, "pending")
    return page
