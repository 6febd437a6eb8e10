"""A folder of results: files are staged beside it, then renamed into place together.

A manifest (`.halfstop.json`) lists the files of the last run. Only files that it lists are replaced or removed, so a
user's own file of the same name is safe.

A set of files is decided by one rename: the staged folder, which holds the new files and their manifest, becomes
`.halfstop-ready`. From then on the new set stands; `_settle` moves its files to their places, the manifest last, and
should the process die on the way, the next run that comes to the folder does, before it looks at it. Before that
rename the old set stands untouched. Runs that change the folder at once wait for each other.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import stat
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType, TracebackType

from sim.quantities.atomic_write import sweep_pending, write_whole
from sim.quantities.errors import HalfstopError, quoted
from sim.quantities.open_file import UnreadableFile, bytes_from_file
from sim.reports.files.folder_lock import claim, folder_lock, is_claimed

MANIFEST = ".halfstop.json"
READY = ".halfstop-ready"
STAGING_PREFIX = ".halfstop-new-"
CLAIM = ".claim"
MOST_MANIFEST_BYTES = 1 << 20
# How often a folder is made anew that another run, which had made it, takes away as this one enters.
MOST_TRIES = 50


class OutputError(HalfstopError):
    """A result that cannot be written where it was asked for; says where else to write."""


class ResultFolder:
    """Files of one run, staged until `commit` puts all of them into `path`.

    Use as a context manager: leaving it without `commit` takes away everything that was staged, and any folder that
    was made for it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._made: list[Path] = []
        self._staging: Path | None = None
        self._claim: int | None = None
        self._names: list[str] = []

    def __enter__(self) -> ResultFolder:
        try:
            for tries_left in reversed(range(MOST_TRIES)):
                try:
                    self._make_folders()
                    self._open_staging()
                    break
                except FileNotFoundError:
                    if not tries_left:
                        raise
        except OSError as error:
            self._leave()
            raise _refusal(self.path, error) from None
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()
        if isinstance(error, OSError):
            raise _refusal(self.path, error) from None

    def require_usable(self, names: list[str]) -> None:
        """Refuse early, before any long work, a folder that cannot take files of these names; leaves nothing."""
        with self:
            self.require_free(names)

    def stage(self, name: str) -> Path:
        """Path to write the file `name` to for now; it is not in the folder before `commit`."""
        assert self._staging is not None and is_plain_name(name)
        self._names.append(name)
        return self._staging / name

    def commit(self) -> list[Path]:
        """Put every staged file into the folder and remove files of an earlier run that this one did not make.

        Returns the paths in the order they were staged. Ctrl-C waits until it is done.
        """
        assert self._staging is not None
        with folder_lock(self.path):
            _settle(self.path)
            self.require_free(self._names)
            manifest = json.dumps({"files": sorted(self._names)}, indent=1) + "\n"
            (self._staging / MANIFEST).write_text(manifest, "utf-8")
            with _held_back_signals():
                self._staging.rename(self.path / READY)
                self._made.clear()
                _settle(self.path)
        return [self.path / name for name in self._names]

    def require_free(self, names: list[str]) -> None:
        """Refuse to replace a file that no earlier run lists as its own."""
        ours = listed_files(self.path)
        for name in names:
            _require_ours(self.path / name, ours)

    def _make_folders(self) -> None:
        missing = [folder for folder in (self.path, *self.path.parents) if not folder.exists()]
        for folder in reversed(missing):
            folder.mkdir(exist_ok=True)
            if folder not in self._made:
                self._made.append(folder)

    def _open_staging(self) -> None:
        with folder_lock(self.path):
            _settle(self.path)
            _sweep(self.path)
            self._staging = Path(tempfile.mkdtemp(prefix=STAGING_PREFIX, dir=self.path))
            self._claim = claim(self._staging / CLAIM)

    def _leave(self) -> None:
        """Take away what was staged and the folders that were made for it."""
        if self._staging is not None:
            shutil.rmtree(self._staging, ignore_errors=True)
        if self._claim is not None:
            os.close(self._claim)
        self._staging = self._claim = None
        for folder in reversed(self._made):
            with suppress(OSError):
                folder.rmdir()
        self._made.clear()


