"""One way to write a file whole: the old one or the new one is there, whenever the process or the machine stops."""

from __future__ import annotations

import fcntl
import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

PREFIX = ".halfstop-pending-"


def write_whole(
    path: Path,
    data: bytes | Iterable[bytes | memoryview],
    *,
    durable: bool = False,
    replace: bool = True,
    private: bool = False,
    mode: int | None = None,
    follow_link: bool = False,
    prefix: str = PREFIX,
) -> None:
    """Write bytes, or pieces of them, to a pending file beside the place, then give it the name in one step.

    Raises OSError, and then leaves nothing behind. A process killed outright may leave the pending file: whoever writes
    it holds a lock on it, so that `sweep_pending` tells the one from the other.

    durable: force the bytes to the disk before the file gets its name; `sync_folder` forces the name too.
    replace: False raises FileExistsError where the name is taken, or comes into being meanwhile.
    private: for this user alone. mode: these permissions; with neither, those of the file that is replaced, or what
    any new file gets here (the mask of the process is never touched: another thread may be making a file).
    follow_link: write the file that a symbolic link leads to; otherwise the link itself is replaced.
    prefix: of the pending file's name, the rest of which is random.
    """
    path = Path(os.path.realpath(path)) if follow_link else path
    if mode is None and not private and path.is_file() and not path.is_symlink():
        mode = path.stat().st_mode & 0o777
    place, handle = _pending_file(path, prefix, 0o600 if private else 0o666)
    lock = os.dup(handle)
    try:
        with os.fdopen(handle, "wb") as stream:
            for piece in (data,) if isinstance(data, bytes) else data:
                stream.write(piece)
            stream.flush()
            if mode is not None:
                os.fchmod(stream.fileno(), mode)
            if durable:
                os.fsync(stream.fileno())
        if replace:
            os.replace(place, path)
        else:
            # A link refuses a name that is taken, where a rename would not.
            os.link(place, path)
            place.unlink()
    except BaseException:
        with suppress(OSError):
            place.unlink()
        raise
    finally:
        os.close(lock)


def sweep_pending(folder: Path, prefix: str = PREFIX) -> None:
    """Remove the pending files of `folder` whose writer ended before it was done; no clock decides that."""
    with suppress(OSError), os.scandir(folder) as entries:
        pending = [
            entry.path for entry in entries if entry.name.startswith(prefix) and entry.is_file(follow_symlinks=False)
        ]
        for path in pending:
            with suppress(OSError):
                _remove_unless_held(path)


def _remove_unless_held(path: str) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # Remove it before the lock goes: a writer that waits for the lock sees its name gone, and takes another.
        os.unlink(path)
    finally:
        os.close(handle)


def _pending_file(path: Path, prefix: str, permissions: int) -> tuple[Path, int]:
    """A new file beside `path`, and a handle on it that holds its lock."""
    while True:
        place = path.with_name(f"{prefix}{secrets.token_hex(8)}")
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, permissions)
        # Some network folders know no locks: there nothing is swept either.
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX)
        if os.fstat(handle).st_nlink:
            return place, handle
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Force a folder's names to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
