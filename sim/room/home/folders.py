"""The folders that a person named: a page opens and writes scene files in these alone, and in what lies below them.

A name with `..` or a symbolic link that leads out of them is refused, whatever it leads to.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sim.quantities.errors import HalfstopError, quoted
from sim.room.home.starts import is_original

ENDINGS = (".yaml", ".yml")


@dataclass(frozen=True)
class Folders:
    """The named folders, as real paths, each once; the first is where a new file goes unless another is said."""

    roots: tuple[Path, ...]

    @classmethod
    def named(cls, folders: Sequence[Path]) -> Folders:
        """The folders of these paths; raises HalfstopError for one that is none."""
        roots: list[Path] = []
        for folder in folders:
            real = Path(os.path.realpath(folder))
            if not real.is_dir():
                raise HalfstopError(f"{folder}: there is no such folder; name one that is there")
            if real not in roots:
                roots.append(real)
        return cls(tuple(roots))

    def holds(self, path: Path) -> bool:
        """Whether a path, every link on the way followed, lies in one of the folders."""
        real = Path(os.path.realpath(path))
        return any(real == root or root in real.parents for root in self.roots)

    def folder(self, number: int, below: str = "") -> Path:
        """A named folder by its place in the row, or one below it; raises HalfstopError for what lies elsewhere."""
        if not 0 <= number < len(self.roots):
            raise HalfstopError("there is no such folder here; load the page again")
        path = self.roots[number] / below
        if not below.isprintable() or ".." in Path(below).parts or not self.holds(path):
            raise self._elsewhere(below)
        try:
            there = path.is_dir()
        except OSError:
            there = False
        if not there:
            raise HalfstopError(f"{quoted(below)}: there is no such folder; make it first, or name another")
        return path

    def scene_path(self, text: object, beside: Path) -> Path:
        """A scene file that a person named, beside the folder `beside` or by a whole path, with the right ending.

        Does not: make it, or look whether it is there.
        """
        if not isinstance(text, str) or not text.strip() or not text.isprintable():
            raise HalfstopError('expected a name for the file; write "my-portrait.yaml"')
        try:
            path = Path(text.strip()).expanduser()
        except RuntimeError:
            cure = "write a name alone"
            raise HalfstopError(f"{quoted(text.strip())}: there is no user of this name; {cure}") from None
        if ".." in path.parts:
            raise self._elsewhere(text.strip())
        path = path if path.is_absolute() else beside / path
        if not path.suffix:
            path = path.with_suffix(ENDINGS[0])
        if path.suffix.lower() not in ENDINGS:
            raise HalfstopError(f'{quoted(path.name)}: expected a name that ends in .yaml; write "{path.stem}.yaml"')
        # Ask the system itself, which also says what name is too long for it.
        try:
            folder_is_there = path.parent.is_dir()
            path.is_file()
        except OSError as error:
            cure = "choose another name"
            raise HalfstopError(f"{quoted(path.name)}: cannot be written: {error.strerror}; {cure}") from None
        # A link to a file elsewhere would be followed when it is written.
        if not self.holds(path):
            raise self._elsewhere(text.strip())
        if not folder_is_there:
            raise HalfstopError(f"{path.parent}: there is no such folder; make it first, or name another")
        if is_original(path):
            raise HalfstopError(f"{path}: this is a set-up that comes with the program; name another file")
        return path

    def _elsewhere(self, text: str) -> HalfstopError:
        where = " or ".join(str(root) for root in self.roots)
        return HalfstopError(
            f"{quoted(text)}: this lies outside the folders that were opened; choose a name in {where}, or end "
            'halfstop and write "halfstop open FOLDER"'
        )
