"""The HTML pages: each one dataclass of variables and one template; scripts only add what needs a script."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query
from fastapi import Path as PathParameter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from starlette.requests import Request

from logger.event import Cause
from web import calibration, day, listing, live, moment, report, safety, superposed, whole_day
from web.api import check_for, known_event, live_of, overviews_of, store_of, superposed_of
from web.problems import PageError
from web.rendering import render

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

AtSeconds = Annotated[float, PathParameter(ge=0.0, le=1e7, allow_inf_nan=False)]


@dataclass(frozen=True, slots=True)
class NowPage:
    """Variables of the page of live values."""

    live: live.Live


@router.get("/")
def start(request: Request) -> Response:
    """The list; with one event only, there is nothing to choose."""
    page = listing.build(store_of(request))
    if len(page.events) == 1:
        return RedirectResponse(f"/events/{page.events[0].event_id}", status_code=307)
    return render(request, "events.html", listing.newest(page))


@router.get("/events")
def events(request: Request, every: bool = False) -> Response:
    """The newest events; with `every` all of them."""
    page = listing.build(store_of(request))
    return render(request, "events.html", page if every else listing.newest(page))


@router.get("/events/{event_id}")
def event(
    request: Request,
    event_id: str,
    removed: Annotated[str | None, Query(pattern=r"^(repairs|notes|run_corrections)/\d+$")] = None,
) -> Response:
    """`removed`: what was just taken back, for the way to put it back."""
    store = store_of(request)
    return render(request, "event.html", day.build(store, known_event(store, event_id)), removed=removed)


@router.get("/events/{event_id}/superposed")
def all_on_one_zero(request: Request, event_id: str, cause: Cause | None = None) -> Response:
    store = store_of(request)
    page = superposed.build(store, known_event(store, event_id), cause)
    superposed_of(request).begin(store, page)  # ready, or nearly, when the script asks for the values
    return render(request, "superposed.html", page, page_data=asdict(page))


@router.get("/events/{event_id}/day")
def the_day(request: Request, event_id: str) -> Response:
    store = store_of(request)
    page = whole_day.build(store, known_event(store, event_id))
    return render(request, "whole_day.html", page, chart=asdict(page.chart), whole=True)


@router.get("/events/{event_id}/report")
def printable(request: Request, event_id: str) -> Response:
    store = store_of(request)
    return render(request, "report.html", report.build(store, known_event(store, event_id), overviews_of(request)))


@router.get("/events/{event_id}/report.html")
def report_file(request: Request, event_id: str) -> Response:
    """The report as one file that needs nothing else: no script, no picture, no style from anywhere."""
    store = store_of(request)
    page = report.build(store, known_event(store, event_id), overviews_of(request))
    css = Markup((Path(__file__).parent / "static" / "sl.css").read_text(encoding="utf-8"))
    answer = render(request, "report_file.html", page, css=css)
    answer.headers["Content-Disposition"] = f'attachment; filename="{quote(event_id)}.html"'
    return answer


@router.get("/events/{event_id}/{recording}/whole")
def whole_recording(request: Request, event_id: str, recording: str) -> Response:
    store = store_of(request)
    page = moment.build(store, known_event(store, event_id), recording, None, overviews_of(request))
    return render(request, "moment.html", page, chart=asdict(page.chart), whole=True)


@router.get("/events/{event_id}/{recording}/at/{at_s}")
def one_moment(request: Request, event_id: str, recording: str, at_s: AtSeconds) -> Response:
    store = store_of(request)
    page = moment.build(store, known_event(store, event_id), recording, at_s, overviews_of(request))
    return render(request, "moment.html", page, chart=asdict(page.chart), whole=False)


@router.get("/now")
def now(request: Request) -> Response:
    page = NowPage(live_of(request))
    return render(request, "now.html", page, live=asdict(page.live))


@router.get("/safety")
def what_can_hurt(request: Request) -> Response:
    return render(request, "safety.html", safety.build())


@router.get("/check")
def start_check(request: Request) -> Response:
    return render(request, "check.html", check_for(request))


@router.get("/settings/channels/{channel}")
def one_channel(request: Request, channel: str) -> Response:
    page = calibration.build(store_of(request), channel)
    if page is None:
        raise PageError(404, "channel")
    return render(request, "channel.html", page)
