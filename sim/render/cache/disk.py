"""Layers and readings kept from one run to the next, in a folder of the user's.

HALFSTOP_CACHE=off keeps none, HALFSTOP_CACHE=PATH chooses the folder. Each file is written beside its place and
renamed, and holds its own checksum: one that fails it is removed and counts as missing. Past two gibibytes the least
recently used go. `halfstop cache` says where it is and how full, `halfstop cache --clear` empties it.
"""

from __future__ import annotations

import hashlib
import io
import os
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from sim.quantities.atomic_write import sweep_pending, write_whole
from sim.render.fingerprint import DIGEST_BYTES

LIMIT_BYTES = 2 << 30
SUFFIX = ".layer"
PENDING_PREFIX = ".new-"
# A file system's clock and the machine's may differ by so much.
CLOCK_SLACK_NS = 2_000_000_000

Arrays = dict[str, npt.NDArray[Any]]


class Store(Protocol):
    """Arrays by key: `LayerStore` on disk, or one that a process keeps for itself."""

    def get(self, key: str) -> Arrays | None: ...
    def put(self, key: str, arrays: Arrays) -> None: ...


def store_from_environment(environ: Mapping[str, str] = os.environ) -> LayerStore | None:
    """The user's store, or None where HALFSTOP_CACHE=off or there is no folder to keep it in."""
    asked = environ.get("HALFSTOP_CACHE", "").strip()
    if asked.lower() in ("off", "no", "0"):
        return None
    if asked:
        return LayerStore(Path(asked).expanduser())
    cache_home, home = environ.get("XDG_CACHE_HOME", ""), environ.get("HOME", "")
    if cache_home:
        return LayerStore(Path(cache_home) / "halfstop" / "layers")
    if home and os.access(home, os.W_OK):
        return LayerStore(Path(home) / ".cache" / "halfstop" / "layers")
    return LayerStore(Path(sys.prefix) / "halfstop-layers") if sys.prefix != sys.base_prefix else None


@dataclass(frozen=True)
class Entry:
    """A file of the store: when it was last used, in ns since 1970, its size and its path."""

    used_ns: int
    size_bytes: int
    path: str


class LayerStore:
    """Arrays by key, one file each, in a folder that several runs may share.

    Arguments: `folder` made when first written; `limit_bytes` of all entries together, at least 0.
    Does not: fail when the folder cannot be written or read; it only keeps nothing then.
    """

    def __init__(self, folder: Path, limit_bytes: int = LIMIT_BYTES) -> None:
        self.folder = folder
        self.limit_bytes = limit_bytes

    def get(self, key: str) -> Arrays | None:
        """The arrays kept under a key, or None; a damaged entry is removed."""
        path = self._path(key)
        try:
            data = path.read_bytes()
        except OSError:
            return None
        told, body = data[:DIGEST_BYTES], memoryview(data)[DIGEST_BYTES:]
        if told != _checksum(key, body):
            with suppress(OSError):
                path.unlink()
            return None
        # Mark the entry as used now.
        with suppress(OSError):
            os.utime(path)
        with np.load(io.BytesIO(body), allow_pickle=False) as entry:
            return {name: entry[name] for name in entry.files}

    def put(self, key: str, arrays: Arrays) -> None:
        """Keep arrays under a key, then let the least recently used entries go until all fit the limit."""
        stream = io.BytesIO()
        np.savez(stream, allow_pickle=False, **arrays)
        body = stream.getbuffer()
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            write_whole(self._path(key), (_checksum(key, body), body), private=True, prefix=PENDING_PREFIX)
            sweep_pending(self.folder, PENDING_PREFIX)
            self._trim(newest=self._path(key))

    def entries(self) -> list[Entry]:
        """All entries; none where there is no folder yet. Raises OSError where it cannot be read."""
        entries: list[Entry] = []
        with suppress(FileNotFoundError), os.scandir(self.folder) as items:
            for item in items:
                # Another run may take a file away at any moment.
                with suppress(FileNotFoundError):
                    if item.name.endswith(SUFFIX) and item.is_file(follow_symlinks=False):
                        facts = item.stat(follow_symlinks=False)
                        entries.append(Entry(facts.st_mtime_ns, facts.st_size, item.path))
        return entries

    def clear(self) -> tuple[list[Entry], list[Entry]]:
        """Remove all entries, and what killed runs left half written; returns those that went and those that stayed."""
        gone: list[Entry] = []
        stayed: list[Entry] = []
        for entry in self.entries():
            (gone if _removed(entry.path) else stayed).append(entry)
        sweep_pending(self.folder, PENDING_PREFIX)
        return gone, stayed

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}{SUFFIX}"

    def _trim(self, newest: Path) -> None:
        entries = sorted(self.entries(), key=lambda entry: (entry.path == str(newest), entry.used_ns, entry.path))
        _bring_back_to_now(entries)
        excess = sum(entry.size_bytes for entry in entries) - self.limit_bytes
        for entry in entries:
            if excess <= 0:
                break
            # One that cannot go stays, and the next one goes in its place.
            if _removed(entry.path):
                excess -= entry.size_bytes


def _bring_back_to_now(entries: list[Entry]) -> None:
    """Date entries that a clock since set back left in the future just before now, in their order.

    Without this all that is kept from now on would count as older than they, and go first.
    """
    now_ns = time.time_ns()
    ahead = [entry for entry in entries if entry.used_ns > now_ns + CLOCK_SLACK_NS]
    for place, entry in enumerate(ahead):
        used_ns = now_ns - CLOCK_SLACK_NS + place
        with suppress(OSError):
            os.utime(entry.path, ns=(used_ns, used_ns))


def _removed(path: str) -> bool:
    """Remove a file; whether it is gone."""
    try:
        os.unlink(path)
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return True


def _checksum(key: str, body: memoryview) -> bytes:
    # Bind the content to its key, so that a file under a wrong name fails too.
    return hashlib.blake2b(body, digest_size=DIGEST_BYTES, key=bytes.fromhex(key)[:64]).digest()
