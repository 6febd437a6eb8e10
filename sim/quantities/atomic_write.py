"""One way to write a file whole: the old one or the new one is there, whenever the process or the machine stops."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

PREFIX = ".halfstop-"


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
    pending: str = "",
) -> None:
    """Write bytes, or pieces of them, to a pending file beside the place, then give it the name in one step.

    Raises OSError, and then leaves nothing behind.

    durable: force the bytes to the disk before the file gets its name; `sync_folder` forces the name too.
    replace: False raises FileExistsError where the name is taken, or comes into being meanwhile.
    private: for this user alone. mode: these permissions; with neither, those of the file that is replaced, or what
    any new file gets here (the mask of the process is never touched: another thread may be making a file).
    follow_link: write the file that a symbolic link leads to; otherwise the link itself is replaced.
    prefix: of the pending file's name, the rest of which is random. pending: its whole name instead, so that one left
    by a crash is written over.
    """
    path = Path(os.path.realpath(path)) if follow_link else path
    place = path.with_name(pending or f"{prefix}{secrets.token_hex(8)}")
    if pending:
        place.unlink(missing_ok=True)
    if mode is None and not private and path.is_file() and not path.is_symlink():
        mode = path.stat().st_mode & 0o777
    handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600 if private else 0o666)
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


def sync_folder(folder: Path) -> None:
    """Force a folder's names to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
