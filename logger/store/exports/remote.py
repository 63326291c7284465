"""Recordings from a logger's page to this machine: resumable, verified by check sum, and only those that are finished.

::

    <data_dir>/.fetching/<uuid>.part      as far as it has come; the next attempt goes on there
    <data_dir>/recordings/<event id>/     once all of an event's recordings are here and fit their check sums
"""

import json
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http import HTTPStatus
from http.client import HTTPException, HTTPResponse
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import urljoin, urlsplit
from urllib.request import HTTPCookieProcessor, HTTPRedirectHandler, Request, build_opener

from logger.errors import StoreError
from logger.store.bundle import logbook_rows, sha256_of
from logger.store.description import RecordingMeta
from logger.store.exports.columns import Row
from logger.store.exports.incoming import NOWHERE, held_in, keep
from logger.store.exports.recordings_in import Incoming, adopt
from logger.store.store import Store

DEFAULT_PORT = 8765
TIMEOUT_S = 30.0
MOST_TRIES = 20
MOST_LISTING_BYTES = 256 << 20
FOLDER = ".fetching"
_CHUNK = 1 << 18
_UUID = re.compile(r"[0-9A-Za-z-]{1,64}")
_SHA256 = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Remote:
    """One finished recording on a logger."""

    name: str
    uuid: str
    duration_ns: int
    size: int
    sha256: str
    url: str


@dataclass(frozen=True, slots=True)
class RemoteEvent:
    """One event on a logger. n_unfinished: recordings that it does not hand out yet."""

    event_id: str
    name: str
    logbook_url: str
    recordings: tuple[Remote, ...]
    n_unfinished: int


class _StayThere(HTTPRedirectHandler):
    """A logger's page sends no program elsewhere; one that does is none, and would have us ask others in its place."""

    def redirect_request(self, *_: object) -> None:
        """Do not follow."""


_OPENER = build_opener(HTTPCookieProcessor(), _StayThere())
"""Keeps the cookie of a log-in as long as this process lasts, and no longer."""


def base_url(host: str) -> str:
    """The address of a logger's page from what a person writes: a name, an address, with a port or as a URL."""
    text = host if "//" in host else f"//{host}"
    try:
        parts = urlsplit(text, scheme="http")
        port = parts.port or (DEFAULT_PORT if "//" not in host else None)
    except ValueError as error:
        raise StoreError(f"{host}: not an address: {error}; write it like 10.42.0.1 or stumblelog.local") from error
    if parts.scheme not in ("http", "https") or not parts.hostname or re.search(r"\s", host):
        raise StoreError(f"{host}: not the address of a page; write it like 10.42.0.1 or stumblelog.local")
    name = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return f"{parts.scheme}://{name}{f':{port}' if port else ''}/"


class SlowError(StoreError):
    """The logger was reached, and has not answered yet."""


class LogInError(StoreError):
    """The logger asks for its pass-phrase, or refuses the one that was given."""


def log_in(base: str, pass_phrase: str) -> None:
    """Open a session for what is asked of that logger next. Raises LogInError where the pass-phrase is wrong."""
    body = json.dumps({"pass_phrase": pass_phrase}).encode()
    with _open(urljoin(base, "api/log-in"), {"Content-Type": "application/json"}, body):
        pass


def log_out(base: str) -> None:
    """End the session, so that repeated fetching does not crowd out the devices that are logged in."""
    with _open(urljoin(base, "api/log-out"), body=b""):
        pass


def listing(base: str) -> list[RemoteEvent]:
    """What a logger has to give. Raises StoreError where it does not answer, or not like one.

    Asked for the first time, it works out the check sums of all its recordings, which for a season takes minutes; each
    try finds more of them done.
    """
    for further_tries in range(MOST_TRIES - 1, -1, -1):
        try:
            document = _get_json(urljoin(base, "api/downloads"))
            break
        except SlowError:
            if not further_tries:
                raise
    try:
        return [_event(base, event) for event in document["events"]]
    except (KeyError, TypeError, ValueError) as error:
        raise StoreError(f"{base}: does not answer like stumblelog: {error}") from error


def fetch(
    store: Store, event: RemoteEvent, progress: Callable[[float], None] = lambda share: None
) -> tuple[str | None, int]:
    """Bring an event's finished recordings here; returns its id here (None: nothing is finished) and how many came.

    Recordings that are here already are left alone, and nothing goes the other way. What people have since entered,
    taken back, renamed, dated or calibrated there is followed, except where somebody here has changed the same.
    Raises StoreError; what had been fetched by then is kept for the next attempt.
    """
    held = held_in(store)
    known = [held[one.uuid].event_id for one in event.recordings if one.uuid in held]
    missing = [one for one in event.recordings if not held.get(one.uuid, NOWHERE).reaches(one.duration_ns)]
    if not known and not missing:
        return None, 0
    folder = store.data_dir / FOLDER
    try:
        folder.mkdir(exist_ok=True)
        paths = {one.uuid: path for one, path in _download(missing, folder, progress)}
        event_id = _take_in(store, event, paths, known[0] if known else None)
        for path in paths.values():
            path.unlink(missing_ok=True)  # those that were written anew; what other events have begun stays
        if not any(folder.iterdir()):
            folder.rmdir()
    except OSError as error:
        if isinstance(error, StoreError):
            raise
        raise StoreError(f"{folder}: cannot be written: {error.strerror or error}") from error
    return event_id, len(missing)


