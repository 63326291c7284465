"""Everything the page says, in one file per language (en.toml); the pages and the scripts both read it."""

import tomllib
from importlib.resources import files
from typing import Any

TEXTS: dict[str, Any] = tomllib.loads(files(__package__).joinpath("en.toml").read_text(encoding="utf-8"))


def text(key: str, **values: object) -> str:
    """The words under a dotted key, with {names} filled in. Raises KeyError for a key that en.toml lacks."""
    found: Any = TEXTS
    for part in key.split("."):
        found = found[part]
    return str(found).format(**values) if values else str(found)
