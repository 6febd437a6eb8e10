"""What has not been saved, kept on disk as it is made.

A journal begins with a whole text and goes on with one line per change; each line carries its own checksum, so that a
line torn by a crash, and all behind it, is left out. Lines are written at once and forced to the disk within two
seconds. The file lies in a folder of the room's own, named after the scene file's full path.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sim.quantities.atomic_write import sweep_pending, sync_folder, write_whole
from sim.quantities.plain import Plain, PlainDict
from sim.room.document.state_folder import bytes_from_file, put_aside, stem_from_path

FORCE_WITHIN_S = 1.0
# Past this a journal begins anew with the text as it is.
LONGEST_JOURNAL_BYTES = 4 << 20
# Far more than that and the change behind it: what is longer is no journal of ours.
LONGEST_READ_BYTES = 4 * LONGEST_JOURNAL_BYTES
CHECK_DIGITS = 16

Splice = tuple[int, int, str]


@dataclass(frozen=True)
class Kept:
    """Changes that were never saved: the text they lead to, how many there were, and when the last one was made."""

    path: Path
    text: str
    base_hash: str
    changes: int
    time_s: float


def splice_from_texts(before: str, after: str) -> Splice:
    """The one place where two texts differ: start, end in the first, and what stands there in the second.

    >>> splice_from_texts("power: -1 stop", "power: -2 stops")
    (8, 14, '2 stops')
    """
    most = min(len(before), len(after))
    start = _agreement(before, after, most)
    behind = _agreement(before[::-1], after[::-1], most - start)
    return start, len(before) - behind, after[start : len(after) - behind]


def _agreement(one: str, two: str, most: int) -> int:
    """How many characters two texts share from their beginning, at most `most`."""
    low, high = 0, most
    while low < high:
        middle = (low + high + 1) // 2
        if one[low:middle] == two[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


def spliced(text: str, change: Splice) -> str:
    """The text after a change of `splice_from_texts`."""
    start, end, new = change
    return text[:start] + new + text[end:]


def text_hash(text: str) -> str:
    """Digest that tells one text from another."""
    return hashlib.blake2b(text.encode("utf-8"), digest_size=16).hexdigest()


def write_forced(path: Path, data: bytes) -> None:
    """Write a file whole and force it and its name to the disk, before anything else happens.

    A symbolic link stays one. What writers that were killed left half written beside it is taken away.
    """
    path = Path(os.path.realpath(path))
    write_whole(path, data, durable=True)
    sweep_pending(path.parent)
    # Some file systems cannot force a folder: the file itself is safe without.
    with suppress(OSError):
        sync_folder(path.parent)


# -- the journal ------------------------------------------------------------------------------


class Journal:
    """Changes of one scene's text that are not in its file yet."""

    def __init__(self, scene: Path, folder: Path) -> None:
        self.scene, self.folder = scene, folder
        self.path = folder / f"{stem_from_path(scene)}.journal"
        self._handle = -1
        self._size = 0
        self._guard = threading.Lock()
        self._timer: threading.Timer | None = None

    def record(self, base_text: str, before: str, after: str) -> None:
        """Add a change from one text to the next; the first one also writes `base_text`, the file's own."""
        with self._guard:
            if self._handle < 0 or self._size > LONGEST_JOURNAL_BYTES:
                self._begin(base_text, before)
            start, end, new = splice_from_texts(before, after)
            line = _line({"cut": [start, end], "put": new, "leads_to": text_hash(after)})
            try:
                written = os.write(self._handle, line)
                if written < len(line):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            except OSError:
                # Begin anew the next time: nothing behind a line that is torn or missing can be read.
                self._close()
                raise
            self._size += written
            if self._timer is None:
                self._timer = threading.Timer(FORCE_WITHIN_S, self._force)
                self._timer.daemon = True
                self._timer.start()

    def _begin(self, base_text: str, text: str) -> None:
        self._close()
        head = _line({"halfstop_journal": 1, "file": str(self.scene), "base": text_hash(base_text), "text": text})
        write_forced(self.path, head)
        self._handle = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
        self._size = len(head)

    def _force(self) -> None:
        with self._guard:
            self._timer = None
            handle = os.dup(self._handle) if self._handle >= 0 else -1
        # A slow disk must not hold the next change up.
        if handle >= 0:
            with suppress(OSError):
                os.fsync(handle)
            os.close(handle)

    def _close(self) -> None:
        if self._handle >= 0:
            with suppress(OSError):
                os.fsync(self._handle)
            os.close(self._handle)
            self._handle = -1

    def close(self) -> None:
        """Leave the journal on disk for another time."""
        with self._guard:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            self._close()

    def remove(self) -> None:
        """Take the journal away: everything in it is saved."""
        self.close()
        with suppress(FileNotFoundError):
            self.path.unlink()

    def set_aside(self, text: str) -> str:
        """Keep what an earlier process left, so that new changes do not write over it, unless it leads to `text`.

        Returns a line where it was something that cannot be read, and was put aside under a name of its own.
        """
        kept = kept_from_file(self.path)
        if kept is None and not self._is_read():
            return put_aside(self.path)
        if kept is None or kept.text == text:
            with suppress(FileNotFoundError):
                self.path.unlink()
            return ""
        taken = [number for number, _ in self._numbered()]
        os.replace(self.path, self.folder / f"{self.path.stem}.kept-{max(taken, default=0) + 1}")
        return ""

    def _is_read(self) -> bool:
        """Whether there is no journal, or one whose first line is whole: nothing that could be read is lost then."""
        try:
            return _texts_from_data(bytes_from_file(self.path, LONGEST_READ_BYTES, follow_link=False)) is not None
        except FileNotFoundError:
            return True
        except OSError:
            return False

    def newest(self) -> Kept | None:
        """The newest changes that never reached the file, or None; not for a process that has the scene open."""
        return kept_from_file(self.path) or self.left_behind()

    def left_behind(self) -> Kept | None:
        """The newest changes that were set aside, or None; what cannot be read is passed over."""
        every = (kept_from_file(path) for _, path in sorted(self._numbered(), reverse=True))
        return next((kept for kept in every if kept is not None), None)

    def _numbered(self) -> Iterator[tuple[int, Path]]:
        for path in self.folder.glob(f"{self.path.stem}.kept-*"):
            number = path.suffix.removeprefix(".kept-")
            if number.isdigit():
                yield int(number), path


