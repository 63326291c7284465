"""Makes hostile requests from a seed, kind by kind, as the bytes that go through the socket."""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from logger.store.store import Store


def words(text: str) -> list[str]:
    return text.split()


UPS = words(
    r"""
    ../ ..%2f %2e%2e/ %2e%2e%2f %252e%252e%252f ..\ ..%5c %c0%ae%c0%ae/ ....// ..;/ %2e%2e%00/ ..%ef%bc%8f / %2f
    //
    """
)
GOALS = words(
    """
    etc/passwd pyproject.toml data/access/pass-phrase.json access/pass-phrase.json logbook.sqlite
    data/logbook.sqlite proc/self/environ guard.py api/events
    """
)
BASES = words(
    """
    /static/ /static/chart/ / /events/ /events/{event}/ /api/events/{event}/recordings/ /events/{event}/r01/at/
    /shared/ /cards/ /links/ /api/exports/ /settings/channels/ file:/// http://127.0.0.1/static/
    """
)
PAGES = words(
    """
    / /events /now /settings /bench /check /api/events /api/downloads /api/now /api/now/stream /api/bench
    /api/openapi.json /links/{event} /api/links/{event} /log-out
    """
)
OF_AN_EVENT = [
    *words(
        """
    /report /day /files /r01/whole /findings /logbook /recordings/r01 /recordings/r01/file /superposed/values
    /circumstances
    """
    ),
    "",
]
HOSTS = [
    *words(
        """
    elsewhere.example 127.0.0.1.elsewhere.example localhost@elsewhere.example 127.0.0.1/elsewhere [::1
    elsewhere.example#127.0.0.1 127.0.0.1:99999999 é.example 2130706433.example
    """
    ),
    "",
    "127.0.0.1 elsewhere.example",
    "\x00",
    "a" * 5000,
]
METHODS = [
    *words(
        """
    TRACE CONNECT PROPFIND get Post PATCH OPTIONS HEAD DELETE PUT GET/ PURGE SEARCH
    """
    ),
    "POST ",
    "\x00",
    "X" * 300,
]
NUMBERS = [
    *words(
        """
    1e308 -1e308 1e309 nan inf -0 0x10 1_000 ٣ 1e-320 2147483648 9223372036854775808 -9223372036854775809
    """
    ),
    "9" * 30,
    "9" * 5000,
]
ODD = ["%00", "\x00", "%0d%0aSet-Cookie:%20sl_session=x", "%ff%fe", "%ed%a0%80", "\x7f", "%u0000", "\x0b"]
NOT_THE_LINKS = words(
    """
    /events/{other} /api/events/{other} /api/events/{other}/logbook /api/events /api/downloads /api/now /now
    /settings /links/{event} /api/links/{event} /api/openapi.json /bench /api/bench /check
    /events/{event}/../{other} /events/{event}%2f..%2f{other} /events//{other} /log-out
    """
)
ODD_BODIES = [
    b"",
    b"{",
    b"[]",
    b"null",
    b"[" * 20_000,
    b"{}" * 999,
    b"\xff\xfe\x00",
    b"--x\r\n\r\n",
    b"text=&what=%ED%A0%80",
    b'{"text": ' + b"9" * 6000 + b"}",
    b'{"pairs": ' + b"[" * 500 + b"]" * 500 + b"}",
    b'{"text": "\\ud800", "what": "\\ud800", "name": "\\ud800"}',
    b'{"pairs": [[1e400, NaN]], "utc": "x"}',
    b'{"text": {"a": 1}, "what": 5, "name": [], "form": "../x", "days": 1e99, "utc": 1e300}',
]
FORMS = [
    *words(
        """
    application/json application/x-www-form-urlencoded multipart/form-data text/xml
    """
    ),
    "",
    "multipart/form-data; boundary=x",
    "multipart/form-data; boundary=" + "x" * 300,
]


@dataclass(frozen=True, slots=True)
class Target:
    """A running page and what an attacker may have got hold of: the owner's session, a link to a first event, and the
    id of a second one."""

    port: int
    store: Store
    event_id: str
    session: str
    link: str
    other_id: str


@dataclass(frozen=True, slots=True)
class Hostile:
    """One request as bytes. is_owners: comes with the owner's session and may be answered, but must not break."""

    kind: str
    data: bytes
    is_owners: bool = False


