"""The JSON of every page, and the windows of traces as bytes. Described by /api/openapi.json."""

from typing import Annotated, Any, cast

from fastapi import APIRouter, Query
from fastapi.responses import Response, StreamingResponse
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from logger.errors import StoreError
from logger.event import Cause, Engine
from logger.store.store import Store
from logger.units import Units
from web import changes, check, day, listing, live, moment, report, safety, superposed, traces, whole_day
from web.access import is_still_welcome
from web.device import units_of
from web.overviews import Overviews
from web.problems import ErrorAnswer, PageError
from web.texts import text

REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"model": ErrorAnswer} for status in (400, 401, 403, 404, 422, 503)
}
router = APIRouter(prefix="/api", responses=REFUSALS)

Seconds = Annotated[float, Query(ge=-1e6, le=1e7, allow_inf_nan=False)]
Points = Annotated[int, Query(ge=10, le=traces.MAX_POINTS)]


def store_of(request: Request) -> Store:
    return cast(Store, request.app.state.store)


def overviews_of(request: Request) -> Overviews:
    return cast(Overviews, request.app.state.overviews)


def superposed_of(request: Request) -> superposed.Superposed:
    return cast(superposed.Superposed, request.app.state.superposed)


def units_for(request: Request) -> Units:
    return units_of(request, cast(Units, request.app.state.units))


def known_event(store: Store, event_id: str) -> str:
    """The same id, if the store lists it: nothing from a request reaches a file name unchecked. Else 404."""
    if all(line.event_id != event_id for line in store.events()):
        raise PageError(404, "event")
    return event_id


def known_recording(store: Store, event_id: str, recording: str) -> None:
    """Refuse with 404 a recording that the logbook does not list. Cheaper than `known_event`: nothing is looked for."""
    if all(held.name != recording for held in store.recordings(event_id)):
        raise PageError(404, "recording")


def corrected_pulses(request: Request) -> float | None:
    """Pulses per revolution as people corrected them; None where they are those by which the recorder goes, or where
    the logbook does not answer: live values wait for nobody."""
    store = store_of(request)
    try:
        recorded = Engine(**changes.recorded(store, request.app.state.settings, "engine"))
        engine = store.changed_engine(recorded)
    except StoreError:
        return None
    return None if engine == recorded else engine.pulses_per_revolution


def live_of(request: Request) -> live.Live:
    """The recorder's last word, the speed by the engine as people corrected it."""
    return live.read_live(request.app.state.run_dir, pulses_per_revolution=corrected_pulses(request))


def check_for(request: Request) -> check.CheckPage:
    state = request.app.state
    return check.build(state.settings, store_of(request), state.run_dir, units_for(request))


@router.get("/events")
def list_events(request: Request) -> listing.ListPage:
    """All events, newest first."""
    return listing.build(store_of(request))


@router.get("/events/{event_id}")
def show_event(request: Request, event_id: str) -> day.EventPage:
    """One event: the answer, the day, the stumbles, the sensors."""
    store = store_of(request)
    return day.build(store, known_event(store, event_id))


@router.get("/events/{event_id}/revision")
def show_revision(request: Request, event_id: str) -> listing.Revision:
    """A short text that changes whenever the event's page would: cheap to ask every two seconds."""
    store = store_of(request)
    return listing.Revision(listing.revision(store, known_event(store, event_id)))


@router.get("/events/{event_id}/findings")
def show_findings(request: Request, event_id: str) -> dict[str, Any]:
    """The findings as the analysis left them, or 404 with the reason while there are none."""
    store = store_of(request)
    found = store.findings(known_event(store, event_id))
    if found is None:
        raise PageError(404, "pending")
    return found


@router.get("/events/{event_id}/recordings/{recording}")
def show_recording(
    request: Request, event_id: str, recording: str, at_s: Annotated[float | None, Query(allow_inf_nan=False)] = None
) -> moment.MomentPage:
    """One moment with its ladder and evidence, or (without `at_s`) the whole recording."""
    store = store_of(request)
    return moment.build(store, known_event(store, event_id), recording, at_s, overviews_of(request))


