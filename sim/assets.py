"""Where the files shipped with the package lie, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

# A wheel carries the folders inside the package; a checkout has them beside it.
_PACKAGE = Path(__file__).resolve().parent
_ROOTS = (_PACKAGE, _PACKAGE.parent)
_FOLDER_OF_SUFFIX = {".npz": "meshes", ".yaml": "scenes"}


def asset_path(name: str) -> Path:
    """Path of a shipped file by its bare name: meshes end in .npz, scenes in .yaml.

    name: file name such as "standin.npz" or "recital.yaml", without a folder.
    Does not: look in the user's own folders; open the file.
    Raises FileNotFoundError with the place searched.

    >>> asset_path("../secret.npz")
    Traceback (most recent call last):
    FileNotFoundError: no shipped file is called '../secret.npz' (a bare name ending in .npz or .yaml)
    """
    folder = _FOLDER_OF_SUFFIX.get(Path(name).suffix)
    if folder is None or name != Path(name).name:
        kinds = " or ".join(_FOLDER_OF_SUFFIX)
        raise FileNotFoundError(f"no shipped file is called {name!r} (a bare name ending in {kinds})")
    for root in _ROOTS:
        path = root / folder / name
        if path.is_file():
            return path
    raise FileNotFoundError(f"the shipped file {folder}/{name} is missing: install halfstop again")


def asset_names(folder: str) -> list[str]:
    """Sorted bare names of the shipped files in `folder`: "meshes" or "scenes"."""
    if folder not in _FOLDER_OF_SUFFIX.values():
        raise ValueError(f"unknown asset folder {folder!r}: use one of {sorted(_FOLDER_OF_SUFFIX.values())}")
    suffixes = {suffix for suffix, home in _FOLDER_OF_SUFFIX.items() if home == folder}
    found = {
        path.name
        for root in _ROOTS
        if (root / folder).is_dir()
        for path in (root / folder).iterdir()
        if path.suffix in suffixes
    }
    return sorted(found)