class Attacker:
    """Makes requests from a seed."""

    def __init__(self, target: Target, seed: int) -> None:
        self.target = target
        self.random = random.Random(seed)
        self.kinds: tuple[Callable[[], Hostile], ...] = (
            self.traversal,
            self.oversize,
            self.wrong_host,
            self.no_cookie,
            self.forged_cookie,
            self.foreign_origin,
            self.odd_method,
            self.long_head,
            self.null_bytes,
            self.huge_numbers,
            self.odd_bodies,
            self.beyond_the_link,
        )

    def requests(self, n: int) -> Iterator[Hostile]:
        for number in range(n):
            yield self.kinds[number % len(self.kinds)]()

    # The parts of a request

    def head(self, method: str, path: str, cookie: str = "", host: str | None = None, **headers: str) -> bytes:
        lines = [f"{method} {path} HTTP/1.1", f"Host: {self.local if host is None else host}", "Connection: close"]
        lines += [f"Cookie: {cookie}"] if cookie else []
        lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
        return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1", "replace")

    def with_body(self, method: str, path: str, body: bytes, cookie: str = "", **headers: str) -> bytes:
        headers.setdefault("Content_Length", str(len(body)))
        return self.head(method, path, cookie, **headers) + body

    @property
    def local(self) -> str:
        return f"127.0.0.1:{self.target.port}"

    @property
    def owner(self) -> str:
        return f"sl_session={self.target.session}"

    @property
    def reader(self) -> str:
        return f"sl_link={self.target.link}"

    def one(self, *things: str) -> str:
        return self.random.choice(things)

    def at(self, *paths: str) -> str:
        return self.one(*paths).format(event=self.target.event_id, other=self.target.other_id)

    def path(self) -> str:
        """An address that exists."""
        base = self.one("/events/{event}", "/api/events/{event}")
        return self.at(*PAGES, *(base + rest for rest in OF_AN_EVENT))

    def write(self) -> tuple[str, str, bytes]:
        """Method, address and body of something that the owner could write."""
        event = f"/api/events/{self.target.event_id}"
        return self.random.choice(
            [
                ("POST", f"{event}/notes", b'{"text": "hostile"}'),
                ("POST", f"{event}/repairs", b'{"what": "hostile"}'),
                ("PUT", f"{event}/name", b'{"name": "hostile"}'),
                ("POST", f"{event}/exports", b'{"form": "csv"}'),
                ("POST", f"/api/links/{self.target.event_id}", b"{}"),
                ("POST", "/api/now/clock", b'{"utc": "2026-05-09T10:00:00Z"}'),
                ("POST", f"/events/{self.target.event_id}/notes", b"text=hostile"),
                ("DELETE", f"{event}/entries/repairs/1", b""),
                ("POST", "/api/settings/channels/fuel_pressure", b'{"pairs": [[1, 2]]}'),
            ]
        )

    # The kinds

    def traversal(self) -> Hostile:
        goal = self.one(*GOALS)
        path = self.at(*BASES) + self.one(*UPS) * self.random.randint(1, 8) + goal
        cookie = self.one("", self.owner, self.reader)
        # From the root and with the owner's session, some are plain addresses of the owner's own pages.
        is_owners = cookie == self.owner and goal == "api/events"
        return Hostile(
            "traversal", self.head("GET", path + self.one("", "/file", "%00.css", "?a=b"), cookie), is_owners
        )

    def oversize(self) -> Hostile:
        _method, path, body = self.write()
        cookie = self.one("", self.owner)
        size = self.random.choice([1_000_001, 5_000_000, 10**12, 10**18])
        if self.random.random() < 0.5:
            return Hostile("oversize", self.with_body("POST", path, b" " * 4000, cookie, Content_Length=str(size)))
        chunks = b"".join(b"%x\r\n%b\r\n" % (len(body), body) for _ in range(self.random.randint(1, 40)) if body)
        return Hostile("oversize", self.head("POST", path, cookie, Transfer_Encoding="chunked") + chunks + b"0\r\n\r\n")

    def wrong_host(self) -> Hostile:
        return Hostile("wrong host", self.head("GET", self.path(), self.one("", self.owner), self.one(*HOSTS)))

    def no_cookie(self) -> Hostile:
        if self.random.random() < 0.6:
            return Hostile("no cookie", self.head("GET", self.path(), Accept=self.one("text/html", "*/*", "")))
        method, path, body = self.write()
        return Hostile("no cookie", self.with_body(method, path, body, Content_Type="application/json"))

    def forged_cookie(self) -> Hostile:
        target = self.target
        made = "".join(self.random.choices("abcDEF0123_-", k=self.random.randint(0, 60)))
        token = self.one(
            made,
            target.session[:-1],
            target.session + "A",
            target.session[::-1],
            target.session.swapcase(),
            target.link + "A",
            "../access/given.json",
            "null",
            "' OR 1=1 --",
            "é" * 20,
        )
        name = self.one("sl_session", "sl_link", "SL_SESSION", "sl_session ", "session")
        crossed = self.one(
            f"sl_session={target.link}", f"sl_link={target.session}", f'{name}="{token}"', f"{name}={token}"
        )
        if self.random.random() < 0.3:
            method, path, body = self.write()
            return Hostile(
                "forged cookie", self.with_body(method, path, body, crossed, Content_Type="application/json")
            )
        return Hostile("forged cookie", self.head("GET", self.path(), crossed))

    def foreign_origin(self) -> Hostile:
        method, path, body = self.write()
        headers = self.random.choice(
            [
                {"Origin": "http://elsewhere.example"},
                {"Origin": "null"},
                {"Origin": f"http://{self.local}.elsewhere.example"},
                {"Origin": f"http://user@{self.local}"},
                {"Origin": "http://[::1"},
                {"Origin": "é"},
                {"Sec_Fetch_Site": "cross-site"},
                {"Sec_Fetch_Site": "same-site", "Origin": f"http://{self.local}"},
                {"Origin": f"http://127.0.0.1:{self.target.port + 1}"},
            ]
        )
        kind = self.one("application/json", "application/x-www-form-urlencoded", "text/plain")
        return Hostile("foreign origin", self.with_body(method, path, body, self.owner, Content_Type=kind, **headers))

    def odd_method(self) -> Hostile:
        cookie = self.one("", self.owner)
        method = self.one(*METHODS)
        return Hostile(
            "odd method", self.with_body(method, self.path(), b"{}", cookie), bool(cookie) and method == "HEAD"
        )

    def long_head(self) -> Hostile:
        size = self.random.choice([5_000, 20_000, 70_000, 300_000])
        long = self.one("x", "%41", "../", "\\") * size
        if self.random.random() < 0.4:
            return Hostile("long head", self.head("GET", f"{self.path()}?{long[:size]}"))
        if self.random.random() < 0.5:
            return Hostile("long head", self.head("GET", self.path(), f"sl_session={long[:size]}"))
        many = {f"X_{n}": "y" * 50 for n in range(size // 60)}
        return Hostile("long head", self.head("GET", self.path(), **many))

    def null_bytes(self) -> Hostile:
        odd = self.one(
            "%00", "\x00", "%0d%0aSet-Cookie:%20sl_session=x", "%ff%fe", "%ed%a0%80", "\x7f", "%u0000", "\x0b"
        )
        cookie = self.one("", self.owner)
        if self.random.random() < 0.5:
            known = "/events/{event} /api/events/{event}/recordings/r01 /shared/ /static/ /api/events/ /cards/ /links/x"
            path = self.at(*known.split()) + odd
            return Hostile("null bytes", self.head("GET", path, cookie))
        headers = {"X_Odd": odd, "Accept": odd, "Range": odd, "Content_Type": odd, "Accept_Encoding": odd}
        name = self.one(*headers)
        return Hostile("null bytes", self.head("GET", self.path(), "", **{name: headers[name]}))

    def huge_numbers(self) -> Hostile:
        event = f"/api/events/{self.target.event_id}"
        number = self.one(*NUMBERS)
        path = self.one(
            f"{event}/recordings/r01/window?from_s={number}&to_s=1&channels=engine_speed&points=50",
            f"{event}/recordings/r01/window?from_s=0&to_s={number}&channels=engine_speed",
            f"{event}/recordings/r01/window?from_s=0&to_s=1&channels=engine_speed&points={number}",
            f"{event}/recordings/r01/values.csv?from_s=0&to_s={number}",
            f"{event}/recordings/r01?at_s={number}",
            f"{event}/window?from_s=-1&to_s={number}&channels=engine_speed",
            f"/events/{self.target.event_id}/r01/at/{number}",
            f"/api/exports/{number}",
            f"/api/exports/{number}/file",
            f"/events/{self.target.event_id}?removed=notes/{number[:20]}",
        )
        cookie = self.one("", self.owner)
        if self.random.random() < 0.3:
            ranged = self.one(
                f"bytes={number}-", f"bytes=0-{number}", f"bytes=-{number}", "bytes=" + "0-1," * 400, "bytes=5-1", "x=1"
            )
            head = self.head(
                "GET", f"{event}/recordings/r01/file", cookie, Range=ranged, If_Range=self.one("", '"x"', number)
            )
            return Hostile("huge numbers", head, bool(cookie))
        if self.random.random() < 0.3:
            path = self.one(f"{event}/entries/notes/{number}", f"/api/links/{self.target.event_id}/{number}")
            return Hostile("huge numbers", self.head("DELETE", path, cookie), bool(cookie))
        return Hostile("huge numbers", self.head("GET", path, cookie), bool(cookie))

    def odd_bodies(self) -> Hostile:
        """Bodies that no form sends, with the owner's session: none may be kept as an entry, none may break it."""
        _method, path, _body = self.write()
        body, kind = self.random.choice(ODD_BODIES), self.one(*FORMS)
        is_empty_link = path.startswith("/api/links/")  # a link is made of no words at all, too
        return Hostile("odd bodies", self.with_body("POST", path, body, self.owner, Content_Type=kind), is_empty_link)

    def beyond_the_link(self) -> Hostile:
        """With a link to one event: the other event, the car as it is, every write."""
        if self.random.random() < 0.4:
            method, path, body = self.write()
            return Hostile(
                "beyond the link", self.with_body(method, path, body, self.reader, Content_Type="application/json")
            )
        path = self.at(*NOT_THE_LINKS)
        return Hostile("beyond the link", self.head("GET", path, self.reader))
