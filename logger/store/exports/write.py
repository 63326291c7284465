"""The one door to all forms of export."""

import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from logger.errors import StoreError
from logger.store.exports.contents import opened
from logger.store.exports.forms import FORMS, Form
from logger.store.store import Store


def write(
    store: Store,
    event_id: str,
    form: Form,
    to: Path,
    *,
    overwrite: bool = False,
    car: str = "car",
    reports: Mapping[str, str] | None = None,
    progress: Callable[[float], None] = lambda share: None,
    keep_free_mb: float = 0.0,
) -> Path:
    """Write an event in one form, whole or not at all; returns the file or folder that holds it.

    to: a file for sqlite and bundle, a folder otherwise; a folder of Parquet may hold other events already. car: names
    the car in that folder. reports: what a bundle brings for people. progress: called with the share done, 0 to 1.
    keep_free_mb: given up where less than that would be left beside the store. Raises StoreError where the name is
    taken, the event cannot be read, or the disk refuses.
    """
    progress = leaving_room(store.data_dir, keep_free_mb, progress)
    check_room(store.data_dir, keep_free_mb)  # before a growing recording is copied
    with opened(store, event_id) as contents:
        match form:
            case "csv":
                from logger.store.exports.csv_folder import write_csv

                write_csv(contents, to, overwrite=overwrite, progress=progress)
            case "sqlite":
                from logger.store.exports.sqlite_file import write_sqlite

                write_sqlite(contents, to, overwrite=overwrite, progress=progress)
            case "parquet":
                from logger.store.exports.parquet_folder import write_parquet

                return write_parquet(contents, to, car=car, overwrite=overwrite, progress=progress)
            case "bundle":
                from logger.store.bundle import write_bundle

                write_bundle(contents, to, reports or {}, overwrite=overwrite, progress=progress)
            case "mdf":
                from logger.store.exports.mdf_files import write_mdf

                write_mdf(contents, to, overwrite=overwrite, progress=progress)
            case _:
                raise StoreError(f"form is {form!r}; the forms are {', '.join(FORMS)}")
    return to


def leaving_room(disk: Path, least_mb: float, progress: Callable[[float], None]) -> Callable[[float], None]:
    """A `progress` that looks after the room that is left: a recording that grows there comes first."""

    def look(share: float) -> None:
        check_room(disk, least_mb)
        progress(share)

    return look


def check_room(disk: Path, least_mb: float) -> None:
    """Raise StoreError where less than that is left."""
    free_mb = shutil.disk_usage(disk).free / 1e6
    if free_mb < least_mb:
        raise StoreError(
            f"given up: only {free_mb:.0f} MB are left beside the recordings, and they keep {least_mb:.0f} MB; "
            "export to another disk, or fetch and delete old recordings"
        )
