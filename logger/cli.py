"""The `stumblelog` command: finds the sub-command, runs it, and turns our errors into one line and exit code 2."""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from textwrap import fill

from logger import __version__
from logger.commands import terminal
from logger.errors import StumblelogError

# The module differs from the command where the command is a word of the language.
COMMANDS = {
    "record": "record",
    "serve": "serve",
    "demo": "demo",
    "check": "check",
    "calibrate": "calibrate",
    "doctor": "doctor",
    "import": "import_folder",
    "export": "export",
    "analyse": "analyse",
    "repair": "repair",
    "report": "report",
    "fetch": "fetch",
    "work": "work",
}

EXIT_REFUSED = 2
EXIT_INTERRUPTED = 130


def build_parser() -> argparse.ArgumentParser:
    """The whole command line, each command with one sentence and one example."""
    parser = argparse.ArgumentParser(
        prog="stumblelog",
        description="Records an old car's signals, finds each moment the engine stumbled and what failed first.",
        epilog="Set DEBUG=1 to see the traceback of an error.",
    )
    parser.add_argument("--version", action="version", version=f"stumblelog {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, module_name in COMMANDS.items():
        module = import_module(f"logger.commands.{module_name}")
        command = commands.add_parser(
            name,
            help=module.HELP,
            description=fill(module.HELP, terminal.width()),
            epilog=f"Example: {module.EXAMPLE}",
            formatter_class=argparse.RawDescriptionHelpFormatter,  # an example cut at a hyphen cannot be copied
        )
        module.add_arguments(command)
        command.set_defaults(run=module.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code (2 for anything the user can put right)."""
    terminal.allow_any_encoding()
    args = build_parser().parse_args(argv)
    try:
        return int(args.run(args))
    except BrokenPipeError:
        # The reader of our output (a pager, head) has left. Point stdout elsewhere, or Python's flush at exit fails.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except (StumblelogError, OSError) as error:  # OSError: a file that may not be read or written
        if os.environ.get("DEBUG") == "1":
            raise
        print(f"stumblelog {args.command}: {_said(error)}", file=sys.stderr)
        return EXIT_REFUSED
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED


def _said(error: StumblelogError | OSError) -> str:
    """The error in words; of the system's own only what it names and why."""
    if isinstance(error, StumblelogError) or not isinstance(error, OSError) or error.strerror is None:
        return str(error)
    return f"{error.filename}: {error.strerror}" if error.filename else error.strerror


if __name__ == "__main__":
    raise SystemExit(main())
