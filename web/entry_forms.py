"""What people enter on the pages: the forms of web/entries.py, each of which leads back to where it was filled in."""

import math
from typing import Annotated, Literal
from urllib.parse import quote

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse, Response
from starlette.requests import Request

from logger.channels import CHANNELS
from logger.errors import SettingsError
from web import calibration
from web.api import known_event, store_of, units_for
from web.entries import (
    EntryId,
    NameEntry,
    NoteEntry,
    RemovableHere,
    RepairEntry,
    RunEntry,
    add_note,
    add_repair,
    calibrate,
    correct_run,
    rename,
    take_back,
)
from web.glance import moment_href
from web.problems import PageError, wants_page
from web.rendering import render
from web.texts import text

router = APIRouter(include_in_schema=False)


def _back(event_id: str, anchor: str, **query: object) -> RedirectResponse:
    asked = "&".join(f"{key}={quote(str(value))}" for key, value in query.items())
    return RedirectResponse(f"/events/{quote(event_id)}{'?' + asked if asked else ''}#{anchor}", status_code=303)


@router.post("/events/{event_id}/repairs")
def form_repair(request: Request, event_id: str, entry: Annotated[RepairEntry, Form()]) -> RedirectResponse:
    add_repair(store_of(request), event_id, entry)
    return _back(event_id, "sl-repairs-h")


@router.post("/events/{event_id}/notes")
def form_note(request: Request, event_id: str, entry: Annotated[NoteEntry, Form()]) -> RedirectResponse:
    add_note(store_of(request), event_id, entry)
    if entry.recording is not None and entry.at_s is not None:
        return RedirectResponse(moment_href(event_id, entry.recording, entry.at_s) + "#sl-notes-h", status_code=303)
    return _back(event_id, "sl-notes-h")


@router.post("/events/{event_id}/runs")
def form_run(request: Request, event_id: str, entry: Annotated[RunEntry, Form()]) -> RedirectResponse:
    correct_run(store_of(request), event_id, entry)
    return _back(event_id, "sl-day-h")


@router.post("/events/{event_id}/name")
def form_name(request: Request, event_id: str, entry: Annotated[NameEntry, Form()]) -> RedirectResponse:
    rename(store_of(request), event_id, entry)
    return _back(event_id, "sl-main")


@router.post("/events/{event_id}/commissioning/{verb}")
def form_commissioning(request: Request, event_id: str, verb: Literal["enter", "withdraw"]) -> RedirectResponse:
    store = store_of(request)
    known_event(store, event_id)
    (store.commission if verb == "enter" else store.withdraw_commissioning)(event_id)
    return _back(event_id, "sl-car-test")


@router.post("/settings/channels/{channel}")
def form_calibration(
    request: Request,
    channel: str,
    shown: Annotated[list[str], Form(max_length=20)],
    true: Annotated[list[str], Form(max_length=20)],
    why: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Fields in the units of the device; pairs left empty do not count. A refused form comes back filled."""
    units = units_for(request)
    si_unit = CHANNELS[channel].unit if channel in CHANNELS else ""
    written = [(a, b) for a, b in zip(shown, true, strict=False) if a.strip() or b.strip()]
    try:
        pairs = [(units.to_si(_number(a), si_unit), units.to_si(_number(b), si_unit)) for a, b in written]
        calibrate(store_of(request), channel, pairs, why)
    except (PageError, SettingsError) as error:
        page = calibration.build(store_of(request), channel)
        if page is None or not wants_page(request):
            raise
        wrong = (error.what if isinstance(error, PageError) else None) or str(error)
        return render(request, "channel.html", page, 422, written=written, why=why, wrong=wrong)
    return RedirectResponse(f"/settings/channels/{quote(channel)}", status_code=303)


def _number(written: str) -> float:
    """A number as people write it, with a point or a comma."""
    try:
        number = float(written.strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise PageError(422, "number", text("problem.number.what", written=written[:40]))
    return number


@router.post("/settings/calibrations/{entry_id}/{verb}")
def form_take_back_calibration(
    request: Request,
    entry_id: EntryId,
    verb: Literal["remove", "restore"],
    channel: Annotated[str, Form(max_length=100)],
) -> RedirectResponse:
    store = store_of(request)
    if all(entry.id != entry_id for entry in store.calibrations(channel)):
        raise PageError(404, "entry")
    (store.restore if verb == "restore" else store.remove)("calibrations", entry_id)
    return RedirectResponse(f"/settings/channels/{quote(channel)}", status_code=303)


@router.post("/events/{event_id}/entries/{table}/{entry_id}/{verb}")
def form_take_back(
    request: Request, event_id: str, table: RemovableHere, entry_id: EntryId, verb: Literal["remove", "restore"]
) -> RedirectResponse:
    take_back(store_of(request), event_id, table, entry_id, undo=verb == "restore")
    if verb == "remove":
        return _back(event_id, "sl-removed", removed=f"{table}/{entry_id}")
    return _back(event_id, "sl-main")
