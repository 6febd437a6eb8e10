"""Set-ups to start from: the scenes that come with the program, copied to where the user wants them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from sim.quantities.assets import asset_names, asset_path
from sim.quantities.atomic_write import sweep_pending, write_whole
from sim.quantities.errors import HalfstopError, quoted
from sim.scene.read import load_scene

ENDINGS = (".yaml", ".yml")
# The set-ups that come with the program; other files beside them are someone's own.
OURS = ("recital.yaml", "classic_two.yaml", "continuous_set.yaml", "snoot_study.yaml")


@dataclass(frozen=True)
class Example:
    """A set-up that comes with the program: file `name`, `title`, and the first words of its own comment."""

    name: str
    title: str
    text: str


@cache
def examples() -> tuple[Example, ...]:
    """The set-ups that come with the program, as they are titled and commented in their files."""
    shipped = asset_names("scenes")
    read = []
    for name in (name for name in OURS if name in shipped):
        path = asset_path(name)
        comment: list[str] = []
        for line in path.read_text("utf-8").splitlines():
            if not line.startswith("#") or not line.strip("# "):
                break
            comment.append(line.strip("# "))
        read.append(Example(name, load_scene(path).title, " ".join(comment)))
    return tuple(read)


def is_original(path: Path) -> bool:
    """Whether a file is one of the set-ups that come with the program themselves."""
    if path.name not in OURS:
        return False
    try:
        return path.resolve() == asset_path(path.name).resolve()
    except FileNotFoundError:
        return False


def path_from_text(text: object, beside: Path) -> Path:
    """A scene file that a person named: a name beside the open scene, or a whole path, with the right ending.

    Does not: make it, or look whether it is there.
    """
    if not isinstance(text, str) or not text.strip() or not text.isprintable():
        raise HalfstopError('expected a name for the file; write "my-portrait.yaml"')
    try:
        path = Path(text.strip()).expanduser()
    except RuntimeError:
        cure = "write the whole path, or a name alone"
        raise HalfstopError(f"{quoted(text.strip())}: there is no user of this name; {cure}") from None
    path = path if path.is_absolute() else beside.parent / path
    if not path.suffix:
        path = path.with_suffix(ENDINGS[0])
    if path.suffix.lower() not in ENDINGS:
        raise HalfstopError(f'{quoted(path.name)}: expected a name that ends in .yaml; write "{path.stem}.yaml"')
    # Ask the system itself, which also says what name is too long for it.
    try:
        folder_is_there = path.parent.is_dir()
        path.is_file()
    except OSError as error:
        raise HalfstopError(f"{quoted(path.name)}: cannot be written: {error.strerror}; choose another name") from None
    if not folder_is_there:
        raise HalfstopError(f"{path.parent}: there is no such folder; make it first, or name another")
    if is_original(path):
        raise HalfstopError(f"{path}: this is a set-up that comes with the program; name another file")
    return path


def copied_example(name: object, path: Path) -> Path:
    """Copy a set-up to a new file; never replaces one."""
    if name not in [example.name for example in examples()]:
        raise HalfstopError(f"there is no set-up {quoted(name)}; it has {', '.join(e.name for e in examples())}")
    data = asset_path(str(name)).read_bytes()
    try:
        write_whole(path, data, durable=True, replace=False)
        sweep_pending(path.parent)
    except FileExistsError:
        raise HalfstopError(f"{path}: there is a file of this name; name another") from None
    except OSError as error:
        raise HalfstopError(f"{path}: cannot be written: {error.strerror}; name another") from None
    return path
