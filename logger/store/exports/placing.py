"""Whole or not at all: files and folders that get their name only once they are finished.

Whatever interrupts the work leaves at most a hidden draft beside the name, never half a file under it; the next export
to that name takes it away once it is a day old.
"""

import os
import shutil
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from glob import escape
from pathlib import Path
from tempfile import mkdtemp

from logger.errors import StoreError

DRAFT = ".stumblelog-draft"
STALE_S = 86_400.0


@contextmanager
def whole_file(path: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """A draft to write to, which becomes `path` when the block ends well. Raises StoreError."""
    if path.exists() and not (overwrite and path.is_file()):
        raise StoreError(f"{path}: already exists; choose another name{'' if path.is_dir() else ' or say --overwrite'}")
    with _draft_beside(path) as folder:
        draft = folder / path.name
        yield draft
        with draft.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(draft, path)


@contextmanager
def whole_folder(
    folder: Path, *, overwrite: bool = False, is_ours: Callable[[Path], bool], what: str
) -> Iterator[Path]:
    """A draft folder, which becomes `folder` when the block ends well. Raises StoreError.

    is_ours: tells whether a folder of that name may be replaced; what: the kind that it must be.
    """
    if folder.exists() and not overwrite:
        raise StoreError(f"{folder}: already exists; choose another folder or say --overwrite")
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{folder}: is a file; only {what} is overwritten")
    if folder.exists() and any(folder.iterdir()) and not is_ours(folder):
        raise StoreError(f"{folder}: holds other files; only {what} is overwritten")
    with _draft_beside(folder) as beside:
        draft = beside / "new"
        draft.mkdir()
        yield draft
        if folder.exists():
            folder.rename(beside / "old")
        try:
            draft.rename(folder)
        except OSError:
            if (beside / "old").exists():
                (beside / "old").rename(folder)
            raise


def remove_stale(drafts: Iterable[Path]) -> None:
    """Take away what interrupted work left behind: folders older than a day, since at a younger one somebody may be
    at work."""
    for left in drafts:
        with suppress(FileNotFoundError):  # that work has just ended
            if time.time() - left.stat().st_mtime > STALE_S:
                shutil.rmtree(left, ignore_errors=True)


@contextmanager
def _draft_beside(path: Path) -> Iterator[Path]:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        remove_stale(path.parent.glob(f".{escape(path.name)}.*{DRAFT}"))
        beside = Path(mkdtemp(prefix=f".{path.name}.", suffix=DRAFT, dir=path.parent))
    except OSError as error:
        raise StoreError(f"{path}: cannot be written: {error.strerror or error}") from error
    try:
        yield beside
    except StoreError:
        raise
    except OSError as error:
        raise StoreError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
