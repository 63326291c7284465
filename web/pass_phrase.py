"""The pass-phrase: drawn at random, shown once, kept as a hash."""

import hashlib
import hmac
import json
import os
import secrets
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from logger.errors import StoreError
from logger.recorder.place import replace_file

LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""No letter or digit that reads like another."""
N_GROUPS, GROUP = 3, 4
"""12 of 31 letters are 59 bits: at five tries a second, half of them take more than a thousand million years."""
SCRYPT = {"n": 2**14, "r": 8, "p": 5}
"""RFC 7914's parameters: 16 MiB of memory, which the smallest Pi can spare, and five passes over it."""
SCRYPT_MAX_BYTES = 64 << 20
DAY_S = 86400.0
ONCE_S = DAY_S


@dataclass(frozen=True, slots=True)
class PassPhrase:
    """What is kept of a pass-phrase. once: mark of the address that logs one device in, until once_until_s."""

    salt: str
    hash: str
    n: int
    r: int
    p: int
    once: str
    once_until_s: float

    def __post_init__(self) -> None:
        bytes.fromhex(self.salt + self.hash)

    def is_of(self, pass_phrase: str) -> bool:
        """Whether it is kept of that one. Takes a fifth of a second or more."""
        return hmac.compare_digest(_scrypt(pass_phrase, self.salt, self.n, self.r, self.p), self.hash)

    def mark(self, token: str) -> str:
        """What is kept of something random that was handed out."""
        return hmac.new(bytes.fromhex(self.hash), token.encode(errors="replace"), "sha256").hexdigest()


def pass_phrase_file(data_dir: Path) -> Path:
    """Where it is kept."""
    return data_dir / "access" / "pass-phrase.json"


def make_pass_phrase(data_dir: Path, now_s: float) -> tuple[str, str]:
    """Make a new pass-phrase, which ends what the old one opened.

    Returns it, and the token of the address that logs one device in. Neither is kept as it is.
    """
    letters = [secrets.choice(LETTERS) for _ in range(N_GROUPS * GROUP)]
    pass_phrase = "-".join("".join(letters[at : at + GROUP]) for at in range(0, len(letters), GROUP))
    once, salt = secrets.token_urlsafe(16), secrets.token_hex(16)
    kept = PassPhrase(salt, _scrypt(pass_phrase, salt, **SCRYPT), **SCRYPT, once="", once_until_s=now_s + ONCE_S)
    data = json.dumps(asdict(replace(kept, once=kept.mark(once))), indent=1).encode()
    path = pass_phrase_file(data_dir)
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        # Root's file the page could not read, nor root trust that folder; Windows knows neither.
        if hasattr(os, "geteuid") and data_dir.stat().st_uid != os.geteuid():
            raise StoreError(f"{data_dir}: belongs to {_owner(data_dir)}; begin with: sudo -u {_owner(data_dir)}")
        path.parent.mkdir(mode=0o700, exist_ok=True)
        replace_file(path, data, durable=True, mode=0o600)
    except StoreError:
        raise
    except OSError as error:
        raise StoreError(f"{path}: cannot be written: {error.strerror or error}") from error
    return pass_phrase, once


def _owner(path: Path) -> str:
    """As sudo takes it, also where the user has no name here."""
    try:
        return path.owner()
    except KeyError:
        return f"'#{path.stat().st_uid}'"


def _scrypt(pass_phrase: str, salt: str, n: int, r: int, p: int) -> str:
    """Hyphens, spaces and capitals, which a phone adds by itself, do not count."""
    plain = "".join(letter for letter in pass_phrase.lower() if letter in LETTERS)
    return hashlib.scrypt(
        plain.encode(), salt=bytes.fromhex(salt), n=n, r=r, p=p, maxmem=SCRYPT_MAX_BYTES, dklen=32
    ).hex()
