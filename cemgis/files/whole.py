"""All-or-nothing writes: what is under a name is the old file or the new one, whole, at every moment."""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from cemgis.errors import InputError
from cemgis.files.lock import try_lock

__all__ = ["input_error", "try_room", "whole", "whole_folder", "write_bytes", "write_text"]

_MARK = ".building-"
_LOCK = "lock"
_BEFORE = ".before"  # what a folder was, while it is being replaced
_TRIES = 20
_PAUSE_S = 0.05
_NAME_BYTES = 150  # of the file's own name in the folder's; file systems stop at 255 bytes

_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_WHY = {
    **dict.fromkeys(_FULL, ("the disk is full, or its quota", "Make room and run it again.")),
    errno.EROFS: ("the disk can only be read", "Write to another folder."),
    errno.EACCES: (
        "no permission to write here",
        "Make the folder writable, or close the program that has the file open.",
    ),
    errno.EPERM: (
        "no permission to write here",
        "Make the folder writable, or close the program that has the file open.",
    ),
    errno.EBUSY: ("another program has it open", "Close it there and run it again."),
    errno.ENOENT: ("its folder is not there", "Make the folder first."),
    errno.ENOTDIR: ("its folder is a file", "Choose another name."),
    errno.EISDIR: ("a folder has that name", "Choose another name."),
    errno.ENAMETOOLONG: ("the name is too long", "Choose a shorter one."),
}
_SHARING = {32, 33}  # ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION (winerror.h)


def input_error(path: Path, error: OSError) -> InputError:
    """Say what a failed write means and what to do about it; the previous file is always still there.

    Examples
    --------
    >>> print(input_error(Path("ground.gpkg"), OSError(errno.ENOSPC, "No space left on device")))
    ground.gpkg: not written, the disk is full, or its quota. Make room and run it again.
    """
    if getattr(error, "winerror", None) in _SHARING:
        what, remedy = "another program has it open", "Close it there and run it again."
    else:
        unknown = (error.strerror or str(error), "Mend that and run it again.")
        what, remedy = _WHY.get(error.errno or 0, unknown)
    return InputError.of(str(path), f"not written, {what}", remedy)


@contextmanager
def whole(path: Path | str) -> Iterator[Path]:
    """Give a path to build a file at; when the block ends well, the file appears under `path` in one step.

    The file is built in a folder beside `path`, synced to the disk, and renamed. Until the rename, and when anything
    goes wrong, whatever was under `path` stays as it was and nothing is left beside it. What a killed run left
    behind is cleared away by the next one for the same name.

    Parameters
    ----------
    path : Path or str
        A link is followed.

    Yields
    ------
    Path
        Where to build; it has the name of `path`.

    Raises
    ------
    InputError
        When the folder cannot be written, the disk is full, a folder has that name, the file is write-protected or
        held open where the system forbids replacing it, or the block built nothing.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with whole(Path(folder) / "a.txt") as beside:
    ...         _ = beside.write_text("new")
    ...     [(item.name, item.read_text()) for item in Path(folder).iterdir()]
    [('a.txt', 'new')]
    """
    target = Path(os.path.realpath(path))
    try:
        if target.is_dir():
            raise input_error(target, OSError(errno.EISDIR, "is a directory"))
        protected = not target.stat().st_mode & stat.S_IWUSR
    except FileNotFoundError:
        protected = False
    except OSError as error:
        raise input_error(target, error) from error
    if protected:
        raise InputError.of(str(target), "not written, the file is write-protected", "Allow writing to it first.")
    with _workplace(target) as folder:
        beside = folder / target.name
        yield beside
        if not beside.is_file():
            raise InputError.of(str(target), "nothing was built", "Look at the messages before this one.")
        if target.exists():
            shutil.copymode(target, beside)
        _sync(beside)
        beside.replace(target)
        _sync_folder(target.parent)


@contextmanager
def whole_folder(path: Path | str) -> Iterator[Path]:
    """Give a path to build a folder at; when the block ends well, it appears under `path` in one step.

    A folder of that name is exchanged for it and deleted. Where the system cannot exchange two folders there is a
    moment without either; the next run for the same name puts the old one back if the process was killed then.

    Yields
    ------
    Path
        Where to make the folder; it is not there yet.

    Raises
    ------
    InputError
        As `whole`.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for text in ("old", "new"):
    ...         with whole_folder(Path(folder) / "a") as beside:
    ...             beside.mkdir()
    ...             _ = (beside / f"{text}.txt").write_text(text)
    ...     sorted(str(item.relative_to(folder)) for item in Path(folder).rglob("*"))
    ['a', 'a/new.txt']
    """
    target = Path(os.path.realpath(path))
    with _workplace(target) as folder:
        beside = folder / target.name
        yield beside
        if not beside.is_dir():
            raise InputError.of(str(target), "nothing was built", "Look at the messages before this one.")
        for file in beside.rglob("*"):
            if file.is_file():
                _sync(file)
        if target.exists() and not _exchange(beside, target):
            target.rename(folder / _BEFORE)
            try:
                beside.rename(target)
            except OSError:
                (folder / _BEFORE).rename(target)
                raise
        elif not target.exists():
            beside.rename(target)
        _sync_folder(target.parent)


