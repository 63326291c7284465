"""The addresses under which settings are seen and changed: this device's units, engine, event to come, calibrations."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal, cast
from urllib.parse import quote

from fastapi import APIRouter, Body, Depends, FastAPI
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.requests import Request

from logger.event import Engine
from logger.settings import Settings
from logger.store.store import Store
from logger.units import PRESSURE, Units
from web import calibration, changes
from web.api import REFUSALS, known_event, store_of, units_for
from web.problems import PageError
from web.rendering import render

json_router = APIRouter(prefix="/api", responses=REFUSALS)
page_router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

Section = Literal["engine", "event", "display"]
Values = Annotated[dict[str, int | float | str | None], Body()]


@dataclass(frozen=True, slots=True)
class SettingsPage:
    """Variables of the settings page.

    pressures, temperatures, chosen: units there are, and this device's. channels: to calibrate. does_not_fit: why the
    wiring does not go with the engine, or empty. of_the_file: what only the settings file can change.
    """

    pressures: list[str]
    temperatures: list[str]
    chosen: Units
    channels: list[str]
    engine: list[changes.Field]
    event: list[changes.Field]
    history: list[changes.ChangeLine]
    does_not_fit: str
    of_the_file: list[changes.FileLine]


def settings_of(request: Request) -> Settings:
    return cast(Settings, request.app.state.settings)


async def written(request: Request) -> dict[str, str]:
    """The fields of a form as they were written."""
    return {name: str(value) for name, value in (await request.form()).items()}


Written = Annotated[dict[str, str], Depends(written)]


def build(request: Request, wrote: dict[str, str] | None = None, errors: dict[str, str] | None = None) -> SettingsPage:
    """Gather the page; `wrote` and `errors`: of a form that was refused."""
    store, settings = store_of(request), settings_of(request)
    engine, event = (changes.in_force(store, settings, section) for section in ("engine", "event"))
    return SettingsPage(
        pressures=list(PRESSURE),
        temperatures=["degC", "degF"],
        chosen=units_for(request),
        channels=list(calibration.channels(store)),
        engine=changes.fields("engine", engine, wrote or {}, errors or {}),
        event=changes.fields("event", event, wrote or {}, errors or {}),
        history=changes.history(store),
        does_not_fit=changes.does_not_fit(settings, Engine(**engine)),
        of_the_file=changes.of_the_file(settings),
    )


def take_back(store: Store, event_id: str | None, change_id: int, undo: bool) -> None:
    """Take a change back, or put it back."""
    if all(change.id != change_id for change in store.changes(event_id)):
        raise PageError(404, "entry")
    (store.restore if undo else store.remove)("changes", change_id)


def read_units(app: FastAPI) -> None:
    """Take the units that the logbook and the settings name for devices which have not chosen; once at each change, as
    every page needs them, those that tell of a broken logbook, too."""
    app.state.units = Units.of(app.state.store.changed_display(app.state.settings.display))


# As JSON


@json_router.get("/settings")
def show_settings(request: Request) -> SettingsPage:
    """Settings as they count now, their history, and what only the settings file can change."""
    return build(request)


@json_router.post("/settings/{section}", status_code=201)
def post_changes(request: Request, section: Section, values: Values) -> list[int]:
    """Change engine data of every event of this logger, name and kind of the event that new recordings belong to, or
    the units of devices that have not chosen their own."""
    ids = changes.change(store_of(request), settings_of(request), section, values)
    read_units(request.app)
    return ids


@json_router.get("/events/{event_id}/engine")
def show_engine(request: Request, event_id: str) -> changes.EnginePage:
    """One event's engine data as they count, and their history."""
    store = store_of(request)
    return changes.engine_page(store, settings_of(request), known_event(store, event_id), {}, {})


@json_router.post("/events/{event_id}/engine", status_code=201)
def post_engine(request: Request, event_id: str, values: Values) -> list[int]:
    """Correct engine data of one event; its findings are worked out anew."""
    store = store_of(request)
    return changes.change(store, settings_of(request), "engine", values, known_event(store, event_id))


@json_router.post("/settings/changes/{change_id}/{verb}", status_code=204)
def restore_change(request: Request, change_id: int, verb: Literal["remove", "restore"]) -> None:
    """Take a change back, or put it back."""
    take_back(store_of(request), None, change_id, undo=verb == "restore")
    read_units(request.app)


@json_router.post("/events/{event_id}/engine/{change_id}/{verb}", status_code=204)
def restore_engine(request: Request, event_id: str, change_id: int, verb: Literal["remove", "restore"]) -> None:
    """Take a correction of one event's engine back, or put it back."""
    store = store_of(request)
    take_back(store, known_event(store, event_id), change_id, undo=verb == "restore")


# As pages and their forms


@page_router.get("/settings")
def settings_page(request: Request) -> Response:
    return render(request, "settings.html", build(request))


@page_router.post("/settings/changes/{change_id}/{verb}")
def form_take_back(request: Request, change_id: int, verb: Literal["remove", "restore"]) -> Response:
    take_back(store_of(request), None, change_id, undo=verb == "restore")
    read_units(request.app)
    return RedirectResponse("/settings#sl-history-h", status_code=303)


@page_router.get("/settings/{section}")
def after_a_refusal(section: Section) -> Response:
    """Where a refused form was shown, for whoever loads that address again."""
    return RedirectResponse(f"/settings#sl-{section}-h", status_code=303)


@page_router.post("/settings/{section}")
def form_changes(request: Request, section: Section, wrote: Written) -> Response:
    store, settings = store_of(request), settings_of(request)
    errors = changes.enter(store, settings, section, wrote)
    read_units(request.app)
    if errors:
        return render(request, "settings.html", build(request, wrote, errors), status=422)
    return RedirectResponse(f"/settings#sl-{section}-h", status_code=303)


@page_router.get("/events/{event_id}/engine")
def engine_page(request: Request, event_id: str) -> Response:
    return _engine(request, event_id, {}, {})


@page_router.post("/events/{event_id}/engine")
def form_engine(request: Request, event_id: str, wrote: Written) -> Response:
    store = store_of(request)
    errors = changes.enter(store, settings_of(request), "engine", wrote, known_event(store, event_id))
    if errors:
        return _engine(request, event_id, wrote, errors, 422)
    return RedirectResponse(f"/events/{quote(event_id)}/engine", status_code=303)


@page_router.post("/events/{event_id}/engine/{change_id}/{verb}")
def form_take_engine_back(
    request: Request, event_id: str, change_id: int, verb: Literal["remove", "restore"]
) -> Response:
    store = store_of(request)
    take_back(store, known_event(store, event_id), change_id, undo=verb == "restore")
    return RedirectResponse(f"/events/{quote(event_id)}/engine", status_code=303)


def _engine(request: Request, event_id: str, wrote: Any, errors: Any, status: int = 200) -> Response:
    store = store_of(request)
    page = changes.engine_page(store, settings_of(request), known_event(store, event_id), wrote, errors)
    return render(request, "engine.html", page, status)
