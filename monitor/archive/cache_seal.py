"""Seals on caches, so that what a cache says is what this program put there, and nothing else is ever believed.

A checksum can be put right by whoever changes a cache. These seals are codes (HMAC with SHA-256, RFC 2104) by a key
that is made once for each user of a machine: 32 random bytes in `cache.key` in the user's state directory, readable by
that user alone. A cache from elsewhere is made again; without a key none is used or kept. Whoever can read the key can
judge records with another program just as well; `verify` makes each cache again and compares.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

from monitor.record.disk import open_regular

KEY_BYTES = 32
SEAL_BYTES = 16


def key_file() -> Path:
    """Where the key is: under XDG_STATE_HOME, else ~/.local/state."""
    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "trialwitness" / "cache.key"


def seal_of(data: bytes, about: bytes = b"") -> bytes | None:
    """The seal of some bytes and of what they are about; None where there is no key."""
    key = _key(key_file())
    if key is None:
        return None
    return hmac.digest(key, hashlib.sha256(about).digest() + data, "sha256")[:SEAL_BYTES]


def seal_holds(seal: object, data: bytes, about: bytes = b"") -> bool:
    """Whether a seal is ours, of these bytes about that."""
    expected = seal_of(data, about)
    return expected is not None and isinstance(seal, bytes) and hmac.compare_digest(seal, expected)


def key_mark() -> str | None:
    """Tells one key from another without telling the key; None where there is none."""
    seal = seal_of(b"which key is it?")
    return None if seal is None else seal.hex()[:16]


@lru_cache(maxsize=4)
def _key(path: Path) -> bytes | None:
    with suppress(OSError):
        _make(path)
    try:
        descriptor = open_regular(path)
        try:
            state = os.fstat(descriptor)
            key = os.read(descriptor, KEY_BYTES + 1)
        finally:
            os.close(descriptor)
    except OSError:
        return None
    private = state.st_uid == os.geteuid() and not stat.S_IMODE(state.st_mode) & 0o077
    return key if private and len(key) == KEY_BYTES else None


def _make(path: Path) -> None:
    """Makes the key where there is none; of two processes that try, both have the first one's."""
    if path.exists():
        return
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        os.write(descriptor, secrets.token_bytes(KEY_BYTES))
        os.fsync(descriptor)
        with suppress(FileExistsError):
            os.link(draft, path)
    finally:
        os.close(descriptor)
        draft.unlink()