@contextmanager
def _workplace(target: Path) -> Iterator[Path]:
    """Make a locked folder beside the target to build in, and take it away in the end."""
    prefix = "." + target.name.encode()[:_NAME_BYTES].decode(errors="ignore") + _MARK
    try:
        _sweep(target, prefix)
        folder, lock = _begin(target.parent, prefix)
    except OSError as error:
        raise input_error(target, error) from error
    try:
        with lock:
            yield folder
    except OSError as error:
        if error.filename is not None and folder not in Path(os.fsdecode(error.filename)).parents:
            raise  # about some other file the block touched
        raise input_error(target, error) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _begin(parent: Path, prefix: str) -> tuple[Path, BinaryIO]:
    """Make a folder whose lock tells a later run that it is being worked in."""
    for _ in range(_TRIES):
        folder = Path(tempfile.mkdtemp(prefix=prefix, dir=parent))
        try:
            lock = (folder / _LOCK).open("wb")
        except FileNotFoundError:
            continue  # a run that was clearing up took it for what a killed one left
        if not try_lock(lock):  # it is being cleared away, or the file system knows no locks
            time.sleep(_PAUSE_S)
        if (folder / _LOCK).exists():
            return folder, lock
        lock.close()
    raise OSError(errno.EBUSY, "cleared away again and again")


def _exchange(first: Path, second: Path) -> bool:
    """Exchange two folders in one step; return whether the system can do that."""
    system: str = sys.platform
    names = (os.fsencode(first), os.fsencode(second))
    try:
        if system == "linux":
            here, swap = -100, 2  # AT_FDCWD, RENAME_EXCHANGE (fcntl.h)
            return bool(ctypes.CDLL(None).renameat2(here, names[0], here, names[1], swap) == 0)
        if system == "darwin":
            return bool(ctypes.CDLL(None).renamex_np(*names, 2) == 0)  # RENAME_SWAP (stdio.h)
    except AttributeError:  # a C library without it
        pass
    return False


def try_room(folder: Path, need_bytes: int) -> None:
    """Raise what the system says when there is no room for so much: GDAL hides that behind errors of its own."""
    block = bytes(1 << 20)
    with (folder / "room").open("wb") as stream:
        for _ in range(need_bytes // len(block) + 1):
            stream.write(block)
        stream.flush()
        os.fsync(stream.fileno())
    (folder / "room").unlink()


def write_bytes(path: Path | str, content: bytes) -> None:
    """Write a file, all or nothing.

    Raises
    ------
    InputError
        As `whole`.
    """
    with whole(path) as beside, beside.open("wb") as stream:
        stream.write(content)


def write_text(path: Path | str, text: str) -> None:
    r"""Write a text in UTF-8 with ``\n`` line ends, all or nothing.

    Raises
    ------
    InputError
        As `whole`.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_text(Path(folder) / "a.txt", "12 ft\n")
    ...     (Path(folder) / "a.txt").read_bytes()
    b'12 ft\n'
    """
    write_bytes(path, text.encode())


def _sweep(target: Path, prefix: str) -> None:
    """Clear away what runs that were killed left behind: their locks are free."""
    for left in target.parent.iterdir():
        if not (left.name.startswith(prefix) and left.is_dir() and not left.is_symlink()):
            continue
        try:
            with (left / _LOCK).open("r+b") as lock:
                if not try_lock(lock):
                    continue
                before = left / _BEFORE
                if before.exists() and not target.exists():
                    before.rename(target)
                shutil.rmtree(left, ignore_errors=True)
            shutil.rmtree(left, ignore_errors=True)  # a system that does not delete what is open does so now
        except FileNotFoundError:
            with suppress(OSError):
                left.rmdir()  # killed before it had a lock; one that is just being made makes another
        except OSError:
            continue


def _sync(path: Path) -> None:
    with path.open("r+b" if os.name == "nt" else "rb") as stream:
        os.fsync(stream.fileno())


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last; Windows has no such call and needs none."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network file systems cannot
            raise
    finally:
        os.close(descriptor)
