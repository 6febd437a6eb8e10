"""Where the room keeps what is not saved yet, from session to session, and how its files are named and read."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path

from sim.quantities.errors import HalfstopError


def state_folder_from_environment(environ: Mapping[str, str] = os.environ) -> Path:
    """The user's folder for journals: HALFSTOP_STATE, or the place that the XDG base directories give for state.

    Source: XDG Base Directory Specification 0.8, `$XDG_STATE_HOME`, default `$HOME/.local/state`.
    Does not: make the folder.
    """
    asked, state_home, home = (environ.get(name, "").strip() for name in ("HALFSTOP_STATE", "XDG_STATE_HOME", "HOME"))
    if asked:
        return Path(asked).expanduser()
    # The specification has relative paths ignored.
    if state_home and Path(state_home).is_absolute():
        return Path(state_home) / "halfstop" / "room"
    if home:
        return Path(home) / ".local" / "state" / "halfstop" / "room"
    raise HalfstopError("there is no home folder to keep unsaved changes in; set HALFSTOP_STATE to a folder")


def stem_from_path(path: Path) -> str:
    """Name of a scene file's own files in the state folder: its name and a digest of its full path."""
    # This name and the endings that follow it (.journal, .lock, .slots and theirs) stay as they are whatever the code
    # calls what is in them: under another name, what users kept would not be met again.
    real = os.path.realpath(path)
    digest = hashlib.blake2b(os.fsencode(real), digest_size=8).hexdigest()
    safe = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in Path(real).stem)[:40]
    return f"{safe}-{digest}"


def bytes_from_file(path: Path, most: int, *, follow_link: bool = True) -> bytes:
    """The bytes of a plain file, at most `most` of them; raises OSError, for a pipe or a device at once."""
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | (0 if follow_link else os.O_NOFOLLOW)
    with os.fdopen(os.open(path, flags), "rb") as stream:
        if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
            raise OSError(0, "this is no plain file")
        return stream.read(most)


def put_aside(path: Path) -> str:
    """Give what cannot be used a new name beside its own, whatever it is; the line that says so, or an empty one."""
    if not os.path.lexists(path):
        return ""
    taken = [number for number, _ in numbered(path, "damaged")]
    aside = path.with_name(f"{path.name}.damaged-{max(taken, default=0) + 1}")
    os.rename(path, aside)
    return f"{path.name} could not be read and was put aside as {aside}"


def numbered(path: Path, label: str) -> Iterator[tuple[int, Path]]:
    """Files beside a path that have its name and then `.label-` and a number: each number and file."""
    for place in path.parent.glob(f"{path.name}.{label}-*"):
        number = place.suffix.removeprefix(f".{label}-")
        if number.isdigit():
            yield int(number), place
