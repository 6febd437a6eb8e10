"""Locks on a folder of results; the kernel frees them when their holder ends, however it ends."""

from __future__ import annotations

import errno
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

LOCK = ".halfstop.lock"
# A commit takes milliseconds.
WAIT_S = 60.0
PAUSE_S = 0.01


@contextmanager
def folder_lock(folder: Path) -> Iterator[None]:
    """Keep other runs from changing the files of `folder` meanwhile; nothing of it stays in the folder.

    Raises OSError where the folder takes no file, and TimeoutError where another run holds it for a minute.
    """
    path, handle = folder / LOCK, _held(folder / LOCK)
    try:
        yield
    finally:
        # Take the name away while the lock is held: whoever waits for this file sees that, and takes a new one.
        with suppress(OSError):
            path.unlink()
        os.close(handle)


def claim(path: Path) -> int:
    """Make a file and hold it; the handle that does, for the caller to close."""
    handle = _opened(path)
    _try_lock(handle)
    return handle


def is_claimed(path: Path) -> bool:
    """Whether a living process holds a file by `claim`; one that is not there nobody holds."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        return not _try_lock(handle)
    finally:
        os.close(handle)


def _held(path: Path) -> int:
    """Handle of the lock's file, once it is ours alone and still bears its name."""
    until = time.monotonic() + WAIT_S
    while True:
        handle = _opened(path)
        try:
            if _try_lock(handle) and _bears_name(handle, path):
                return handle
            if time.monotonic() > until:
                raise TimeoutError(errno.ETIMEDOUT, "another run is writing there")
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)
        time.sleep(PAUSE_S)


def _opened(path: Path) -> int:
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK, 0o666)


def _try_lock(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _bears_name(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.lstat(path))
    except FileNotFoundError:
        return False
