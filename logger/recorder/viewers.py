"""Whether somebody is looking at the page or at the live values: who does says so by a small file beside live.json.

While nobody looks the recorder gathers and writes once a second instead of ten times, which costs half as much; and
the power hold waits for whoever is reading.
"""

from contextlib import suppress
from pathlib import Path

from logger.event import NS_PER_S
from logger.recorder.place import replace_file

NAME = "in-use"
LOOKING_NS = 10 * NS_PER_S


def say_in_use(run_dir: Path) -> None:
    """Tell the recorder that somebody looks; to be said again within ten seconds. Where that is not allowed the live
    values come once a second."""
    with suppress(OSError):
        # A new file each time: one that belongs to another user could not be touched.
        replace_file(run_dir / NAME, b"")


class Viewers:
    """The recorder's side. last_ns: when somebody was last seen to look, on the clock; None: never since the start.

    Not the file's time counts, which jumps with the wall clock, but that it has changed.
    """

    def __init__(self, run_dir: Path) -> None:
        self.last_ns: int | None = None
        self._path = run_dir / NAME
        self._seen = self._stamp()

    def are_looking(self, now_ns: int) -> bool:
        """Look whether they are; costs one system call."""
        stamp = self._stamp()
        if stamp != self._seen:
            self._seen, self.last_ns = stamp, now_ns
        return self.last_ns is not None and now_ns - self.last_ns < LOOKING_NS

    def _stamp(self) -> tuple[int, int]:
        try:
            status = self._path.stat()
        except OSError:
            return (0, 0)
        return (status.st_ino, status.st_mtime_ns)
