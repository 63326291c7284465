"""SQLite files on disk: recordings and logbook; capture folders in, event files out.

For scripts and notebooks there is one function to know::

    import logger.store

    event = logger.store.open_event("hollow-quarry.zip")     # or a capture folder, an exported file, a data directory
    for stumble in event.stumbles:                           # logger.analysis.findings.Stumble
        feed = event.trace(stumble.recording, "ignition_feed_voltage")
        near = abs(feed.time_ns / 1e9 - stumble.onset_s) < 1.0
        print(stumble.cause, feed.value[near].min())
"""

from os import PathLike
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logger.store.door import OpenEvent


def open_event(path: "str | PathLike[str]", event: str = "latest") -> "OpenEvent":
    """Open an event for analysis, wherever it lies; use it in a `with` block, or close it.

    path: a capture folder, a bundle (.zip), an exported SQLite file, a folder of partitioned Parquet, or the data
    directory of a logger. event: which one, where there are several: its id or the beginning of it, its name, or
    "latest". No file of samples is ever changed. Raises StoreError or CaptureError, naming what is wrong.
    """
    from logger.store.door import open_event  # here: the recorder, which uses this package, must not wait for Arrow

    return open_event(path, event)
