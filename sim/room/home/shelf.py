"""What the start page shows: the sets of the named folders, those open last, and the set-ups to start from."""

from __future__ import annotations

import codecs
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from typing_extensions import TypedDict

from sim.quantities.errors import HalfstopError
from sim.room.document.state_folder import stem_from_path
from sim.room.home.folders import ENDINGS, Folders
from sim.room.home.recent import recent_paths
from sim.room.home.starts import digest_from_scene, starts
from sim.room.way_back import Back
from sim.scene.read import bytes_of_scene_file, load_scene

# More of one folder are not listed; what a folder holds besides is counted.
MOST_SETS, MOST_FOLDERS = 60, 60
# Files that begin otherwise are no scenes and are passed over.
SCENE_KEY = b"halfstop:"


class SetCard(TypedDict):
    """A set on the start page: its file's `name` and `folder` in words, its `title`, the address of its `picture`.

    `fault` is the line of a file that cannot be read as a scene; `changed_s` seconds since 1970; `recent` its place
    among the sets open last, or -1; `below` the folder it lies in below the named one.
    """

    name: str
    folder: str
    title: str
    picture: str
    fault: str
    changed_s: float
    recent: int
    below: str


class StartCard(TypedDict):
    """A set-up to start from; `is_lit` whether there is anything to be seen in its picture."""

    name: str
    called: str
    text: str
    picture: str
    is_lit: bool


class FolderCard(TypedDict):
    """A named folder: its place in the row and its path."""

    number: int
    path: str


class OpenSet(TypedDict):
    """The set that is open."""

    title: str
    name: str
    saved: bool


class Home(TypedDict):
    """All that the start page shows; `here` is the folder that is looked into, `below` its place in the named one."""

    folders: list[FolderCard]
    here: int
    below: str
    inner: list[str]
    sets: list[SetCard]
    more: int
    recent: list[SetCard]
    starts: list[StartCard]
    open: OpenSet | None
    back: Back


@dataclass(frozen=True)
class Shelf:
    """What lies where; `folders` that were named, `state_folder` with what is remembered."""

    folders: Folders
    state_folder: Path

    @property
    def pictures(self) -> Path:
        """Where the pictures of sets are kept."""
        return self.state_folder / "pictures"

    def kept_picture(self, path: Path, digest: str) -> Path:
        """Where the picture of a scene file is kept, as long as it says what has this digest."""
        return self.pictures / f"{stem_from_path(path)}.{digest}.webp"

    def sets(self, here: int, below: str) -> tuple[list[SetCard], list[str], int]:
        """The sets of a folder by name, the folders in it, and how many sets are not listed."""
        folder = self.folders.folder(here, below)
        inner, files = [], []
        try:
            with os.scandir(folder) as entries:
                for entry in sorted(entries, key=lambda entry: entry.name.lower()):
                    path = Path(entry.path)
                    hidden = entry.name.startswith(".") or not entry.name.isprintable()
                    if hidden or not self.folders.holds(path):
                        continue
                    if path.is_dir():
                        inner.append(entry.name)
                    elif path.suffix.lower() in ENDINGS and path.is_file() and _says_scene(path):
                        files.append(path)
        except OSError as error:
            raise HalfstopError(f"{folder}: cannot be looked into: {error.strerror}; name another folder") from None
        cards = [self._card(path, -1, below) for path in files[:MOST_SETS]]
        return cards, inner[:MOST_FOLDERS], len(files) - len(cards)

    def recent(self) -> list[SetCard]:
        """The sets open last that are still there."""
        return [self._card(path, place) for place, path in self._recent_paths()]

    def recent_path(self, place: int) -> Path:
        """The set open last at a place of the row; raises HalfstopError where there is none."""
        for number, path in self._recent_paths():
            if number == place:
                return path
        raise HalfstopError("this set is no longer there; load the page again")

    def _recent_paths(self) -> Iterator[tuple[int, Path]]:
        for place, path in enumerate(recent_paths(self.state_folder)):
            # The file that was opened, not one that a link under its name leads to now.
            if path.is_file() and os.path.realpath(path) == str(path):
                yield place, path

    def _card(self, path: Path, recent: int, below: str = "") -> SetCard:
        title, picture, fault = path.stem, "", ""
        try:
            scene = load_scene(path)
            title, digest = scene.title, digest_from_scene(scene)
            kept = self.kept_picture(path, digest)
            picture = f"home/kept/{kept.name}" if kept.is_file() else _start_picture(digest)
        except HalfstopError as error:
            fault = str(error)
        try:
            changed_s = path.stat().st_mtime
        except OSError:
            changed_s = 0.0
        return {
            "name": path.name, "folder": str(path.parent), "title": title, "picture": picture, "fault": fault,
            "changed_s": changed_s, "recent": recent, "below": below,
        }  # fmt: skip

    def starts(self) -> list[StartCard]:
        """The set-ups to start from."""
        return [
            {
                "name": each.name, "called": each.called, "text": each.text, "is_lit": each.is_lit,
                "picture": _start_picture(each.digest),
            }
            for each in starts()
        ]  # fmt: skip


def _start_picture(digest: str) -> str:
    """Address of the picture of a start with this digest, or nothing."""
    found = (each for each in starts() if each.digest == digest and each.picture.is_file())
    return next((f"home/start/{each.picture.name}" for each in found), "")


def _says_scene(path: Path) -> bool:
    try:
        lines = bytes_of_scene_file(path).removeprefix(codecs.BOM_UTF8).splitlines()
    except HalfstopError:
        return False
    return any(line.startswith(SCENE_KEY) for line in lines)
