"""One shape for everything that goes wrong: `{"error": {"status", "what", "todo"}}`, or the same as a page."""

from dataclasses import asdict, dataclass
from http import HTTPStatus
from typing import cast

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from logger.errors import StoreError, StumblelogError
from web.rendering import render
from web.texts import TEXTS


@dataclass(frozen=True, slots=True)
class Problem:
    """status: as in HTTP. what: what was wrong. todo: what the reader can do about it."""

    status: int
    what: str
    todo: str


@dataclass(frozen=True, slots=True)
class ErrorAnswer:
    """The body of every JSON answer that is not the one asked for."""

    error: Problem


class PageError(Exception):
    """A request that cannot be met: `key` names its words in the texts, `what` replaces the first of them."""

    def __init__(self, status: int, key: str, what: str | None = None) -> None:
        super().__init__(key)
        self.status = status
        self.key = key
        self.what = what


def problem(status: int, key: str, what: str | None = None) -> Problem:
    words = TEXTS["problem"].get(key) or TEXTS["problem"]["other"]
    return Problem(status, what or words["what"], words["todo"])


def wants_page(request: Request) -> bool:
    """Whether a person asks: told by path and Accept."""
    return not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")


def problem_response(request: Request, status: int, key: str, what: str | None = None) -> Response:
    """JSON for programs, a page for people."""
    shown = problem(status, key, what)
    if wants_page(request):
        return render(request, "problem.html", shown, status)
    return JSONResponse(asdict(ErrorAnswer(shown)), status_code=status)


def install(app: FastAPI) -> None:
    """Give the app its handlers. What nobody foresaw stays a 500, in the same shape, with its traceback in the log."""

    async def on_page_error(request: Request, error: Exception) -> Response:
        refused = cast(PageError, error)
        return problem_response(request, refused.status, refused.key, refused.what)

    async def on_invalid(request: Request, error: Exception) -> Response:
        first = cast(RequestValidationError, error).errors()[0]
        if wants_page(request) and (request.method == "GET" or first["loc"][0] == "path"):
            return problem_response(request, 404, "not_found")  # an address that was mistyped or cut short
        where = ".".join(str(part) for part in first["loc"][1:]) or str(first["loc"][0])
        said = TEXTS["invalid"].get(first["type"], first["msg"])
        field = TEXTS["field"].get(where, where) if wants_page(request) else where
        return problem_response(request, 422, "invalid", f"{field}: {said}")

    async def on_http(request: Request, error: Exception) -> Response:
        status = cast(HTTPException, error).status_code
        return problem_response(request, status, {404: "not_found", 405: "method"}.get(status, "other"))

    async def on_store(request: Request, error: Exception) -> Response:
        return problem_response(request, HTTPStatus.SERVICE_UNAVAILABLE, "store", str(error))

    async def on_ours(request: Request, error: Exception) -> Response:
        return problem_response(request, HTTPStatus.BAD_REQUEST, "refused", str(error))

    async def on_unforeseen(request: Request, error: Exception) -> Response:
        return problem_response(request, 500, "other")

    app.add_exception_handler(PageError, on_page_error)
    app.add_exception_handler(RequestValidationError, on_invalid)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(StoreError, on_store)
    app.add_exception_handler(StumblelogError, on_ours)
    app.add_exception_handler(Exception, on_unforeseen)
