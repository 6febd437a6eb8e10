"""Where the files shipped with the package lie, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

# Folder of the shipped files and the ending of those that the program reads.
FOLDERS = {"meshes": ".npz", "scenes": ".yaml", "scenes/starts": ".yaml"}
# A wheel carries the folders inside the package; a checkout has them beside it.
_PACKAGE = Path(__file__).resolve().parent.parent
_ROOTS = (_PACKAGE, _PACKAGE.parent)


def asset_path(name: str) -> Path:
    """Path of a shipped mesh or scene by its bare file name, such as "standin.npz" or "recital.yaml".

    name: file name without a folder.
    Does not: look in the user's own folders; open the file.
    Raises FileNotFoundError for a name that is not bare or not shipped.

    >>> asset_path("../secret.npz")
    Traceback (most recent call last):
    FileNotFoundError: halfstop ships no file called '../secret.npz'
    """
    if name == Path(name).name:
        for root in _ROOTS:
            for folder in FOLDERS:
                path = root / folder / name
                if path.is_file():
                    return path
    raise FileNotFoundError(f"halfstop ships no file called {name!r}")


def asset_names(folder: str) -> list[str]:
    """Sorted bare names of the meshes (.npz) or scenes (.yaml) that are shipped in `folder`."""
    if folder not in FOLDERS:
        raise ValueError(f"unknown asset folder {folder!r}: use one of {tuple(FOLDERS)}")
    files = (path for root in _ROOTS if (root / folder).is_dir() for path in (root / folder).iterdir())
    return sorted({path.name for path in files if path.is_file() and path.suffix == FOLDERS[folder]})
