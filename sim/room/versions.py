"""Up to four kept versions of a scene, to flip between and to wipe across: the text, its weights and its picture.

The texts are also kept in a file beside the journal, so that they outlive the server; the pictures are not.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import TypeAdapter

from sim.quantities.atomic_write import write_whole
from sim.quantities.errors import HalfstopError, one_line
from sim.room.document.state_folder import bytes_from_file, put_aside
from sim.room.preview.frame import PreviewFrame
from sim.room.protocol import messages
from sim.room.protocol.messages import Frame, KeptVersion, VersionFacts

MOST = 4
# Four of the largest scenes with what they are mixed by stay far below this.
LONGEST_FILE_BYTES = 4 << 20
LONGEST_TITLE = 60
_FACTS: TypeAdapter[VersionFacts] = TypeAdapter(VersionFacts)


@dataclass(frozen=True)
class Version:
    """One kept version; `facts` what the page needs to mix it: weights, mutes, exposure. `frame` None once lost."""

    id: int
    title: str
    text: str
    facts: VersionFacts
    serial: int | None = None
    frame: PreviewFrame | None = None
    frame_message: Frame | None = None

    def message(self) -> KeptVersion:
        """It as the tabs hear it."""
        return {"id": self.id, "title": self.title, "serial": self.serial, "frame": self.frame_message, **self.facts}


class Versions:
    """The kept versions of one scene; `file` where their texts outlive the server, None to keep none.

    A file that cannot be read is put aside under a name of its own; `damage` says so, or is empty.
    Does not: fail when that file cannot be read or written.
    """

    def __init__(self, file: Path | None) -> None:
        self._file = file
        self.all: list[Version] = []
        self.damage = ""
        if file is not None:
            try:
                self.all = _versions_from_file(file)
            except (OSError, ValueError, TypeError, KeyError, RecursionError):
                with suppress(OSError):
                    self.damage = put_aside(file)

    def keep(
        self, title: object, text: str, facts: VersionFacts, serial: int | None, frame: PreviewFrame | None,
        frame_message: Frame | None,
    ) -> Version:  # fmt: skip
        """Keep a version; refuses a fifth."""
        if len(self.all) >= MOST:
            raise HalfstopError(f"{MOST} versions are kept already; drop one first")
        number = max((version.id for version in self.all), default=0) + 1
        plain = one_line(title)[:LONGEST_TITLE] if isinstance(title, str) else ""
        version = Version(number, plain or f"Version {number}", text, facts, serial, frame, frame_message)
        self.all.append(version)
        self._write()
        return version

    def follow(self, file: Path | None) -> None:
        """Go on keeping the texts in another file."""
        self._file = file
        self._write()

    def rename(self, number: object, title: object) -> None:
        """Give a version another title."""
        version = self.by_id(number)
        plain = one_line(title)[:LONGEST_TITLE] if isinstance(title, str) else ""
        if not plain:
            raise HalfstopError("a version needs a name; write a word or two")
        self.all[self.all.index(version)] = replace(version, title=plain)
        self._write()

    def drop(self, number: object) -> None:
        """Let a version go."""
        self.all.remove(self.by_id(number))
        self._write()

    def by_id(self, number: object) -> Version:
        """The version with this id."""
        version = next((version for version in self.all if version.id == number), None)
        if version is None:
            raise HalfstopError("there is no kept version of this number; it may have been dropped in another tab")
        return version

    def message(self) -> messages.Versions:
        """All of them as the tabs hear them."""
        return {"type": "versions", "versions": [version.message() for version in self.all], "most": MOST}

    def _write(self) -> None:
        if self._file is None:
            return
        with suppress(OSError):
            if not self.all:
                self._file.unlink(missing_ok=True)
                return
            rows = [{"id": s.id, "title": s.title, "text": s.text, "facts": s.facts} for s in self.all]
            write_whole(self._file, json.dumps(rows, ensure_ascii=False).encode(), private=True)


def _versions_from_file(file: Path) -> list[Version]:
    try:
        data = bytes_from_file(file, LONGEST_FILE_BYTES, follow_link=False)
    except FileNotFoundError:
        return []
    rows = json.loads(data, parse_constant=_no_number)
    versions = [
        Version(int(r["id"]), str(r["title"]), str(r["text"]), _FACTS.validate_python(r["facts"])) for r in rows
    ]
    if len({version.id for version in versions}) < len(versions) or len(versions) > MOST:
        raise ValueError("more versions than were kept")
    return versions


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number that was kept")
