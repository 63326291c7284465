"""What the commands share of the terminal: how wide it is, what it cannot show, a progress bar on standard error."""

import codecs
import io
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

BAR_WIDTH = 40
WIDEST, NARROWEST = 100, 30
"""Columns of text: longer lines are hard to read, shorter ones hold no trace."""

PLAIN = dict(zip("▁▂▃▄▅▆▇█", "__..--^^", strict=True))
PLAIN |= {"─": "-", "·": "-", "→": "->", "±": "+-", "▲": "^", "°": "deg ", "–": "-", "…": "...", "Ω": "ohm", "²": "2"}


def width() -> int:
    """Columns of text on this terminal; 80 where the output goes into a file or a pipe."""
    return min(max(shutil.get_terminal_size((80, 24)).columns, NARROWEST), WIDEST)


def allow_any_encoding() -> None:
    """Let output that knows no UTF-8 show something plainer, instead of breaking off at the first degree sign."""
    codecs.register_error("plain", _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="plain")


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(PLAIN.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


@contextmanager
def progress(what: str, stream: TextIO | None = None) -> Iterator[Callable[[float], None]]:
    """Draw a bar that its callback fills, 0 to 1; silent where the stream is no terminal."""
    out = stream or sys.stderr
    if not out.isatty():
        yield lambda fraction: None
        return
    columns = _columns(out)
    head = what[: max(columns - 8, 0)]
    bar = max(min(BAR_WIDTH, columns - len(head) - 9), 0)
    shown = -1

    def show(fraction: float) -> None:
        nonlocal shown
        percent = round(100 * min(max(fraction, 0.0), 1.0))
        if percent == shown:
            return
        shown = percent
        filled = bar * percent // 100
        out.write(f"\r{head} {'█' * filled}{'·' * (bar - filled)} {percent:3d} %")
        out.flush()

    show(0.0)
    try:
        yield show
    finally:
        out.write("\r" + " " * (len(head) + bar + 7) + "\r")  # by blanks: not every terminal knows the code that erases
        out.flush()


def _columns(out: TextIO) -> int:
    """Of the terminal that the stream goes to: standard output may be a pipe while the bar is on the screen."""
    try:
        return os.get_terminal_size(out.fileno()).columns or 80
    except (OSError, ValueError):
        return 80
