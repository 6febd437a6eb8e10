"""A scene file while it is worked on: its text, checked after every change, with undo, saving and recovery.

The text is what counts: an edit writes one place of it, undo brings the earlier text back byte for byte, and saving
writes it as a whole. A change whose result would be no scene is refused and changes nothing.
"""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sim.quantities.atomic_write import sweep_pending
from sim.quantities.errors import HalfstopError, SceneError, quoted
from sim.room.document.edit_text import text_with_edits
from sim.room.document.edits import Edit
from sim.room.document.file_lock import FileLock
from sim.room.document.journal import (
    Journal,
    Kept,
    Splice,
    splice_from_texts,
    spliced,
    text_hash,
    write_forced,
)
from sim.scene.edit import scene_text_from_file
from sim.scene.model import Scene
from sim.scene.read import MOST_BYTES, bytes_of_scene_file, scene_from_bytes
from sim.scene.text import data_from_text

SCENE_ENDINGS = (".yaml", ".yml")


@dataclass(frozen=True)
class Change:
    """What an edit, undo, redo or reload did: the revision after it and what a person would call it."""

    revision: int
    title: str
    changed: bool = True


@dataclass(frozen=True)
class _Step:
    """One step of undo: `there` leads on to the later text, `back` to the earlier one."""

    title: str
    there: Splice
    back: Splice
    merge: str = field(default="", compare=False)