def kept_from_file(path: Path) -> Kept | None:
    """What a journal leads to, as far as its lines are whole; None where there is none or it changes nothing."""
    try:
        data = bytes_from_file(path, LONGEST_READ_BYTES, follow_link=False)
        time_s = path.stat().st_mtime
    except OSError:
        return None
    texts = _texts_from_data(data)
    if texts is None or text_hash(texts[1]) == texts[0]:
        return None
    base_hash, text, changes = texts
    return Kept(path, text, base_hash, changes, time_s)


def _texts_from_data(data: bytes) -> tuple[str, str, int] | None:
    """Hash of the text that a journal's bytes begin from, the text they lead to, and by how many changes."""
    first, *others = data.split(b"\n")
    head = _entry(first)
    if head is None or head.get("halfstop_journal") != 1:
        return None
    text, base_hash, changes = str(head.get("text")), str(head.get("base")), 0
    for raw in others:
        match _entry(raw):
            case {"cut": [int(start), int(end)], "put": str(new), "leads_to": str(digest)}:
                following = spliced(text, (start, end, new))
            case _:
                break
        if text_hash(following) != digest:
            break
        text, changes = following, changes + 1
    return base_hash, text, changes


def _line(entry: PlainDict) -> bytes:
    data = json.dumps(entry, ensure_ascii=True, separators=(",", ":")).encode("ascii")
    return _check(data) + b" " + data + b"\n"


def _entry(raw: bytes) -> PlainDict | None:
    """A journal's line, or None where it is torn."""
    check, _, data = raw.partition(b" ")
    if check != _check(data):
        return None
    try:
        entry: Plain = json.loads(data)
    except (ValueError, RecursionError):
        return None
    return entry if isinstance(entry, dict) else None


def _check(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=CHECK_DIGITS // 2).hexdigest().encode("ascii")
