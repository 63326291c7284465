"""What stands before every request: who may ask by which name, whose writes are taken, which headers go out.

There is no login: whoever is on the car's own network may look. What must not happen is that a strange web page in
the same browser reads or writes here, so names are checked (against rebinding) and writes must come from our own pages.
"""

import ipaddress
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.problems import problem_response

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
MAX_BODY_BYTES = 1_000_000
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
    """ASGI middleware (plain, so that streams pass through untouched)."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str] = ()) -> None:
        self.app = app
        own = socket.gethostname().lower()
        self.hosts = {"localhost", own, f"{own}.local", "stumblelog.local", *(name.lower() for name in hosts)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                is_static = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if is_static else "no-store")
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            status, key = refusal
            await problem_response(Request(scope), status, key)(scope, receive, send_with_headers)
            return
        await self.app(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        if not self.knows_host(headers.get("host", "")):
            return 421, "host"
        if scope["method"] not in SAFE_METHODS:
            if not _from_our_pages(headers):
                return 403, "foreign"
            length = headers.get("content-length", "0")
            if "transfer-encoding" in headers or not length.isdigit() or int(length) > MAX_BODY_BYTES:
                return 413, "too_long"
        return None

    def knows_host(self, host: str) -> bool:
        """True for our own names and for any plain IP address, which no name server can turn against us."""
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
    return origin is None or urlsplit(origin).netloc == headers.get("host")
