"""What several commands share: where the data lies, how an event is named, and how the store is opened."""

import argparse
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.report import Reader
    from logger.settings import Settings
    from logger.store.store import Store

SETTINGS_FILE = Path("/etc/stumblelog/settings.toml")
DATA_DIR_VARIABLE = "STUMBLELOG_DATA_DIR"


def add_data_dir(parser: argparse.ArgumentParser) -> None:
    """The option of every command that reaches the store."""
    parser.add_argument(
        "--data-dir",
        type=Path,
        metavar="DIR",
        help=f"folder of recordings and logbook (default: ${DATA_DIR_VARIABLE}, else what {SETTINGS_FILE} says, "
        "else a folder in your home)",
    )


def add_settings(parser: argparse.ArgumentParser) -> None:
    """The option of the commands that know the wiring."""
    parser.add_argument(
        "--settings",
        type=Path,
        metavar="FILE",
        help=f"settings file (default: {SETTINGS_FILE}, else the default wiring)",
    )


def add_event(parser: argparse.ArgumentParser) -> None:
    """The argument of every command on one event."""
    parser.add_argument("event", metavar="EVENT", help='id of the event or the beginning of it, its name, or "latest"')


def settings_of(args: argparse.Namespace) -> "Settings":
    """The settings file that was named, the installed one, or the default wiring."""
    from logger import settings

    path = getattr(args, "settings", None)
    if path is None and SETTINGS_FILE.is_file():
        path = SETTINGS_FILE
    return settings.default() if path is None else settings.load(path)


def data_dir_of(args: argparse.Namespace) -> Path:
    """Where recordings and logbook lie: the option, the environment, the installed settings, or the user's home."""
    if args.data_dir is not None:
        return Path(args.data_dir)
    if DATA_DIR_VARIABLE in os.environ:
        return Path(os.environ[DATA_DIR_VARIABLE])
    if getattr(args, "settings", None) is not None or SETTINGS_FILE.is_file():
        return Path(settings_of(args).recorder.data_dir)
    return Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share") / "stumblelog"


def open_store(args: argparse.Namespace) -> "Store":
    """Open the store for one command; use it in a `with` block."""
    from logger.store.store import Store

    return Store(data_dir_of(args))


def reader_of(args: argparse.Namespace, store: "Store | None" = None, *, for_file: bool = False) -> "Reader":
    """For whom a text report is set: the settings' units, or those entered since on the page; this machine's time
    zone; and this terminal's width or a file's."""
    from logger.commands import terminal
    from logger.report import WIDTH, Reader
    from logger.units import Units

    width = WIDTH if for_file else terminal.width()
    display = settings_of(args).display
    return Reader(Units.of(display if store is None else store.changed_display(display)), width=width)


def fresh_findings(store: "Store", event_id: str) -> dict[str, Any]:
    """What was found in an event, analysed anew where anything it depends on has changed. Raises AnalysisError."""
    from logger.commands import terminal
    from logger.work import analyse_event

    stored = store.stored_findings(event_id)
    if stored is not None and stored.fresh:
        return stored.findings
    with terminal.progress("analysing") as progress:
        analyse_event(store, event_id, progress)
    return store.findings(event_id) or {}
