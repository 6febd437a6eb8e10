"""A lock so that one process alone edits a scene file."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from sim.quantities.errors import HalfstopError, one_line
from sim.room.document.state_folder import put_aside, stem_from_path

# What a process wrote that holds a scene: an address, no more.
LONGEST_ADDRESS_BYTES = 4096


class SceneInUse(HalfstopError):
    """Another process has the scene file open; `address` is where its page is, or empty."""

    def __init__(self, path: Path, address: str) -> None:
        where = f"; it is open at {address}" if address else ""
        super().__init__(f"{path}: this scene is open in another room{where}; close that one, or go on there")
        self.address = address


class FileLock:
    """Held by one process for one scene file; ends with the process, however that ends.

    What stands in its place and is no file of ours is put aside; `damage` says so in a line, or is empty.
    """

    def __init__(self, scene: Path, folder: Path) -> None:
        self.path = folder / f"{stem_from_path(scene)}.lock"
        self.damage = ""
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._handle = self._opened()
        except OSError as error:
            what = f"{folder}: unsaved changes cannot be kept there: {error.strerror}"
            raise HalfstopError(f"{what}; set HALFSTOP_STATE to a folder of yours") from None
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            address = os.pread(self._handle, LONGEST_ADDRESS_BYTES, 0).decode("utf-8", "replace")
            os.close(self._handle)
            raise SceneInUse(scene, one_line(address)) from None
        os.ftruncate(self._handle, 0)

    def _opened(self) -> int:
        # Never through a link, and never waiting for the other end of a pipe.
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
        if os.path.lexists(self.path) and (self.path.is_symlink() or not self.path.is_file()):
            self.damage = put_aside(self.path)
        return os.open(self.path, flags, 0o600)

    def announce(self, address: str) -> None:
        """Tell whoever finds the scene locked where it is open."""
        os.ftruncate(self._handle, 0)
        os.pwrite(self._handle, address.encode("utf-8"), 0)

    def release(self) -> None:
        """Give the scene file up."""
        if self._handle >= 0:
            os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = -1
