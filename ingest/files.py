"""Files that survive a power cut: publish whole or not at all, and swap two folders in one step."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import json
import os
import uuid
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from ingest import failpoints

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TEMPORARY = ".tmp-"
"""Start of a temporary file's name: readers of Parquet folders pass over names that start with a dot."""

FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
"""Error numbers that mean that the disk, or this user's share of it, is full."""

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_UNSUPPORTED = frozenset({errno.ENOSYS, errno.EINVAL, errno.ENOTSUP})


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, their names durable."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def write_all(fd: int, data: bytes | memoryview, place: str) -> None:
    """Write every byte, however often the system call stops short.

    Raises
    ------
    OSError
        If the disk is full or broken; some bytes may then be written.
    """
    part = failpoints.half(place, data)
    if len(part) < len(data):
        os.write(fd, part)
    failpoints.reach(place)
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]


def publish(path: Path, data: bytes, kind: str) -> None:
    """Put a file in its place whole and durable, or leave what was there.

    Parameters
    ----------
    path : Path
        Where it shall stand; its folder is made where missing.
    data : bytes
        Its content.
    kind : str
        One of `ingest.failpoints.WRITES`.
    """
    make_folder(path.parent)
    temporary = path.with_name(f"{TEMPORARY}{uuid.uuid4().hex}.part")
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    try:
        try:
            write_all(fd, data, f"{kind}.write")
            failpoints.reach(f"{kind}.fsync")
            os.fsync(fd)
        finally:
            os.close(fd)
        failpoints.reach(f"{kind}.rename")
        temporary.rename(path)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise
    failpoints.reach(f"{kind}.folder")
    sync_folder(path.parent)


def publish_soon(path: Path, content: dict[str, Any], *, padded: int = 0) -> None:
    """Put a small JSON file in its place whole, without waiting for the disk: status, not data.

    Parameters
    ----------
    path : Path
        Where it shall stand.
    content : dict
        What it shall say.
    padded : int
        Length that it has at least. [bytes]

    Raises
    ------
    OSError
        If the disk is full or broken; what was there stays.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f"{TEMPORARY}{path.name}")
    try:
        temporary.write_text(json.dumps(content).ljust(padded), encoding="utf-8")
    except OSError:
        temporary.unlink(missing_ok=True)
        raise
    temporary.rename(path)


def exchange(one: Path, other: Path) -> bool:
    """Swap two folders' names in one step, so that no reader sees both or neither.

    Parameters
    ----------
    one, other : Path
        Two existing folders on one file system.

    Returns
    -------
    bool
        True where the file system swapped them; False where it cannot, and nothing was done.

    Raises
    ------
    OSError
        If a folder is missing, or the disk is broken.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    try:
        rename = libc.renameat2
    except AttributeError:
        return False
    if rename(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in _UNSUPPORTED:
        return False
    raise OSError(number, os.strerror(number), str(one), None, str(other))


@contextmanager
def locked(path: Path, *, wait: bool) -> Iterator[bool]:
    """Hold an advisory lock on a file while the block runs; it ends with the process, however that ends.

    Parameters
    ----------
    path : Path
        The lock file, made where missing.
    wait : bool
        Whether to wait for who holds it.

    Yields
    ------
    bool
        False where another process holds it and `wait` is False.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            yield False
            return
        yield True
    finally:
        os.close(fd)
