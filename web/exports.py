"""Exports made for a download: asked for on the page, made in the background with progress, one at a time."""

import shutil
import threading
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import mkdtemp
from typing import Literal

from fastapi import APIRouter
from fastapi.responses import FileResponse, HTMLResponse, Response
from markupsafe import Markup
from pydantic import BaseModel
from starlette.requests import Request

from logger.errors import StumblelogError
from logger.report import ANYBODY, Reader, stored_report
from logger.store.exports.forms import FORMS
from logger.store.exports.mdf_files import INSTALL, can_write_mdf
from logger.store.exports.write import leaving_room, write
from logger.store.store import Store
from web import report
from web.api import REFUSALS, known_event, store_of, units_for
from web.device import zone_of
from web.overviews import Overviews
from web.problems import PageError
from web.rendering import TEMPLATES, render
from web.texts import text

json_router = APIRouter(prefix="/api", responses={**REFUSALS, 409: REFUSALS[404]})
page_router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

FOLDER = ".exports"
_CHUNK = 1 << 20
WebForm = Literal["bundle", "sqlite", "parquet", "csv", "mdf"]
WEB_FORMS: tuple[WebForm, ...] = ("bundle", "sqlite", "parquet", "csv", "mdf")


class ExportWish(BaseModel):
    """What to make."""

    form: WebForm


class ExportState(BaseModel):
    """An export. share: of the work done, 0 to 1. href: the finished file. failed: why there is none."""

    export_id: int
    event_id: str
    form: WebForm
    share: float
    href: str | None
    failed: str | None


@dataclass(slots=True)
class _Job:
    export_id: int
    event_id: str
    form: WebForm
    reader: Reader
    share: float = 0.0
    path: Path | None = None
    failed: str | None = None

    @property
    def is_under_way(self) -> bool:
        return self.path is None and self.failed is None


class Exports:
    """The export that was asked for last. Its file lasts until the next one, or until the server starts anew.

    keep_free_mb: an export is given up where less would be left beside the recordings.
    """

    def __init__(self, store: Store, keep_free_mb: float = 0.0) -> None:
        self._store = store
        self._keep_free_mb = keep_free_mb
        self._folder = store.data_dir / FOLDER
        self._lock = threading.Lock()
        self._job: _Job | None = None
        shutil.rmtree(self._folder, ignore_errors=True)

    def start(self, event_id: str, form: WebForm, reader: Reader = ANYBODY) -> _Job:
        """Begin. reader: of a bundle's reports. Raises PageError while another one is under way."""
        with self._lock:
            if self._job is not None and self._job.is_under_way:
                raise PageError(409, "export_busy")
            number = 1 if self._job is None else self._job.export_id + 1
            self._job = job = _Job(number, event_id, form, reader)
        threading.Thread(target=self._make, args=(job,), daemon=True).start()
        return job

    def get(self, export_id: int) -> _Job:
        """The export of that number. Raises PageError where it is gone."""
        job = self._job
        if job is None or job.export_id != export_id:
            raise PageError(404, "export")
        return job

    def _make(self, job: _Job) -> None:
        try:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder.mkdir()
            place = Path(mkdtemp(dir=self._folder))
            path = self._write(job, place)
            job.share, job.path = 1.0, path
        except (StumblelogError, OSError) as error:
            shutil.rmtree(self._folder, ignore_errors=True)
            job.failed = str(error)
        finally:
            if job.is_under_way:  # what nobody foresaw: its traceback is in the log, and the next export must not wait
                job.failed = text("files.broken")

    def _write(self, job: _Job, place: Path) -> Path:
        about = FORMS[job.form]
        to = place / f"{job.event_id}{about.ending or '-csv'}"  # zipped, it must not be taken for the bundle
        whole = 0.6 if about.is_folder else 1.0  # the rest is zipping

        def progress(share: float) -> None:
            job.share = whole * share

        reports = reports_of(self._store, job.event_id, job.reader) if job.form == "bundle" else {}
        write(
            self._store, job.event_id, job.form, to, reports=reports, progress=progress, keep_free_mb=self._keep_free_mb
        )
        if about.is_folder:

            def zipping(share: float) -> None:
                job.share = whole + (1.0 - whole) * share

            to = zipped(to, leaving_room(self._store.data_dir, self._keep_free_mb, zipping))
        return to


