"""The sessions that the pass-phrase has opened and the links given away, kept as hashes in a file of the page's user.

::

    <data_dir>/access/          mode 0700, files 0600
      pass-phrase.json          made by `stumblelog serve --new-pass-phrase`; the page only reads it
      given.json                sessions and links; the page alone writes it

What is handed out is random; what is kept of it is its HMAC under the pass-phrase's hash, so a new pass-phrase ends
every session and every link, and a stolen copy of the files opens nothing.
"""

import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from logger.errors import StoreError
from logger.recorder.place import replace_file
from web.pass_phrase import DAY_S, PassPhrase, pass_phrase_file

SESSION_S = 30 * DAY_S
MOST_SESSIONS = 64
MOST_LINKS = 64
LATEST_EVERY_S = 3600.0


@dataclass(frozen=True, slots=True)
class Session:
    """A device that has logged in. Times in seconds since 1970."""

    mark: str
    until_s: float


@dataclass(frozen=True, slots=True)
class Link:
    """A read-only link to one event. name: whom it is for."""

    link_id: int
    mark: str
    event_id: str
    name: str
    made_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class _Given:
    """latest_s: the latest time that is known to have been. once_used: mark of the address that was used last."""

    sessions: tuple[Session, ...] = ()
    links: tuple[Link, ...] = ()
    next_link: int = 1
    once_used: str = ""
    latest_s: float = 0.0


@dataclass(slots=True)
class _File:
    """A file's content as it was when it was last looked at."""

    path: Path
    stamp: tuple[int, int, int] | None = None
    content: Any = field(default=None)


