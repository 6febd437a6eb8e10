"""One way to open a user's file: a regular file below a stated size, or one word why not; nothing else is read."""

from __future__ import annotations

import errno
import io
import os
import stat
from pathlib import Path

from sim.quantities.errors import HalfstopError

# No file of a user's is larger; most kinds have a far lower limit of their own.
MOST_BYTES_OF_ANY = 2 << 30
# What stands under a name that is no regular file, in the user's words.
_KINDS = {
    stat.S_IFDIR: "this is a folder",
    stat.S_IFIFO: "this is a pipe",
    stat.S_IFCHR: "this is a device",
    stat.S_IFBLK: "this is a device",
    stat.S_IFSOCK: "this is a socket",
}
_REASONS = {
    errno.ENOENT: "there is no such file",
    errno.ENOTDIR: "there is no such file",
    errno.EISDIR: "this is a folder",
    errno.ELOOP: "this link leads to itself",
    errno.EACCES: "this user may not read it",
    errno.EPERM: "this user may not read it",
    errno.ENAMETOOLONG: "the name is too long for a file",
    errno.ENXIO: "this is a socket",
}


class UnreadableFile(HalfstopError):
    """A file that is not read; `why` in words, for those who say it with a place of their own."""

    def __init__(self, path: str | Path, why: str) -> None:
        super().__init__(f"{path}: {why}; name a plain file that can be read")
        self.why = why


def open_file(path: str | Path, most_bytes: int) -> io.BufferedReader:
    """Open a regular file of at most `most_bytes` for reading.

    Raises `UnreadableFile` at once for a pipe, a device, a folder, a loop of links, a name that no file can have, and
    for a larger file; then nothing of it was read. A link to a regular file is followed.
    """
    try:
        # Ask before opening: to open a device can do something to it.
        _require_plain(path, os.stat(path), most_bytes)
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOCTTY | os.O_NONBLOCK)
    except (OSError, ValueError) as error:
        raise UnreadableFile(path, reason(error)) from None
    try:
        # Ask again of what was opened: the name may lead elsewhere by now.
        _require_plain(path, os.fstat(handle), most_bytes)
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def bytes_from_file(path: str | Path, most_bytes: int) -> bytes:
    """Bytes of a regular file of at most `most_bytes`; raises `UnreadableFile` as `open_file` does."""
    with open_file(path, most_bytes) as stream:
        try:
            # A file may grow, and some of the system's own state no size, so count what comes.
            data = stream.read(most_bytes + 1)
        except OSError as error:
            raise UnreadableFile(path, reason(error)) from None
    if len(data) > most_bytes:
        raise UnreadableFile(path, _too_large(f"more than {most_bytes} bytes", most_bytes))
    return data


def reason(error: OSError | ValueError) -> str:
    """Why a file could not be opened or read, in words.

    >>> reason(FileNotFoundError(2, "No such file or directory")), reason(ValueError("embedded null byte"))
    ('there is no such file', 'not a file name')
    """
    if not isinstance(error, OSError):
        return "not a file name"
    return _REASONS.get(error.errno or 0) or error.strerror or "it cannot be read"


def size_text(count: int) -> str:
    """A number of bytes as a person says it.

    >>> size_text(65536), size_text(8 << 20), size_text(3 << 30)
    ('64 KiB', '8 MiB', '3 GiB')
    """
    for unit, size in (("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10)):
        if count >= size:
            return f"{count / size:.3g} {unit}"
    return f"{count} bytes"


def _require_plain(path: str | Path, facts: os.stat_result, most_bytes: int) -> None:
    if not stat.S_ISREG(facts.st_mode):
        raise UnreadableFile(path, _KINDS.get(stat.S_IFMT(facts.st_mode), "this is no plain file"))
    if facts.st_size > most_bytes:
        raise UnreadableFile(path, _too_large(f"{facts.st_size} bytes", most_bytes))


def _too_large(size: str, most_bytes: int) -> str:
    return f"the file has {size}, and at most {size_text(most_bytes)} are read"
