"""Put the page together: `create_app(store, run_dir)` gives the FastAPI application that `stumblelog serve` runs."""

import asyncio
import importlib.util
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from logger import __version__
from logger.errors import StoreError
from logger.settings import Settings
from logger.settings import default as default_settings
from logger.store.store import Store
from logger.units import Units
from web import (
    access_links,
    api,
    downloads,
    entries,
    entry_forms,
    exports,
    garage,
    login,
    pages,
    problems,
    settings_pages,
    superposed,
)
from web.access import Access
from web.access_keys import Keys
from web.guard import Guard
from web.overviews import Overviews

HERE = Path(__file__).parent


ROUTERS = (
    api.router,
    entries.json_router,
    downloads.router,
    exports.json_router,
    garage.json_router,
    settings_pages.json_router,
    exports.page_router,  # before the pages: they take any other name for a recording's
    pages.router,
    garage.page_router,
    settings_pages.page_router,
    entry_forms.router,
)
LOCKED_ROUTERS = (login.json_router, login.page_router, access_links.json_router, access_links.page_router)
"""Where a pass-phrase is asked for, besides."""


class _Guarded(FastAPI):
    """With the guard outside everything: the answer to an error that nobody foresaw carries its headers, too."""

    def build_middleware_stack(self) -> ASGIApp:
        return Guard(super().build_middleware_stack(), self.state.hosts, self.state.access, self.state.run_dir)


def create_app(
    store: Store,
    run_dir: Path | None = None,
    *,
    settings: Settings | None = None,
    hosts: Iterable[str] = (),
    keys: Keys | None = None,
) -> FastAPI:
    """Build the application.

    store: where events are. run_dir: where the recorder keeps live.json, None where no recorder runs.
    settings: of this machine, None for the default ones.
    hosts: further names under which this machine is reached. keys: what opens it, None where nobody is asked.
    """
    app = _Guarded(
        title="stumblelog",
        version=__version__,
        docs_url=None,  # FastAPI's own pages of documentation fetch their scripts from the network
        redoc_url=None,
        openapi_url="/api/openapi.json",
    )
    app.state.store = store
    app.state.run_dir = run_dir
    app.state.settings = settings or default_settings()
    app.state.units = Units.of(app.state.settings.display)
    with suppress(StoreError):  # the pages will say what is wrong with the logbook
        settings_pages.read_units(app)
    app.state.overviews = Overviews()
    app.state.superposed = superposed.Superposed()
    app.state.check_sums = downloads.CheckSums()
    app.state.exports = exports.Exports(store, app.state.settings.recorder.warn_mb)
    app.state.stopping = asyncio.Event()
    app.state.hosts = tuple(hosts)
    app.state.access = access = None if keys is None else Access(keys)
    problems.install(app)
    # Their routes are taken as they stand: include_router would build each anew for the first request, 0.3 s in all.
    for router in (*ROUTERS, *(LOCKED_ROUTERS if access is not None else ())):
        app.router.routes.extend(router.routes)
    for path, folder in (("/static/chart", chart_library()), ("/static", HERE / "static")):
        app.mount(path, GZipMiddleware(StaticFiles(directory=folder)), name=path.rpartition("/")[2])
    return app


def chart_library() -> Path:
    """Folder of uPlot's files inside the installed uplot-python, found without running any of that package's code."""
    spec = importlib.util.find_spec("uplot")
    if spec is None or not spec.submodule_search_locations:
        raise ModuleNotFoundError("uplot-python is not installed; install stumblelog with its dependencies")
    return Path(spec.submodule_search_locations[0]) / "static"
