"""Set-ups to start from: the scenes that come with the program, copied to where the user wants them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from sim.quantities.assets import asset_names, asset_path
from sim.quantities.atomic_write import sweep_pending, write_whole
from sim.quantities.errors import HalfstopError, quoted
from sim.scene.model import Scene
from sim.scene.read import load_scene
from sim.scene.text import text_with_value

# The set-ups that come with the program, as they are called; other files beside them are someone's own.
STARTS = {
    "empty_set.yaml": "Empty set",
    "one_light.yaml": "One light",
    "classic_two.yaml": "Two lights",
    "three_lights.yaml": "Three lights",
    "recital.yaml": "Five lights, glamour",
    "clamshell.yaml": "Clamshell",
    "high_key.yaml": "High key",
    "continuous_set.yaml": "Continuous light",
    "snoot_study.yaml": "One hard pool",
}
# Pictures of the starts, made by `python -m tests.start_pictures`: the scene's name, a dot and the digest of its data.
PICTURES = Path(__file__).resolve().parents[1] / "page" / "home" / "pictures"
DIGEST_BYTES = 8


@dataclass(frozen=True)
class Start:
    """A set-up that comes with the program: file `name`, what it is `called`, its first sentence and its `digest`.

    `is_lit` whether there is a light in it, and a picture to be seen.
    """

    name: str
    called: str
    text: str
    digest: str
    is_lit: bool

    @property
    def picture(self) -> Path:
        """Its picture; not there where it was made of another state of the scene."""
        return PICTURES / f"{Path(self.name).stem}.{self.digest}.webp"


@cache
def starts() -> tuple[Start, ...]:
    """The set-ups that come with the program, as they are commented in their files."""
    shipped = asset_names("scenes") + asset_names("scenes/starts")
    read = []
    for name, called in STARTS.items():
        if name not in shipped:
            continue
        path = asset_path(name)
        comment: list[str] = []
        for line in path.read_text("utf-8").splitlines():
            if not line.startswith("#") or not line.strip("# "):
                break
            comment.append(line.strip("# "))
        sentence = " ".join(comment).partition(". ")[0].rstrip(".")
        scene = load_scene(path)
        read.append(Start(name, called, f"{sentence}.", digest_from_scene(scene), bool(scene.lights)))
    return tuple(read)


def digest_from_scene(scene: Scene) -> str:
    """Digest of what a scene file says but its title: comments, layout and the spelling of units change nothing."""
    # What is not written is left out, so that a key that comes to the format changes no digest.
    told = scene.model_dump(mode="python", exclude_unset=True, exclude={"title"})
    plain = json.dumps(told, allow_nan=False, sort_keys=True, separators=(",", ":"))
    return hashlib.blake2b(plain.encode("ascii"), digest_size=DIGEST_BYTES).hexdigest()


def is_original(path: Path) -> bool:
    """Whether a file is one of the set-ups that come with the program themselves."""
    if path.name not in STARTS:
        return False
    try:
        return path.resolve() == asset_path(path.name).resolve()
    except FileNotFoundError:
        return False


def copied_start(name: str, path: Path, title: str = "") -> Path:
    """Copy a set-up to a new file, under another title where one is given; never replaces a file."""
    if name not in [start.name for start in starts()]:
        names = ", ".join(start.name for start in starts())
        raise HalfstopError(f"there is no set-up {quoted(name)}; it has {names}")
    text = asset_path(name).read_text("utf-8")
    if title.strip():
        text = text_with_value(text, ("title",), title.strip(), path.name)
    try:
        write_whole(path, text.encode("utf-8"), durable=True, replace=False)
        sweep_pending(path.parent)
    except FileExistsError:
        raise HalfstopError(f"{path}: there is a file of this name; name another") from None
    except OSError as error:
        raise HalfstopError(f"{path}: cannot be written: {error.strerror}; name another") from None
    return path
