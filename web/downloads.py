"""Finished recordings as they are, for `stumblelog fetch`: listed with check sums, sent from any byte on.

Only recordings that nobody writes any more are offered, and they are only ever read.
"""

import threading
from pathlib import Path
from urllib.parse import quote

from fastapi import APIRouter
from fastapi.responses import FileResponse, Response
from pydantic import BaseModel
from starlette.requests import Request

from logger.store.bundle import logbook_text, sha256_of
from logger.store.entries import RecordingEntry
from logger.store.exports.contents import opened
from logger.store.intake import stamp_of
from logger.store.store import Store
from web.api import REFUSALS, known_event, store_of
from web.problems import PageError

router = APIRouter(prefix="/api", responses=REFUSALS)


class FinishedRecording(BaseModel):
    """One recording that can be downloaded. href: path on this server; size in bytes; sha256 in hexadecimal."""

    recording: str
    uuid: str
    duration_ns: int
    size: int
    sha256: str
    href: str


class DownloadableEvent(BaseModel):
    """One event. logbook: where its notes, repairs and findings are. n_unfinished: recordings not offered yet."""

    event_id: str
    name: str
    logbook: str
    recordings: list[FinishedRecording]
    n_unfinished: int


class Downloads(BaseModel):
    """Everything that can be downloaded."""

    events: list[DownloadableEvent]


class CheckSums:
    """Check sums of files that do not change, each worked out once; safe across threads."""

    def __init__(self) -> None:
        self._known: dict[tuple[Path, str], str] = {}
        self._lock = threading.Lock()

    def of(self, path: Path) -> str:
        """The check sum of a file as it is now."""
        with self._lock:
            key = (path, stamp_of(path))
            if key not in self._known:
                self._known[key] = sha256_of(path)
            return self._known[key]


@router.get("/downloads")
def list_downloads(request: Request) -> Downloads:
    """Every event with its finished recordings."""
    store = store_of(request)
    return Downloads(events=[_event(request, store, entry.event_id, entry.name) for entry in store.events()])


@router.get("/events/{event_id}/logbook", response_class=Response)
def show_logbook(request: Request, event_id: str) -> Response:
    """What people entered and what was found, as `logbook.json` of a bundle."""
    store = store_of(request)
    with opened(store, known_event(store, event_id), growing=False) as contents:
        return Response(logbook_text(contents), media_type="application/json")


@router.get("/events/{event_id}/recordings/{recording}/file", response_class=FileResponse)
def send_recording(request: Request, event_id: str, recording: str) -> FileResponse:
    """A finished recording. A range of bytes may be asked for, with the check sum as its If-Range."""
    store = store_of(request)
    known_event(store, event_id)
    found = next((entry for entry in store.recordings(event_id) if entry.name == recording), None)
    if found is None or not _is_finished(store, found):
        raise PageError(404, "recording")
    path = store.data_dir / found.file
    headers = {"etag": f'"{_sums(request).of(path)}"'}
    return FileResponse(path, media_type="application/vnd.sqlite3", filename=f"{found.uuid}.sqlite", headers=headers)


def _event(request: Request, store: Store, event_id: str, name: str) -> DownloadableEvent:
    base = f"/api/events/{quote(event_id)}"
    held = store.recordings(event_id)
    finished = [entry for entry in held if _is_finished(store, entry)]
    return DownloadableEvent(
        event_id=event_id,
        name=name,
        logbook=f"{base}/logbook",
        recordings=[
            FinishedRecording(
                recording=entry.name,
                uuid=entry.uuid,
                duration_ns=entry.duration_ns,
                size=(store.data_dir / entry.file).stat().st_size,
                sha256=_sums(request).of(store.data_dir / entry.file),
                href=f"{base}/recordings/{quote(entry.name)}/file",
            )
            for entry in finished
        ],
        n_unfinished=len(held) - len(finished),
    )


def _is_finished(store: Store, entry: RecordingEntry) -> bool:
    """Closed, and all of it in the one file: beside a recording that was just closed a WAL may still lie."""
    path = store.data_dir / entry.file
    return entry.state == "closed" and path.is_file() and not Path(f"{path}-wal").exists()


def _sums(request: Request) -> CheckSums:
    sums: CheckSums = request.app.state.check_sums
    return sums
