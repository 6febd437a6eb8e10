"""A folder of results: files are staged beside it, then renamed into place together.

A manifest (`.halfstop.json`) lists the files of the last run. Only files that it lists are replaced or removed, so a
user's own file of the same name is safe.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType, TracebackType

from sim.quantities.atomic_write import write_whole
from sim.quantities.errors import HalfstopError, quoted

MANIFEST = ".halfstop.json"
STAGING_PREFIX = ".halfstop-new-"


class OutputError(HalfstopError):
    """A result that cannot be written where it was asked for; says where else to write."""


class ResultFolder:
    """Files of one run, staged until `commit` renames all of them into `path`.

    Use as a context manager: leaving it without `commit` takes away everything that was staged, and any folder that
    was made for it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._made: list[Path] = []
        self._staging: Path | None = None
        self._names: list[str] = []

    def __enter__(self) -> ResultFolder:
        try:
            self._make_folders()
            self._sweep()
            self._staging = Path(tempfile.mkdtemp(prefix=f"{STAGING_PREFIX}{os.getpid()}-", dir=self.path))
        except OSError as error:
            self._remove_made()
            raise _refusal(self.path, error) from None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._staging is not None:
            shutil.rmtree(self._staging, ignore_errors=True)
        self._remove_made()
        if isinstance(error, OSError):
            raise _refusal(self.path, error) from None

    def require_usable(self, names: list[str]) -> None:
        """Refuse early, before any long work, a folder that cannot take files of these names; leaves nothing."""
        with self:
            self.require_free(names)
        self._staging = None

    def stage(self, name: str) -> Path:
        """Path to write the file `name` to for now; it is not in the folder before `commit`."""
        assert self._staging is not None and is_plain_name(name)
        self._names.append(name)
        return self._staging / name

    def commit(self) -> list[Path]:
        """Rename every staged file into the folder and remove files of an earlier run that this one did not make.

        Returns the paths in the order they were staged. Ctrl-C waits until it is done.
        """
        assert self._staging is not None
        self.require_free(self._names)
        ours = listed_files(self.path)
        with _held_back_signals():
            # Claim the names first: a crash between two renames leaves them ours.
            self._write_manifest(sorted({*ours, *self._names}))
            for name in self._names:
                os.replace(self._staging / name, self.path / name)
            for name in set(ours) - set(self._names):
                with suppress(FileNotFoundError):
                    (self.path / name).unlink()
            self._write_manifest(sorted(self._names))
            self._made.clear()
        return [self.path / name for name in self._names]

    def require_free(self, names: list[str]) -> None:
        """Refuse to replace a file that no earlier run lists as its own."""
        ours = listed_files(self.path)
        for name in names:
            target = self.path / name
            if target.is_dir() or (name not in ours and os.path.lexists(target)):
                raise OutputError(
                    f"{target}: there is a {'folder' if target.is_dir() else 'file'} of this name that halfstop did "
                    "not make; nothing was written; move it away or choose another folder with --out"
                )

    def _write_manifest(self, names: list[str]) -> None:
        assert self._staging is not None
        draft = self._staging / MANIFEST
        draft.write_text(json.dumps({"files": names}, indent=1) + "\n", "utf-8")
        os.replace(draft, self.path / MANIFEST)

    def _make_folders(self) -> None:
        missing = [folder for folder in (self.path, *self.path.parents) if not folder.exists()]
        for folder in reversed(missing):
            folder.mkdir(exist_ok=True)
            self._made.append(folder)

    def _remove_made(self) -> None:
        for folder in reversed(self._made):
            with suppress(OSError):
                folder.rmdir()

    def _sweep(self) -> None:
        # Take away what a run left behind that was killed outright.
        for leftover in self.path.glob(f"{STAGING_PREFIX}*"):
            number = leftover.name.removeprefix(STAGING_PREFIX).partition("-")[0]
            if number.isdigit() and not _is_running(int(number)):
                shutil.rmtree(leftover, ignore_errors=True)


def write_one_file(path: Path, data: bytes) -> None:
    """Write one file whole or not at all; `OutputError` where its folder cannot take it."""
    try:
        write_whole(path, data, prefix=STAGING_PREFIX)
    except OSError as error:
        raise _refusal(path, error) from None


def listed_files(folder: Path) -> list[str]:
    """Names that the manifest of `folder` claims; empty without a manifest, or with a damaged one."""
    try:
        names = json.loads((folder / MANIFEST).read_text("utf-8"))["files"]
    except (OSError, ValueError, TypeError, KeyError):
        return []
    # Trust bare names only: a manifest never reaches out of its folder.
    return [name for name in names if is_plain_name(name)] if isinstance(names, list) else []


def is_plain_name(name: object) -> bool:
    """Whether `name` is a bare file name, neither hidden nor a path.

    >>> is_plain_name("key.png"), is_plain_name("../key.png"), is_plain_name(".halfstop.json")
    (True, False, False)
    """
    return isinstance(name, str) and name == Path(name).name and name[:1] not in ("", ".") and "\0" not in name


def _is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


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