def zipped(folder: Path, progress: Callable[[float], None]) -> Path:
    """Move a folder into a .zip beside it, file by file, so that it never takes twice the room."""
    to = folder.with_name(f"{folder.name}.zip")
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    total, done = sum(path.stat().st_size for path in files) or 1, 0
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for path in files:
            entry = zipfile.ZipInfo.from_file(path, path.relative_to(folder.parent))
            # Only text shrinks: Parquet and MDF are compressed already.
            entry.compress_type = zipfile.ZIP_DEFLATED if path.suffix == ".csv" else zipfile.ZIP_STORED
            with path.open("rb") as source, archive.open(entry, "w", force_zip64=True) as target:
                while chunk := source.read(_CHUNK):
                    target.write(chunk)
                    done += len(chunk)
                    progress(done / total)
            path.unlink()
    shutil.rmtree(folder)
    return to


def reports_of(store: Store, event_id: str, reader: Reader) -> dict[str, str]:
    """The reports that go into a bundle; none where nothing was analysed yet."""
    findings = store.findings(event_id)
    if findings is None:
        return {}
    return {
        "report.txt": stored_report(store, event_id, findings, reader),
        "report.html": report_html(store, event_id, reader),
    }


def report_html(store: Store, event_id: str, reader: Reader = ANYBODY) -> str:
    """The report as one file that needs nothing else, in the reader's units and zone."""
    page = report.build(store, event_id, Overviews())
    css = Markup((Path(__file__).parent / "static" / "sl.css").read_text(encoding="utf-8"))
    return TEMPLATES.env.get_template("report_file.html").render(
        page=page, units=reader.units, zone=reader.zone, css=css
    )


@json_router.post("/events/{event_id}/exports", status_code=202)
def start_export(request: Request, event_id: str, wish: ExportWish) -> ExportState:
    """Begin to export an event."""
    store = store_of(request)
    reader = Reader(units_for(request), zone_of(request))
    return _state(_exports(request).start(known_event(store, event_id), wish.form, reader))


@json_router.get("/exports/{export_id}")
def show_export(request: Request, export_id: int) -> ExportState:
    """How far an export is."""
    return _state(_exports(request).get(export_id))


@json_router.get("/exports/{export_id}/file", response_class=FileResponse)
def send_export(request: Request, export_id: int) -> FileResponse:
    """A finished export."""
    job = _exports(request).get(export_id)
    if job.path is None:
        raise PageError(404, "export")
    return FileResponse(job.path, filename=job.path.name)


@dataclass(frozen=True, slots=True)
class FilesPage:
    """Variables of the page on which an event is exported. forms: those it offers; missing: those of them that need a
    library which is not installed here. install: how to install it."""

    event_id: str
    name: str
    forms: tuple[WebForm, ...]
    missing: tuple[WebForm, ...]
    install: str


@page_router.get("/events/{event_id}/files")
def files(request: Request, event_id: str) -> Response:
    store = store_of(request)
    missing: tuple[WebForm, ...] = () if can_write_mdf() else ("mdf",)
    page = FilesPage(known_event(store, event_id), store.outline(event_id).name, WEB_FORMS, missing, INSTALL)
    return render(request, "files.html", page)


def _state(job: _Job) -> ExportState:
    return ExportState(
        export_id=job.export_id,
        event_id=job.event_id,
        form=job.form,
        share=job.share,
        href=None if job.path is None else f"/api/exports/{job.export_id}/file",
        failed=job.failed,
    )


def _exports(request: Request) -> Exports:
    exports: Exports = request.app.state.exports
    return exports
