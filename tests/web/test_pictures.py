"""The README's pictures: each that it shows is there, each that is there is shown, and all are small."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
MOST_BYTES = 150_000


def test_the_readme_shows_every_picture_and_each_is_small() -> None:
    shown = set(re.findall(r"\]\(web/pictures/([\w-]+\.png)\)", (ROOT / "README.md").read_text(encoding="utf-8")))
    files = {path.name: path for path in (ROOT / "web" / "pictures").iterdir()}
    assert shown == files.keys()
    for path in files.values():
        content = path.read_bytes()
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        assert len(content) <= MOST_BYTES, path.name