def _take_in(store: Store, event: RemoteEvent, paths: Mapping[str, Path], into: str | None) -> str:
    tables = logbook_rows(event.logbook_url, _get_json(event.logbook_url))
    coming = [row for row in tables["recordings"] if row["uuid"] in paths]
    here = [row for row in tables["recordings"] if row["uuid"] not in paths]
    if {row["uuid"] for row in coming} != paths.keys():
        raise StoreError(f"{event.logbook_url}: the event has changed meanwhile; fetch it again")
    tables["recordings"] = coming

    def write(row: Row, meta: RecordingMeta, to: Path) -> None:
        adopt(Path(event.event_id), tables, paths[row["uuid"]], row, meta, to)

    return keep(store, Incoming(Path(event.event_id), tables, write, here), into)


def _download(wanted: list[Remote], folder: Path, progress: Callable[[float], None]) -> Iterator[tuple[Remote, Path]]:
    total = sum(one.size for one in wanted) or 1
    done = 0
    for one in wanted:

        def share(n_bytes: int, done: int = done) -> None:
            progress(min(1.0, (done + n_bytes) / total))

        yield one, _download_one(one, folder, share)
        done += one.size


def _download_one(one: Remote, folder: Path, progress: Callable[[int], None]) -> Path:
    """Bring one file here, going on where the last attempt stopped."""
    part = folder / f"{one.uuid}.part"
    whole = folder / f"{one.uuid}.sqlite"
    if whole.is_file() and sha256_of(whole) == one.sha256:
        return whole
    have = part.stat().st_size if part.is_file() else 0
    if have < one.size:
        # If-Range: where the file is another one by now (compacted meanwhile), all of it comes.
        headers = {"Range": f"bytes={have}-", "If-Range": f'"{one.sha256}"'} if have else {}
        with _open(one.url, headers) as answer, part.open("ab" if answer.status == 206 else "wb") as file:
            while chunk := answer.read(_CHUNK):
                file.write(chunk)
                progress(file.tell())
                if file.tell() > one.size:
                    break
    if part.stat().st_size < one.size:
        raise StoreError(f"{one.url}: broke off; fetch again, it goes on where it stopped")
    if sha256_of(part) != one.sha256:
        part.unlink()
        raise StoreError(f"{one.url}: does not fit its check sum, or changed meanwhile; fetch it again")
    part.rename(whole)
    return whole


def _event(base: str, event: Mapping[str, Any]) -> RemoteEvent:
    recordings = []
    for one in event["recordings"]:
        if not _UUID.fullmatch(one["uuid"]) or not _SHA256.fullmatch(one["sha256"]) or one["size"] < 0:
            raise ValueError(f"{one!r:.200}")
        url = urljoin(base, one["href"])
        duration_ns = int(one.get("duration_ns", 0))
        recordings.append(Remote(str(one["recording"]), one["uuid"], duration_ns, int(one["size"]), one["sha256"], url))
    logbook_url = urljoin(base, event["logbook"])
    if any(not url.startswith(base) for url in (logbook_url, *(one.url for one in recordings))):
        raise ValueError("it points elsewhere")
    return RemoteEvent(
        str(event["event_id"]), str(event["name"]), logbook_url, tuple(recordings), int(event["n_unfinished"])
    )


def _get_json(url: str) -> Any:
    with _open(url) as answer:
        data = answer.read(MOST_LISTING_BYTES + 1)
    if len(data) > MOST_LISTING_BYTES:
        raise StoreError(f"{url}: answers with more than {MOST_LISTING_BYTES >> 20} MB")
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise StoreError(f"{url}: does not answer like stumblelog: {error}") from error


@contextmanager
def _open(url: str, headers: Mapping[str, str] | None = None, body: bytes | None = None) -> Iterator[HTTPResponse]:
    try:
        with _OPENER.open(Request(url, body, dict(headers or {})), timeout=TIMEOUT_S) as answer:
            yield answer
    except HTTPError as error:
        if error.code == HTTPStatus.UNAUTHORIZED:
            raise LogInError(f"{url}: the pass-phrase is missing or wrong") from error
        if error.code == HTTPStatus.TOO_MANY_REQUESTS:
            raise LogInError(f"{url}: too many tries: wait {error.headers['Retry-After']} s") from error
        if error.code in (HTTPStatus.NOT_FOUND, HTTPStatus.METHOD_NOT_ALLOWED, HTTPStatus.NOT_IMPLEMENTED):
            host = urlsplit(url).netloc
            raise StoreError(
                f"{host}: something answers there, but not a logger's page (it has no {urlsplit(url).path}); look at "
                f"address and port: the page's port is {DEFAULT_PORT} unless you chose another"
            ) from error
        raise StoreError(f"{url}: answered {error.code} {error.reason}; fetch again") from error
    except TimeoutError as error:  # while connecting it would be an URLError
        raise SlowError(f"{url}: no answer for {TIMEOUT_S:g} s; fetch again, it goes on where it stopped") from error
    except (URLError, ConnectionError, HTTPException) as error:
        reason = getattr(error, "reason", None) or error
        said = getattr(reason, "strerror", None) or reason
        raise StoreError(
            f"{url}: cannot be reached: {said}; see that the logger is on and this machine in its network, "
            "then fetch again: it goes on where it stopped"
        ) from error