class Keys:
    """What is asked of the files; safe across threads. Raises StoreError where a file is damaged.

    Time never goes back here, although a Pi's clock may from one boot to the next: what has an end, ends.
    """

    def __init__(
        self, data_dir: Path, clock: Callable[[], float] = time.time, ticks: Callable[[], float] = time.monotonic
    ) -> None:
        self._pass_phrase = _File(pass_phrase_file(data_dir))
        self._given = _File(self._pass_phrase.path.with_name("given.json"), content=_Given())
        self._clock = clock
        self._ticks = ticks
        self._writing = threading.Lock()
        self._start_s, self._start_ticks = self._read_given().latest_s, ticks()

    @staticmethod
    def are_set(data_dir: Path) -> bool:
        """Whether a pass-phrase was ever made here."""
        return pass_phrase_file(data_dir).exists()

    def now_s(self) -> float:
        """Seconds since 1970, at least as many as have gone by since the latest time on file."""
        return max(self._clock(), self._start_s + self._ticks() - self._start_ticks)

    def log_in(self, pass_phrase: str) -> str | None:
        """The token of a new session, or None where the pass-phrase is wrong. Takes a fifth of a second or more."""
        kept = self._read_pass_phrase()
        if kept is None or not kept.is_of(pass_phrase):
            return None
        return self._open(kept)

    def log_in_once(self, token: str) -> str | None:
        """The token of a new session for the address that was shown with the pass-phrase; it holds once."""
        kept = self._read_pass_phrase()
        if kept is None or self.now_s() >= kept.once_until_s or not hmac.compare_digest(kept.mark(token), kept.once):
            return None
        with self._writing:
            given = self._read_given()
            if given.once_used == kept.once:
                return None
            self._write(replace(given, once_used=kept.once))
        return self._open(kept)

    def log_out(self, token: str) -> None:
        """End a session."""
        mark = self._mark(token)
        with self._writing:
            given = self._read_given()
            self._write(replace(given, sessions=tuple(one for one in given.sessions if one.mark != mark)))

    def is_session(self, token: str) -> bool:
        """Whether that token is of a session that holds."""
        mark, now_s = self._mark(token), self.now_s()
        held = [one for one in self._read_given().sessions if now_s < one.until_s]
        return mark is not None and any(hmac.compare_digest(mark, one.mark) for one in held)

    def share(self, event_id: str, name: str, days: float) -> tuple[Link, str]:
        """A new link to one event, and its token. Raises StoreError where there are too many."""
        kept = self._read_pass_phrase()
        if kept is None:
            raise StoreError("there is no pass-phrase: make one with stumblelog serve --new-pass-phrase")
        token = secrets.token_urlsafe(16)
        with self._writing:
            given, now_s = self._read_given(), self.now_s()
            held = tuple(one for one in given.links if now_s < one.until_s)
            if len(held) >= MOST_LINKS:
                raise StoreError(f"{MOST_LINKS} links are out already: withdraw some first")
            link = Link(given.next_link, kept.mark(token), event_id, name, now_s, now_s + days * DAY_S)
            self._write(replace(given, links=(*held, link), next_link=link.link_id + 1))
        return link, token

    def links(self, event_id: str) -> list[Link]:
        """The links to an event that hold."""
        now_s = self.now_s()
        return [one for one in self._read_given().links if one.event_id == event_id and now_s < one.until_s]

    def link_of(self, token: str) -> Link | None:
        """The link of that token, if it holds."""
        mark, now_s = self._mark(token), self.now_s()
        held = [one for one in self._read_given().links if now_s < one.until_s]
        return next((one for one in held if mark is not None and hmac.compare_digest(mark, one.mark)), None)

    def withdraw(self, event_id: str, link_id: int) -> bool:
        """End a link; False where the event has none of that number."""
        with self._writing:
            given = self._read_given()
            rest = tuple(one for one in given.links if (one.event_id, one.link_id) != (event_id, link_id))
            if len(rest) == len(given.links):
                return False
            self._write(replace(given, links=rest))
        return True

    def is_time_to_write(self) -> bool:
        """Whether `write_time` is due: what was handed out must age also where the clock starts anew at each boot."""
        given = self._read_given()
        return bool(given.sessions or given.links) and self.now_s() - given.latest_s > LATEST_EVERY_S

    def write_time(self) -> None:
        """Put on file how late it is, if the card lets us."""
        with self._writing, suppress(StoreError):
            self._write(self._read_given(), durable=False)

    def _open(self, kept: PassPhrase) -> str:
        token = secrets.token_urlsafe(32)
        with self._writing:
            given, now_s = self._read_given(), self.now_s()
            held = [one for one in given.sessions if now_s < one.until_s][-MOST_SESSIONS + 1 :]
            # On a card that is full or read-only the owner must get in all the more; the session ends with the page.
            with suppress(StoreError):
                self._write(replace(given, sessions=(*held, Session(kept.mark(token), now_s + SESSION_S))))
        return token

    def _mark(self, token: str) -> str | None:
        kept = self._read_pass_phrase()
        return None if kept is None else kept.mark(token)

    def _read_pass_phrase(self) -> PassPhrase | None:
        kept: PassPhrase | None = _read(self._pass_phrase, lambda found: PassPhrase(**found), None)
        return kept

    def _read_given(self) -> _Given:
        given: _Given = _read(self._given, _given_from, _Given())
        return given

    def _write(self, given: _Given, *, durable: bool = True) -> None:
        """What is written holds at once, and where the card refuses it (StoreError) as long as the page runs."""
        given = replace(given, latest_s=self.now_s())
        self._given.content = given
        try:
            replace_file(self._given.path, json.dumps(asdict(given), indent=1).encode(), durable=durable, mode=0o600)
        except OSError as error:
            raise StoreError(f"{self._given.path}: cannot be written: {error.strerror or error}") from error


def _read(file: _File, make: Callable[[Any], Any], absent: Any) -> Any:
    """The file's content, read anew only where it has changed; `absent` once it was deleted."""
    try:
        about = file.path.stat()
        stamp = (about.st_mtime_ns, about.st_ino, about.st_size)
        if file.stamp == stamp:
            return file.content
        content = make(json.loads(file.path.read_bytes()))
    except FileNotFoundError:
        if file.stamp is not None:
            file.content, file.stamp = absent, None
        return file.content
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise StoreError(f"{file.path}: cannot be used: {error}; stumblelog serve --new-pass-phrase") from error
    file.content, file.stamp = content, stamp
    return content


def _given_from(found: Any) -> _Given:
    return _Given(
        sessions=tuple(Session(**one) for one in found["sessions"]),
        links=tuple(Link(**one) for one in found["links"]),
        next_link=int(found["next_link"]),
        once_used=str(found["once_used"]),
        latest_s=float(found["latest_s"]),
    )
