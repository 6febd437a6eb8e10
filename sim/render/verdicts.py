"""Verdicts on render engines, remembered from one start of the program to the next."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sim.quantities.atomic_write import sweep_pending, write_whole


@dataclass(frozen=True)
class Verdict:
    """Outcome of one engine's trial; a `lasting` verdict may be remembered."""

    usable: bool
    reason: str
    lasting: bool = True


def verdict_files() -> list[Path]:
    """Files that may remember verdicts: beside the environment, then in the user's cache."""
    folders = [Path(sys.prefix)] if sys.prefix != sys.base_prefix else []
    cache_home, home = os.environ.get("XDG_CACHE_HOME", ""), os.environ.get("HOME", "")
    if cache_home:
        folders.append(Path(cache_home) / "halfstop")
    elif home:
        folders.append(Path(home) / ".cache" / "halfstop")
    return [folder / "halfstop-engines.json" for folder in folders]


class VerdictStore:
    """Remembered verdicts: a JSON object from a key, which names library, date, size and versions.

    files: every one is read, and the first that can be written is written.
    fresh: read none of them.
    """

    def __init__(self, files: Iterable[Path] = (), *, fresh: bool = False) -> None:
        self.files = list(files)
        self.answered_from_memory = False
        self._verdicts: dict[str, tuple[bool, str]] = {}
        for path in [] if fresh else reversed(self.files):
            # Treat a damaged file as an empty one: it is only a shortcut.
            with suppress(OSError, ValueError, TypeError, AttributeError, KeyError):
                for key, (usable, reason) in json.loads(path.read_text("utf-8")).items():
                    if isinstance(usable, bool) and isinstance(reason, str):
                        self._verdicts[key] = (usable, reason)

    def get(self, key: str) -> Verdict | None:
        """Remembered verdict of `key`, or None."""
        if key not in self._verdicts:
            return None
        usable, reason = self._verdicts[key]
        self.answered_from_memory = self.answered_from_memory or not usable
        return Verdict(usable, reason)

    def put(self, key: str, verdict: Verdict) -> None:
        """Remember a lasting verdict; a folder that cannot be written is no fault."""
        if not verdict.lasting:
            return
        self._verdicts[key] = (verdict.usable, verdict.reason)
        for path in self.files:
            with suppress(OSError):
                path.parent.mkdir(parents=True, exist_ok=True)
                text = json.dumps(self._verdicts, indent=1, sort_keys=True)
                write_whole(path, text.encode(), mode=0o644)
                sweep_pending(path.parent)
                return