class SceneDocument:
    """One scene file, open for work in this process alone; use `SceneDocument.open`."""

    def __init__(self, path: Path, state_folder: Path, lock: FileLock, text: str, scene: Scene) -> None:
        self.path, self.state_folder = path, state_folder
        self.text, self.scene, self.revision = text, scene, 1
        self._lock = lock
        self._disk_text = text
        self.disk_scene = scene
        self._done: list[_Step] = []
        self._undone: list[_Step] = []
        self._journal = Journal(path, state_folder)
        self.trouble = "; ".join(filter(None, (lock.damage, self._journal.set_aside(text))))

    # -- opening and closing ------------------------------------------------------------------

    @classmethod
    def open(cls, path: str | Path, state_folder: str | Path) -> SceneDocument:
        """Read a scene file and hold it; raises `SceneError` for its faults, `SceneInUse` where another has it open.

        Arguments: `state_folder` for the lock and what is not saved; made where it is missing.
        """
        path, state_folder = Path(path), Path(state_folder)
        # Say the file's own faults first, then hold it, and read what it holds by then.
        scene_text_from_file(path)
        lock = FileLock(path, state_folder)
        try:
            read = scene_text_from_file(path)
        except BaseException:
            lock.release()
            raise
        for folder in (Path(os.path.realpath(path)).parent, state_folder):
            sweep_pending(folder)
        return cls(path, state_folder, lock, read.text, read.scene)

    def announce(self, address: str) -> None:
        """Let a second process that wants this scene know where it is open."""
        self._lock.announce(address)

    def close(self) -> None:
        """Give the file up; changes that are not saved stay in the journal for another time."""
        if self.saved:
            self._journal.remove()
        else:
            self._journal.close()
        self._lock.release()

    # -- recovery -----------------------------------------------------------------------------

    @staticmethod
    def recovery(path: str | Path, state_folder: str | Path) -> Kept | None:
        """Changes of an earlier process that never reached the file, or None.

        Does not: hold the file or change anything.
        """
        return Journal(Path(path), Path(state_folder)).newest()

    @property
    def pending_recovery(self) -> Kept | None:
        """Changes that an earlier process left and that are neither taken nor discarded yet."""
        kept = self._journal.left_behind()
        while kept is not None and kept.text == self._disk_text:
            # They reached the file after all.
            kept.path.unlink(missing_ok=True)
            kept = self._journal.left_behind()
        return kept

    def recovery_text(self) -> str:
        """The question to ask about changes that were left, or an empty text."""
        kept = self.pending_recovery
        if kept is None:
            return ""
        when = time.strftime("%d %b, %H:%M", time.localtime(kept.time_s))
        count = f"{kept.changes} change" + ("" if kept.changes == 1 else "s")
        since = "" if kept.base_hash == text_hash(self._disk_text) else ", which was changed since"
        return f"{count} of {when} never reached {self.path.name}{since}: take them up again, or let them go?"

    def take_recovery(self) -> Change:
        """Bring back what an earlier process left, as one step that undo takes away again."""
        kept = self.pending_recovery
        if kept is None:
            raise HalfstopError("there is nothing to take up again")
        change = self._moved_to(kept.text, "take up unsaved changes")
        kept.path.unlink(missing_ok=True)
        return change

    def discard_recovery(self) -> None:
        """Let go of what an earlier process left."""
        kept = self.pending_recovery
        if kept is not None:
            kept.path.unlink(missing_ok=True)

    # -- changing -----------------------------------------------------------------------------

    def apply(self, edits: Sequence[Edit], merge: str | None = None) -> Change:
        """Do some edits as one step of undo, or refuse them all with a `SceneError`.

        Arguments: `edits` see `sim.room.document.edits`; `merge` the name of a gesture: steps of the same
        gesture become one.
        """
        text, title = text_with_edits(self.text, edits, str(self.path))
        last = self._done[-1] if self._done else None
        if merge and last is not None and last.merge == merge:
            # What a hand only passed through makes no comment untrue: judge by where the gesture began.
            whole, _ = text_with_edits(spliced(self.text, last.back), edits, str(self.path))
            text = whole if data_from_text(whole) == data_from_text(text) else text
        return self._moved_to(text, title, merge or "")

    def replace(self, text: str, title: str) -> Change:
        """Go to another text of the scene as one step of undo; raises `SceneError` where it is no scene."""
        return self._moved_to(text, title)

    def _moved_to(self, text: str, title: str, merge: str = "") -> Change:
        if text == self.text:
            return Change(self.revision, title, changed=False)
        scene = self._checked(text)
        before = self.text
        if merge and self._done and self._done[-1].merge == merge:
            earlier = self._done.pop()
            before, title = spliced(self.text, earlier.back), earlier.title
        if text != before:
            self._done.append(_Step(title, splice_from_texts(before, text), splice_from_texts(text, before), merge))
        self._undone.clear()
        return self._now(text, scene, title)

    def undo(self) -> Change:
        """Take the last step back."""
        if not self._done:
            raise HalfstopError("there is nothing to undo")
        step = self._done[-1]
        text = spliced(self.text, step.back)
        scene = self._checked(text)
        self._undone.append(self._done.pop())
        self._end_gesture()
        return self._now(text, scene, step.title)

    def redo(self) -> Change:
        """Do the last step that was taken back once more."""
        if not self._undone:
            raise HalfstopError("there is nothing to redo")
        step = self._undone[-1]
        text = spliced(self.text, step.there)
        scene = self._checked(text)
        self._done.append(self._undone.pop())
        self._end_gesture()
        return self._now(text, scene, step.title)

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to take back."""
        return bool(self._done)

    @property
    def can_redo(self) -> bool:
        """Whether there is a step to do once more."""
        return bool(self._undone)

    @property
    def undo_text(self) -> str:
        """What undo would take back, or an empty text."""
        return self._done[-1].title if self._done else ""

    @property
    def redo_text(self) -> str:
        """What redo would do once more, or an empty text."""
        return self._undone[-1].title if self._undone else ""

    def _checked(self, text: str) -> Scene:
        data = text.encode("utf-8")
        if len(data) > MOST_BYTES:
            size = f"at most {MOST_BYTES // 1024} KiB of text"
            raise SceneError(str(self.path), 1, "", "the file would become too large for a scene", size, "remove some")
        return scene_from_bytes(data, str(self.path), self.path.parent)

    def _now(self, text: str, scene: Scene, title: str) -> Change:
        before, self.text, self.scene = self.text, text, scene
        self.revision += 1
        try:
            if self.saved:
                self._journal.remove()
            else:
                self._journal.record(self._disk_text, before, text)
            self.trouble = ""
        except OSError as error:
            why = f"{self.state_folder}: {error.strerror}"
            self.trouble = f"changes that are not saved cannot be kept in {why}; save often"
        return Change(self.revision, title)

    def _end_gesture(self) -> None:
        """Let no later change join the last step."""
        if self._done and self._done[-1].merge:
            last = self._done.pop()
            self._done.append(_Step(last.title, last.there, last.back))

    # -- the file -----------------------------------------------------------------------------

    @property
    def saved(self) -> bool:
        """Whether the file, as last known, holds what is worked on."""
        return self.text == self._disk_text

    def disk_state(self) -> str:
        """How the file stands to what was last read or saved: same, changed, gone, or the line of its fault."""
        try:
            data = bytes_of_scene_file(self.path)
            if data == self._disk_text.encode("utf-8"):
                return "same"
            scene_from_bytes(data, str(self.path), self.path.parent)
        except SceneError as fault:
            return "gone" if _is_gone(self.path) else str(fault)
        return "changed"

    def save(self, force: bool = False) -> None:
        """Write the text to its file, whole or not at all; refuses where the file was changed meanwhile.

        Arguments: `force` writes over what another program wrote.
        """
        state = self.disk_state()
        if state not in ("same", "gone") and not force:
            what = "was changed by another program" if state == "changed" else "was changed and cannot be read"
            raise HalfstopError(f"{self.path}: the file {what}; load it, or save over it, or save under another name")
        self._write(self.path)

    def save_as(self, path: str | Path, *, replace: bool = False) -> None:
        """Write the text to another file and go on with that one.

        Arguments: `replace` whether a file that is already there may be replaced.
        """
        path = Path(path)
        if path.suffix.lower() not in SCENE_ENDINGS:
            raise HalfstopError(f"{path}: a scene file's name ends in .yaml; write {path.stem or 'scene'}.yaml")
        if os.path.realpath(path) == os.path.realpath(self.path):
            self.save()
            return
        # Ask the system itself: a name that is too long for it is no place where a file could be.
        try:
            path.stat()
            there = True
        except FileNotFoundError:
            there = False
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "this is no name for a file"
            raise HalfstopError(f"{quoted(path.name)}: cannot be written: {why}; choose another name") from None
        if there and not replace:
            raise HalfstopError(f"{path}: there is a file of this name; nothing was written; choose another name")
        if not path.parent.is_dir():
            raise HalfstopError(f"{path}: there is no folder {path.parent}; make it, or choose another")
        # The files that the scene names must be found beside it there too.
        scene = scene_from_bytes(self.text.encode("utf-8"), str(path), path.parent)
        lock = FileLock(path, self.state_folder)
        try:
            self._write(path)
        except BaseException:
            lock.release()
            raise
        self._lock.release()
        self._lock, self.path, self.scene = lock, path, scene
        self._journal = Journal(path, self.state_folder)
        self._journal.set_aside(self.text)

    def _write(self, path: Path) -> None:
        try:
            write_forced(path, self.text.encode("utf-8"))
        except OSError as error:
            raise HalfstopError(f"{path}: cannot be written: {error.strerror}; save under another name") from None
        self._disk_text, self.disk_scene = self.text, self.scene
        self._end_gesture()
        self._journal.remove()

    def reload(self) -> Change:
        """Take the file as it is on disk now, as one step that undo takes away again; raises for its faults."""
        read = scene_text_from_file(self.path)
        text, self._disk_text, self.disk_scene = read.text, read.text, read.scene
        if text == self.text:
            self._journal.remove()
            return Change(self.revision, "load the file", changed=False)
        return self._moved_to(text, "load the file")


def _is_gone(path: Path) -> bool:
    """Whether no file has this name; one that only cannot be reached is not gone."""
    try:
        path.stat()
    except FileNotFoundError:
        return True
    except OSError:
        pass
    return False