def write_one_file(path: Path, data: bytes) -> None:
    """Write one file whole or not at all; `OutputError` where its folder cannot take it."""
    try:
        # Never put a file in the place of a pipe or a device.
        with suppress(FileNotFoundError):
            mode = path.stat().st_mode
            if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
                raise OutputError(
                    f"cannot write {quoted(path)}: this is no plain file; choose another place with --out"
                )
        write_whole(path, data, prefix=STAGING_PREFIX)
        sweep_pending(path.parent, STAGING_PREFIX)
    except OSError as error:
        raise _refusal(path, error) from None


def _settle(folder: Path) -> None:
    """Move the files of a set that was decided to their places; the caller holds the folder's lock.

    Each step may be a process's last: the next call goes on from there. Raises `OutputError` where a user's own file
    has come in the way since, and leaves that file alone.
    """
    ready = folder / READY
    if ready.is_symlink() or not ready.is_dir():
        return
    if os.path.lexists(ready / MANIFEST):
        ours, names = listed_files(folder), listed_files(ready)
        waiting = [name for name in names if os.path.lexists(ready / name)]
        for name in waiting:
            _require_ours(folder / name, ours)
        for name in waiting:
            os.replace(ready / name, folder / name)
        for name in set(ours) - set(names):
            with suppress(FileNotFoundError):
                (folder / name).unlink()
        # The old manifest stands to the last, so that its files are known as ours on every new try.
        os.replace(ready / MANIFEST, folder / MANIFEST)
    shutil.rmtree(ready)


def listed_files(folder: Path) -> list[str]:
    """Names that the manifest of `folder` claims; empty without a manifest, or with a damaged one."""
    try:
        names = json.loads(bytes_from_file(folder / MANIFEST, MOST_MANIFEST_BYTES))["files"]
    except (UnreadableFile, ValueError, TypeError, KeyError, RecursionError):
        return []
    # Trust bare names only: a manifest never reaches out of its folder.
    return [name for name in names if is_plain_name(name)] if isinstance(names, list) else []


def is_plain_name(name: object) -> bool:
    """Whether `name` is a bare file name, neither hidden nor a path.

    >>> is_plain_name("key.png"), is_plain_name("../key.png"), is_plain_name(".halfstop.json")
    (True, False, False)
    """
    return isinstance(name, str) and name == Path(name).name and name[:1] not in ("", ".") and "\0" not in name


def _require_ours(target: Path, ours: list[str]) -> None:
    if target.is_dir() or (target.name not in ours and os.path.lexists(target)):
        raise OutputError(
            f"{target}: there is a {'folder' if target.is_dir() else 'file'} of this name that halfstop did "
            "not make; nothing was written; move it away or choose another folder with --out"
        )


def _sweep(folder: Path) -> None:
    """Take away what runs left behind that were killed outright; the caller holds the folder's lock."""
    for leftover in folder.glob(f"{STAGING_PREFIX}*"):
        if leftover.is_dir() and not leftover.is_symlink() and not is_claimed(leftover / CLAIM):
            shutil.rmtree(leftover, ignore_errors=True)
    sweep_pending(folder, STAGING_PREFIX)


def _refusal(path: Path, error: OSError) -> OutputError:
    why = error.strerror or type(error).__name__
    return OutputError(f"cannot write {quoted(path)}: {why[:1].lower()}{why[1:]}; choose another place with --out")


@contextmanager
def _held_back_signals() -> Iterator[None]:
    """Let Ctrl-C and a request to end wait for the short block to finish."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[tuple[int, FrameType | None]] = []
    held = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, lambda *what: caught.append(what)) for number in held}
    try:
        yield
    finally:
        for held_number, handler in before.items():
            signal.signal(held_number, handler)
        for number, frame in caught[:1]:
            earlier = before[signal.Signals(number)]
            if callable(earlier):
                earlier(number, frame)
            elif earlier == signal.SIG_DFL:
                signal.raise_signal(number)
