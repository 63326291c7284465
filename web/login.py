"""Logging in and out: as a form, and as JSON for programs."""

import math
from typing import Annotated, cast
from urllib.parse import quote

from fastapi import APIRouter, Form, Query
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.requests import Request

from web.access import SESSION_COOKIE, Access
from web.access_keys import SESSION_S
from web.api import REFUSALS
from web.problems import problem_response
from web.rendering import render
from web.texts import text

json_router = APIRouter(prefix="/api", responses={**REFUSALS, 429: REFUSALS[404]})
page_router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

MOST_WAITING = 8
COME_BACK_S = 3.0
"""Tries that wait for the hashing before them; a further one is told to come back."""

Once = Annotated[str, Field(pattern=r"^[\w-]{0,64}$")]
To = Annotated[str, Field(max_length=1000)]


class LogIn(BaseModel):
    """What opens a session."""

    pass_phrase: str = Field(max_length=200)


def access_of(request: Request) -> Access:
    return cast(Access, request.app.state.access)


@page_router.get("/log-in")
def log_in_page(request: Request, to: Annotated[To, Query()] = "/", once: Annotated[Once, Query()] = "") -> Response:
    """`once`: from the address shown with a new pass-phrase; it is used up by the button, not by looking."""
    return render(request, "login.html", None, to=_here(to), once=once, said=None)


@page_router.post("/log-in")
async def log_in_form(
    request: Request,
    pass_phrase: Annotated[str, Form(max_length=200)] = "",
    once: Annotated[Once, Form()] = "",
    to: Annotated[To, Form()] = "/",
) -> Response:
    keys = access_of(request).keys
    token = await run_in_threadpool(keys.log_in_once, once) if once else await try_pass_phrase(request, pass_phrase)
    if isinstance(token, str):
        return _with_session(RedirectResponse(_here(to), status_code=303), token)
    status, said = (401, text("login.used_up" if once else "login.wrong")) if token is None else (429, _too_many(token))
    answer = render(request, "login.html", None, status, to=_here(to), once="", said=said)
    return answer if token is None else _come_back(answer, token)


@page_router.post("/log-out")
def log_out_form(request: Request) -> Response:
    return _end_session(request, RedirectResponse("/log-in", status_code=303))


@json_router.post("/log-in", status_code=204)
async def post_log_in(request: Request, entry: LogIn) -> Response:
    """Open a session: its cookie comes with the answer."""
    token = await try_pass_phrase(request, entry.pass_phrase)
    if isinstance(token, str):
        return _with_session(Response(status_code=204), token)
    if token is None:
        return problem_response(request, 401, "wrong")
    return _come_back(problem_response(request, 429, "tries", _too_many(token)), token)


@json_router.post("/log-out", status_code=204)
def post_log_out(request: Request) -> Response:
    """End this session."""
    return _end_session(request, Response(status_code=204))


async def try_pass_phrase(request: Request, pass_phrase: str) -> str | float | None:
    """The token of a new session, None where the pass-phrase is wrong, or the seconds to wait before another try.

    One at a time: hashing takes memory and a processor, of which the recorder needs the other ones.
    """
    access = access_of(request)
    address = request.client.host if request.client else ""
    wait_s = access.tries.wait_s(address) or (COME_BACK_S if access.n_waiting >= MOST_WAITING else 0.0)
    if wait_s:
        return wait_s
    access.n_waiting += 1
    try:
        async with access.hashing:
            token = await run_in_threadpool(access.keys.log_in, pass_phrase)
    finally:
        access.n_waiting -= 1
    if token is not None:
        access.tries.forgive(address)
    return token


def log_in_first(request: Request) -> Response:
    """What is answered to whoever shows no key: people are sent to the log-in and back, programs get a 401."""
    wants_page = not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")
    if wants_page and request.method == "GET":
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/log-in?to={quote(asked[:1000], safe='')}", status_code=303)
    return problem_response(request, 401, "log_in")


def _here(to: str) -> str:
    """A path of this server to go on to; anything a browser could take for another server becomes the start."""
    is_path = to.startswith("/") and not to.startswith("//") and to.isprintable() and "\\" not in to
    return quote(to, safe="/?&=%~+,;:@!$'()*#[]") if is_path else "/"


def _with_session(answer: Response, token: str) -> Response:
    answer.set_cookie(SESSION_COOKIE, token, max_age=round(SESSION_S), httponly=True, samesite="strict")
    return answer


def _end_session(request: Request, answer: Response) -> Response:
    token = request.cookies.get(SESSION_COOKIE)
    if token:
        access_of(request).keys.log_out(token)
    answer.delete_cookie(SESSION_COOKIE, httponly=True, samesite="strict")
    return answer


def _too_many(wait_s: float) -> str:
    return text("login.too_many", s=math.ceil(wait_s))


def _come_back(answer: Response, wait_s: float) -> Response:
    answer.headers["Retry-After"] = str(math.ceil(wait_s))
    return answer
