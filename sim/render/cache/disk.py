"""Layers and readings kept from one run to the next, in a folder of the user's.

HALFSTOP_CACHE=off keeps none, HALFSTOP_CACHE=PATH chooses the folder. Each file is written beside its place and
renamed, and holds its own checksum: one that fails it is removed and counts as missing. Past two gibibytes the least
recently used go.
"""

from __future__ import annotations

import hashlib
import io
import os
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from sim.quantities.atomic_write import write_whole
from sim.render.fingerprint import DIGEST_BYTES

LIMIT_BYTES = 2 << 30
SUFFIX = ".layer"
# What another process has not finished after so long was left behind by one that ended.
STALE_S = 3600.0

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
            write_whole(self._path(key), (_checksum(key, body), body), private=True, prefix=".new-")
            self._trim()

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}{SUFFIX}"

    def _trim(self) -> None:
        entries: list[tuple[float, int, str]] = []
        with os.scandir(self.folder) as found:
            for item in found:
                # Another run may take a file away at any moment.
                with suppress(FileNotFoundError):
                    facts = item.stat(follow_symlinks=False)
                    if item.name.startswith(".new-") and facts.st_mtime < time.time() - STALE_S:
                        os.unlink(item.path)
                    elif item.name.endswith(SUFFIX):
                        entries.append((facts.st_mtime_ns, facts.st_size, item.path))
        excess = sum(size for _, size, _ in entries) - self.limit_bytes
        for _, size, path in sorted(entries):
            if excess <= 0:
                break
            with suppress(FileNotFoundError):
                os.unlink(path)
            excess -= size


def _checksum(key: str, body: memoryview) -> bytes:
    # Bind the content to its key, so that a file under a wrong name fails too.
    return hashlib.blake2b(body, digest_size=DIGEST_BYTES, key=bytes.fromhex(key)[:64]).digest()
