"""What stands before every request: under which name it may be asked, whose writes are taken, who may see what, and
which headers go out.

A strange web page in the same browser must neither read nor write here, so names are checked (against rebinding) and
writes must come from our own pages. Where a pass-phrase is set, nothing recorded is shown before it is given.
"""

import ipaddress
import re
import socket
import time
from collections.abc import Iterable
from pathlib import Path
from urllib.parse import quote, urlsplit

from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.errors import StoreError
from logger.recorder.viewers import say_in_use
from web.access import Access, is_anybodys, may
from web.login import log_in_first
from web.problems import problem_response

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
MAX_BODY_BYTES = 1_000_000
SAY_EVERY_S = 1.0
_HOST = re.compile(r"[\w.-]+(:\d{1,5})?|\[[0-9A-Fa-f:.]+(%[\w.%-]+)?\](:\d{1,5})?", re.ASCII)
_LENGTH = re.compile(r"\d{1,9}", re.ASCII)
POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "font-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    """ASGI middleware (plain, so that streams pass through untouched). access: None where nobody is asked to log in.
    run_dir: where the recorder is told that the page is in use by somebody who may."""

    def __init__(
        self, app: ASGIApp, hosts: Iterable[str] = (), access: Access | None = None, run_dir: Path | None = None
    ) -> None:
        self.app = app
        self.access = access
        self.run_dir = run_dir
        self._said_s = -SAY_EVERY_S
        own = socket.gethostname().lower()
        self.hosts = {"localhost", own, f"{own}.local", "stumblelog.local", *(name.lower() for name in hosts)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        if scope["type"] != "http":
            return

        async def send_with_headers(message: Message) -> None:
            if is_used:  # at each message, since a stream of live values lasts
                self._say_in_use()
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                is_static = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if is_static else "no-store")
            await send(message)

        request = Request(scope)
        answer = self._refusal(request) or await self._closed(request)
        is_used = answer is None and (self.access is None or not is_anybodys(request.method, scope["path"]))
        if answer is not None and request.method not in SAFE_METHODS:
            answer.headers["Connection"] = "close"  # else the server would go on to swallow a body that nobody reads
        await (answer or self.app)(scope, receive, send_with_headers)

    def _say_in_use(self) -> None:
        now_s = time.monotonic()
        if self.run_dir is not None and now_s - self._said_s >= SAY_EVERY_S:
            self._said_s = now_s
            say_in_use(self.run_dir)

    def _refusal(self, request: Request) -> Response | None:
        """The answer to what nobody may ask, else None."""
        headers = request.headers
        if not self.knows_host(headers.get("host", "")):
            return problem_response(request, 421, "host")
        if request.method not in SAFE_METHODS:
            if not _from_our_pages(headers):
                return problem_response(request, 403, "foreign")
            length = headers.get("content-length", "0")
            if "transfer-encoding" in headers or not _LENGTH.fullmatch(length) or int(length) > MAX_BODY_BYTES:
                return problem_response(request, 413, "too_long")
        return None

    async def _closed(self, request: Request) -> Response | None:
        """The answer to whoever may not ask for this, else None; pages then find the visitor in the request's state."""
        if self.access is None:
            return None
        path = request.scope["path"]
        try:
            visitor = self.access.visitor(request.cookies)
            if visitor is not None and self.access.keys.is_time_to_write():
                await run_in_threadpool(self.access.keys.write_time)
        except StoreError as error:
            return problem_response(request, 503, "store", str(error))
        if visitor is not None and may(visitor, request.method, path):
            request.state.visitor = visitor
            return None
        if is_anybodys(request.method, path):
            return None
        if visitor is None:
            return log_in_first(request)
        if path in ("/", "/events") and request.method == "GET":
            return RedirectResponse(f"/events/{quote(visitor.event_id)}", status_code=303)
        return problem_response(request, 403, "link_only")

    def knows_host(self, host: str) -> bool:
        """True for our own names and for any plain IP address, which no name server can turn against us."""
        if not _HOST.fullmatch(host):
            return False
        try:
            name = urlsplit(f"//{host}").hostname
        except ValueError:
            return False
        if not name:
            return False
        try:
            ipaddress.ip_address(name.split("%")[0])
        except ValueError:
            return name.rstrip(".") in self.hosts
        return True


def _from_our_pages(headers: Headers) -> bool:
    """Browsers name the origin of every write; a command-line client names none and carries nobody's session."""
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or origin.partition("://")[2] == headers.get("host")
