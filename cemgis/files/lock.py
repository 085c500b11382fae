"""One writer at a time: a lock on a file of its own, let go by the system when its holder ends."""

from __future__ import annotations

import errno
import getpass
import json
import os
import platform
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from cemgis.errors import InputError

__all__ = ["hold", "try_lock", "unlock"]

# Windows locks bytes so that nobody else can read them: lock one far behind the text.
_BYTE = 1 << 30
_POLL_S = 0.05


def try_lock(stream: BinaryIO) -> bool:
    """Lock an open file for this process alone, without waiting; return whether it worked.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryFile() as stream:
    ...     try_lock(stream)
    True
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(_BYTE)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def unlock(stream: BinaryIO) -> None:
    """Let go of what `try_lock` took; closing the file does the same."""
    if sys.platform == "win32":
        import msvcrt

        stream.seek(_BYTE)
        msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, 1)
    else:
        import fcntl

        fcntl.flock(stream.fileno(), fcntl.LOCK_UN)


def _holder(path: Path) -> dict[str, object]:
    try:
        found = json.loads(path.read_bytes() or b"{}")
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


@contextmanager
def hold(path: Path, *, wait_s: float = 5.0) -> Iterator[None]:
    """Hold the one writer's lock while the block runs.

    The system frees the lock when the process ends, however it ends. It works between programs of one machine. A
    folder that several machines share or synchronise does not carry such locks, so the file also says who holds it:
    one that names another machine is respected until it is emptied or deleted.

    Parameters
    ----------
    path : Path
        The lock file; made when it is not there and left there, empty, afterwards.
    wait_s : float
        How long to wait for another writer.

    Raises
    ------
    InputError
        When another writer has it for longer than that, or the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, hold(Path(folder) / "writer.lock"):
    ...     "mine" if _holder(Path(folder) / "writer.lock")["process"] == os.getpid() else "whose?"
    'mine'
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
    except OSError as error:
        raise InputError.of(
            str(path), f"the lock file cannot be written ({error.strerror})", "Make its folder writable."
        ) from error
    with os.fdopen(descriptor, "r+b") as stream:
        until = time.monotonic() + wait_s
        while not try_lock(stream):
            if time.monotonic() >= until:
                holder = _holder(path)
                who = f"{holder.get('user', 'someone')}, process {holder.get('process', 'unknown')}"
                raise InputError.of(str(path), f"another program is writing here ({who})", "Wait until it has ended.")
            time.sleep(_POLL_S)
        try:
            holder, here = _holder(path), platform.node()
            if holder.get("machine", here) != here:
                raise InputError.of(
                    str(path),
                    f"{holder.get('user', 'someone')} on {holder['machine']} is writing here",
                    f"Wait until that has ended; if nothing runs there, delete {path.name}.",
                )
            text = json.dumps({"machine": here, "process": os.getpid(), "user": _user()}, sort_keys=True)
            try:
                _fill(stream, text.encode())
            except OSError as error:
                with suppress(OSError):
                    _fill(stream, b"")
                raise InputError.of(
                    str(path), f"the lock file cannot be written ({error.strerror})", "Make room and run it again."
                ) from error
            try:
                yield
            finally:
                with suppress(OSError):
                    _fill(stream, b"")
        finally:
            unlock(stream)


def _fill(stream: BinaryIO, content: bytes) -> None:
    # past the stream's own buffer: what it could not write it would try again on closing
    os.ftruncate(stream.fileno(), 0)
    os.lseek(stream.fileno(), 0, os.SEEK_SET)
    if os.write(stream.fileno(), content) < len(content):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "someone"
