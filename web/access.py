"""Who a request comes from, and what it may reach: the owner everything, a reader by link one event, nobody the log-in.

Decided on the path as the router sees it, before any page runs, and closed unless opened here: a new page is the
owner's alone until it lies under /events/<event>/.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from starlette.requests import Request

from web.access_keys import Keys
from web.login_tries import Tries

SESSION_COOKIE = "sl_session"
LINK_COOKIE = "sl_link"
READING = frozenset({"GET", "HEAD"})
ANYBODYS = frozenset({("GET", "/log-in"), ("POST", "/log-in"), ("POST", "/api/log-in"), ("GET", "/safety")})
READERS_TOO = ("/cards/", "/safety")
"""Pages that say the same to everybody and show nothing recorded; a caution is nobody's secret."""


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks. event_id, until_utc: the one event that a reader may see, and how long."""

    role: Literal["owner", "reader"]
    event_id: str = ""
    until_utc: datetime | None = None


class Access:
    """The keys of one server and the tries at them. hashing: held while a pass-phrase is tried, n_waiting: for it."""

    def __init__(self, keys: Keys) -> None:
        self.keys = keys
        self.tries = Tries()
        self.hashing = asyncio.Lock()
        self.n_waiting = 0

    def visitor(self, cookies: Mapping[str, str]) -> Visitor | None:
        """Who has come, by their cookies. Raises StoreError where the files of the keys are damaged."""
        session, link = cookies.get(SESSION_COOKIE), cookies.get(LINK_COOKIE)
        if session and self.keys.is_session(session):
            return Visitor("owner")
        held = self.keys.link_of(link) if link else None
        if held is None:
            return None
        return Visitor("reader", held.event_id, datetime.fromtimestamp(held.until_s, UTC))


def is_anybodys(method: str, path: str) -> bool:
    """Whether a request needs no key: the log-in, a link's address, the safety text, the files pages are drawn with."""
    return (method, path) in ANYBODYS or (method in READING and path.startswith(("/static/", "/shared/")))


def may(visitor: Visitor, method: str, path: str) -> bool:
    """Whether the visitor may ask for that."""
    if visitor.role == "owner":
        return True
    parts = path.removeprefix("/api").split("/")
    is_theirs = len(parts) > 2 and parts[:3] == ["", "events", visitor.event_id]
    return method in READING and (is_theirs or path.startswith(READERS_TOO))


def is_still_welcome(request: Request) -> bool:
    """For an answer that never ends: whether whoever asked could ask again now."""
    access: Access | None = request.app.state.access
    if access is None:
        return True
    visitor = access.visitor(request.cookies)
    return visitor is not None and may(visitor, request.method, request.scope["path"])
