"""The sets that were open last, in a file of the state folder: the newest first."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from pathlib import Path

from sim.quantities.atomic_write import write_whole
from sim.room.document.state_folder import bytes_from_file

MOST = 12
LONGEST_FILE_BYTES = 1 << 17


def recent_paths(state_folder: Path) -> list[Path]:
    """Real paths of the scene files that were open last, newest first; empty where nothing is known.

    Does not: look whether they are still there.
    """
    try:
        told = json.loads(bytes_from_file(_file(state_folder), LONGEST_FILE_BYTES))
    except (OSError, ValueError, RecursionError):
        return []
    paths = told.get("recent") if isinstance(told, dict) else None
    if not isinstance(paths, list):
        return []
    return [Path(path) for path in paths if isinstance(path, str) and path.isprintable() and os.path.isabs(path)][:MOST]


def remember_recent(state_folder: Path, path: Path) -> None:
    """Put a scene file first among those that were open last."""
    real = os.path.realpath(path)
    others = [str(other) for other in recent_paths(state_folder) if str(other) != real]
    told = json.dumps({"recent": [real, *others][:MOST]}, indent=1)
    # To be without it costs a shortcut, no work.
    with suppress(OSError):
        state_folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(_file(state_folder), told.encode("ascii"), private=True)


def _file(state_folder: Path) -> Path:
    return state_folder / "recent.json"