@router.get("/events/{event_id}/recordings/{recording}/window", response_class=Response)
def show_window(
    request: Request,
    event_id: str,
    recording: str,
    from_s: Seconds,
    to_s: Seconds,
    channels: Annotated[str, Query(max_length=1000)],
    points: Points = 1000,
) -> Response:
    """Traces between two instants as float64 times and float32 values; the layout is described in web/traces.py."""
    store = store_of(request)
    known_recording(store, event_id, recording)
    if not to_s > from_s:
        raise PageError(422, "window")
    version = repr(store.calibrations_in_force())
    engine = store.engine(event_id)
    with store.reader(event_id, recording) as reader:
        wanted = channels.split(",")
        offered = {name for panel in traces.panels_of(reader.channels) for name in panel.channels}
        if not offered.issuperset(wanted):
            raise PageError(404, "channel")
        body = traces.window(reader, engine, wanted, from_s, to_s, points, overviews_of(request), version)
    return Response(body, media_type="application/octet-stream")


@router.get("/events/{event_id}/recordings/{recording}/values.csv", response_class=Response)
def show_values(request: Request, event_id: str, recording: str, from_s: Seconds, to_s: Seconds) -> Response:
    """Every stored value between two instants as CSV: channel, time_s, value (three for acceleration), unit."""
    store = store_of(request)
    known_recording(store, event_id, recording)
    if not 0.0 < to_s - from_s <= traces.LONGEST_READ_S:
        raise PageError(422, "window_long", text("problem.window_long.what", s=f"{traces.LONGEST_READ_S:g}"))
    with store.reader(event_id, recording) as reader:
        body = traces.values_csv(reader, from_s, to_s)
    name = f"{event_id}_{recording}_{from_s:.3f}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(body, media_type="text/csv", headers=headers)


@router.get("/events/{event_id}/day")
def show_day(request: Request, event_id: str) -> whole_day.DayPage:
    """The whole day on one axis: where each recording lies."""
    store = store_of(request)
    return whole_day.build(store, known_event(store, event_id))


@router.get("/events/{event_id}/window", response_class=Response)
def show_day_window(
    request: Request,
    event_id: str,
    from_s: Seconds,
    to_s: Seconds,
    channels: Annotated[str, Query(max_length=1000)],
    points: Points = 1000,
) -> Response:
    """Traces of the day between two instants, in seconds from the first recording's start; bytes as for a recording."""
    store = store_of(request)
    known_event(store, event_id)
    if not to_s > from_s:
        raise PageError(422, "window")
    wanted = channels.split(",")
    if not {name for panel in traces.PANELS for name in panel.channels}.issuperset(wanted):
        raise PageError(404, "channel")
    body = whole_day.window(store, event_id, wanted, from_s, to_s, points, overviews_of(request))
    return Response(body, media_type="application/octet-stream")


@router.get("/events/{event_id}/superposed")
def show_superposed(request: Request, event_id: str, cause: Cause | None = None) -> superposed.SuperposedPage:
    """All stumbles on one zero; `cause` keeps those in which that failed first."""
    store = store_of(request)
    return superposed.build(store, known_event(store, event_id), cause)


@router.get("/events/{event_id}/superposed/values", response_class=Response)
def show_superposed_values(request: Request, event_id: str, cause: Cause | None = None) -> Response:
    """Their values as float32 matrices; the layout is described in web/superposed.py."""
    store = store_of(request)
    page = superposed.build(store, known_event(store, event_id), cause)
    body = superposed_of(request).begin(store, page).result()
    return Response(body, media_type="application/octet-stream")


@router.get("/events/{event_id}/report")
def show_report(request: Request, event_id: str) -> report.ReportPage:
    """The report's content, drawings included."""
    store = store_of(request)
    return report.build(store, known_event(store, event_id), overviews_of(request))


@router.get("/now")
def show_now(request: Request) -> live.Live:
    """The recorder's last word."""
    return live_of(request)


@router.get("/now/check")
def show_check(request: Request) -> check.CheckPage:
    """The start check: each line with what was read, what was expected, ok, look or stop, and what to do."""
    return check_for(request)


@router.get("/safety")
def show_safety() -> safety.SafetyPage:
    """What can hurt, and what to do about it."""
    return safety.build()


@router.get("/now/stream", response_class=StreamingResponse)
async def stream_now(request: Request) -> StreamingResponse:
    """The recorder's words as server-sent events, up to ten a second, until the device goes or its session ends."""
    state = request.app.state

    async def gone() -> bool:
        return await request.is_disconnected() or not is_still_welcome(request)

    pulses = await run_in_threadpool(corrected_pulses, request)
    words = live.stream(state.run_dir, gone, state.stopping, pulses_per_revolution=pulses)
    return StreamingResponse(words, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})
