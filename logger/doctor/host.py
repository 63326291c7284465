"""The machine under us as files and commands, behind one small object that a test can put another machine into."""

import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

PATIENCE_S = 3.0


def _run(command: Sequence[str]) -> str | None:
    """What a command prints, whatever its exit code; None where there is no such command or it hangs."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout.strip()


@dataclass(frozen=True)
class Host:
    """root: where its file system begins. run: output of a command, None where it cannot be run."""

    root: Path = Path("/")
    run: Callable[[Sequence[str]], str | None] = _run

    def path(self, name: str) -> Path:
        """A path of that machine, given from its root."""
        return self.root / name.lstrip("/")

    def read(self, name: str) -> str | None:
        """A small file's text without what surrounds it; None where it is not there or may not be read."""
        try:
            return self.path(name).read_bytes().decode("utf-8", "replace").strip("\0\n ")
        except OSError:
            return None

    def number(self, name: str) -> int | None:
        """A file that holds one number, also as 0x...; None where it holds none."""
        text = self.read(name)
        try:
            return None if text is None else int(text.split()[0], 0)
        except (ValueError, IndexError):
            return None

    def find(self, folder: str, pattern: str) -> list[Path]:
        """Paths in a folder, sorted; none where it is not there."""
        return sorted(self.path(folder).glob(pattern))

    @property
    def model(self) -> str:
        """The board's own name; empty where it has none."""
        return self.read("/proc/device-tree/model") or ""

    @property
    def is_pi(self) -> bool:
        return "Raspberry Pi" in self.model
