"""Which analysis made some findings, so that those of another one count as stale.

Told by the text of the program itself: a number kept by hand is forgotten, and a digest costs one analysis too many at
worst. The season's verdicts are laid over the findings, so its text counts as well.
"""

import hashlib
from functools import cache
from pathlib import Path

from logger import __version__

PACKAGE = Path(__file__).parents[1]
BESIDE = ("event.py", "channels.py", "channel_settings.py", "conversion.py", "store/calibrated.py", "season.py")
"""Beside the analysis: what an event is, how counts become the values that it looks at, and the season."""


@cache
def analysis_version() -> str:
    """The program's version and a digest of the analysis with what it reads, such as "0.1.0+3f9c2b7a10d4"."""
    return f"{__version__}+{digest(PACKAGE)}"


def digest(package: Path) -> str:
    """Twelve hexadecimal digits over names and contents of the files that findings rest on."""
    folder = package / "analysis"
    files = [path for path in folder.rglob("*") if path.suffix in (".py", ".toml")]
    text = hashlib.sha256()
    for path in [*sorted(files), *(package / name for name in BESIDE)]:
        text.update(f"{path.relative_to(package).as_posix()}\n".encode())
        text.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return text.hexdigest()[:12]
