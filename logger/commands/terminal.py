"""What the commands share of the terminal: a progress bar on standard error."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

BAR_WIDTH = 40


@contextmanager
def progress(what: str, stream: TextIO | None = None) -> Iterator[Callable[[float], None]]:
    """Draw a bar that its callback fills, 0 to 1; silent where the stream is no terminal."""
    out = stream or sys.stderr
    if not out.isatty():
        yield lambda fraction: None
        return
    shown = -1

    def show(fraction: float) -> None:
        nonlocal shown
        percent = round(100 * min(max(fraction, 0.0), 1.0))
        if percent == shown:
            return
        shown = percent
        filled = BAR_WIDTH * percent // 100
        out.write(f"\r{what} {'█' * filled}{'·' * (BAR_WIDTH - filled)} {percent:3d} %")
        out.flush()

    show(0.0)
    try:
        yield show
    finally:
        out.write("\r\x1b[K")
        out.flush()
