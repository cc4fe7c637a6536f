"""CURVE key files: made, read and put to use. Keys go by file path only, never in an argument, a plan or a record.

A key file is the plain text that pyzmq's `zmq.auth` reads (ZeroMQ's certificate layout, ZPL): `NAME.key` holds the
public key, `NAME.key_secret` both. The secret file is created with mode 0600 (zmq.auth's own writer leaves 0644), and
one that others may read is refused.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import zmq

from monitor.errors import WitnessError
from monitor.named_files import regular

_LAYOUT = '# {what}\n\nmetadata\ncurve\n    public-key = "{public}"\n'
_SECRET_LINE = '    secret-key = "{secret}"\n'
_OTHERS_MAY = 0o077


class KeyFileRefused(WitnessError):
    """Raised when a key file is missing, is no key file, or is not kept private."""


@dataclass(frozen=True, slots=True)
class CurveFiles:
    """Where a client's keys are: its own secret key file, and the public key file of the server it connects to."""

    own_secret: Path
    server_public: Path


def write_key_pair(directory: Path, name: str) -> tuple[Path, Path]:
    """Makes a new key pair; returns public and secret file. Overwrites nothing: raises `KeyFileRefused` instead."""
    require_curve()
    public, secret = (key.decode("ascii") for key in zmq.curve_keypair())
    public_path, secret_path = directory / f"{name}.key", directory / f"{name}.key_secret"
    layout = _LAYOUT.format(what=f"CURVE key of {name}", public=public)
    _write_new(secret_path, layout + _SECRET_LINE.format(secret=secret), 0o600)
    _write_new(public_path, layout, 0o644)
    return public_path, secret_path


def read_public_key(path: Path) -> bytes:
    """The public key in a key file (40 letters, Z85). Raises `KeyFileRefused`."""
    return _read(path)[0]


def read_key_pair(path: Path) -> tuple[bytes, bytes]:
    """Public and secret key of a secret key file. Raises `KeyFileRefused`, also where others may read the file."""
    public, secret = _read(path)
    if secret is None:
        raise KeyFileRefused(f"{path}: holds no secret key; give the .key_secret file of the pair")
    mode = path.stat().st_mode & 0o777
    if mode & _OTHERS_MAY:
        raise KeyFileRefused(f"{path}: others may read this secret key (mode {mode:04o}); run: chmod 600 {path}")
    return public, secret


def secure_client(socket: zmq.Socket[bytes], files: CurveFiles) -> None:
    """Makes connections of `socket` use CURVE. To be called before `connect`. Raises `KeyFileRefused`."""
    require_curve()
    server = read_public_key(files.server_public)
    socket.curve_publickey, socket.curve_secretkey = read_key_pair(files.own_secret)
    socket.curve_serverkey = server


class Gate:
    """Lets in only those clients whose public key files are in a directory, on every socket it guards.

    A bound CURVE socket without an authenticator lets in whoever knows its public key, hence one of these for whatever
    binds over tcp. Runs a thread of its own; `close` ends it.
    """

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], allowed: Path) -> None:
        from zmq.auth.thread import ThreadAuthenticator  # here, so that asyncio is loaded only where there are keys

        require_curve()
        if not allowed.is_dir():
            raise KeyFileRefused(f"{allowed}: is no directory; put the .key files of the allowed clients into one")
        self._allowed = allowed
        _refuse_irregular(*sorted(allowed.glob("*.key")))  # before there is a thread that would wait for one
        self._thread = ThreadAuthenticator(context)
        self._thread.start()
        self.reload()

    def guard(self, socket: zmq.Socket[bytes], secret: Path) -> None:
        """Makes `socket` a CURVE server with the key pair in `secret`. To be called before `bind`."""
        socket.curve_publickey, socket.curve_secretkey = read_key_pair(secret)
        socket.curve_server = True

    def reload(self) -> None:
        """Reads the directory again; a client refused before then gets in at its next connection. Raises
        `KeyFileRefused` for what has a key file's name and is no file: reading it might wait for ever."""
        _refuse_irregular(*sorted(self._allowed.glob("*.key")))
        self._thread.configure_curve(domain="*", location=str(self._allowed))

    def close(self) -> None:
        """Ends the thread."""
        self._thread.stop()


def require_curve() -> None:
    """Raises `KeyFileRefused` where the installed ZeroMQ library has no CURVE."""
    if not zmq.has("curve"):
        raise KeyFileRefused("the installed ZeroMQ library was built without CURVE; install a pyzmq wheel that has it")


def _read(path: Path) -> tuple[bytes, bytes | None]:
    from zmq.auth import load_certificate  # here: without keys nothing else needs it, and it loads logging

    require_curve()
    _refuse_irregular(path)
    try:
        public, secret = load_certificate(str(path))
        zmq.utils.z85.decode(public)
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else "it has no CURVE key in it"
        raise KeyFileRefused(f"{path}: cannot be used as a key file: {why}") from error
    return public, secret


def _refuse_irregular(*paths: Path) -> None:
    for path in paths:
        try:
            os.close(regular(path))
        except OSError as error:
            raise KeyFileRefused(f"{path}: cannot be used as a key file: {error.strerror}") from error


def _write_new(path: Path, text: str, mode: int) -> None:
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    except OSError as error:
        raise KeyFileRefused(f"{path}: cannot be written: {error.strerror}") from error
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(text)
