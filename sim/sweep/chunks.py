"""A sweep's folder: finished chunks, pictures, and the plan; what is finished is what its chunks say.

    plan.json              the study as it was last run: axes, wishes, every variation's id and values
    chunks/chunk-*.parquet   finished variations; a chunk's name is the checksum of its bytes
    pictures/*.png         one for each variation, named by its id; layers/*.exr likewise
    table.parquet, .csv    all chunks as one ranked table, written at the end of a run

Every file is written beside its place, flushed and renamed, and a chunk only after the pictures that it names. A chunk
that fails its checksum counts as never written. One process at a time writes a folder.
"""

from __future__ import annotations

import fcntl
import hashlib
import io
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from sim.quantities.atomic_write import sync_folder, write_whole
from sim.quantities.errors import HalfstopError, quoted
from sim.sweep.plan import Plan
from sim.sweep.setup import Cell, Result, Row

PLAN, LOCK, CHUNKS = "plan.json", ".halfstop-sweep.lock", "chunks"
TABLES = ("table.parquet", "table.csv")
FOLDERS = {"picture": "pictures", "layers": "layers"}
ENDINGS = {"picture": ".png", "layers": ".exr"}
PENDING_PREFIX = ".new-"
DIGEST_BYTES = 16
DONE, FAILED, WAITING = "done", "failed", "waiting"


class FolderFault(HalfstopError):
    """The folder cannot take a result; says what to mend. What was finished before stays."""


class SweepFolder:
    """A folder that chunks, pictures and the plan are written to and read from."""

    def __init__(self, path: Path) -> None:
        self.path = path

    # -- writing --

    @contextmanager
    def held(self) -> Iterator[SweepFolder]:
        """Make the folder, keep others from writing it, and take away what an earlier run left half written."""
        with _plain_faults(self.path):
            self.require_ours()
            self.path.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.path / LOCK, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise FolderFault(
                    f"{quoted(self.path)}: another sweep is writing this folder; wait for it, or choose one with --out"
                ) from None
            for pending in self.path.glob(f"**/{PENDING_PREFIX}*"):
                pending.unlink(missing_ok=True)
            yield self
        finally:
            os.close(handle)

    def require_ours(self) -> None:
        """Refuse a folder that holds other things by our names."""
        if self.path.exists() and not self.path.is_dir():
            raise FolderFault(f"{quoted(self.path)}: there is a file of this name; choose another folder with --out")
        ours = (self.path / PLAN).is_file() or (self.path / LOCK).is_file()
        names = (PLAN, CHUNKS, *TABLES, *FOLDERS.values())
        taken = [name for name in names if os.path.lexists(self.path / name)]
        if taken and not ours:
            raise FolderFault(
                f"{quoted(self.path / taken[0])}: halfstop did not make this; nothing was written; move it away or "
                "choose another folder with --out"
            )

    def write(self, name: str, data: bytes, *, last: bool = True) -> None:
        """Write one file whole or not at all; `last` of several in a folder makes sure of all of them."""
        with _plain_faults(self.path):
            place = self.path / name
            place.parent.mkdir(exist_ok=True)
            write_whole(place, data, durable=True, prefix=PENDING_PREFIX)
            if last:
                sync_folder(place.parent)

    def add(self, results: Sequence[Result], labels: Mapping[str, Mapping[str, str]]) -> None:
        """Write finished variations: their files first, then the chunk that makes them count.

        Arguments: `labels` each variation's axis values by id.
        """
        rows: list[Row] = []
        folders: set[Path] = set()
        for result in results:
            row: Row = {"id": result.id, "status": FAILED if result.reason else DONE,
                                   "reason": result.reason or None}  # fmt: skip
            row |= {f"axis.{name}": text for name, text in labels.get(result.id, {}).items()}
            for kind, data in result.files.items():
                name = file_name(kind, result.id)
                if not self._holds(name, len(data)):
                    self.write(name, data, last=False)
                row[kind], row[f"{kind}_bytes"] = name, len(data)
                folders.add((self.path / name).parent)
            rows.append(row | result.row)
        with _plain_faults(self.path):
            for folder in folders:
                sync_folder(folder)
        self._write_chunk(pa.Table.from_pylist(rows, schema=_schema(rows)))

    def _write_chunk(self, table: pa.Table) -> None:
        stream = io.BytesIO()
        # Leave out what only helps readers of large files: it would be larger than the rows.
        pq.write_table(table, stream, compression="zstd", write_statistics=False, use_dictionary=False)
        self.write(f"{CHUNKS}/chunk-{checksum(stream.getvalue())}.parquet", stream.getvalue())

    def forget(self, ids: Iterable[str]) -> None:
        """Write anew the chunks that hold some ids, without them."""
        gone = set(ids)
        for path, table in self.chunks():
            held = table.column("id").to_pylist()
            if not gone & set(held):
                continue
            left = table.filter(pa.array([name not in gone for name in held]))
            if left.num_rows:
                self._write_chunk(left)
            path.unlink(missing_ok=True)

    # -- reading --

    def chunks(self) -> Iterator[tuple[Path, pa.Table]]:
        """Every chunk whose bytes agree with its name, in the order of names."""
        for path in sorted((self.path / CHUNKS).glob("chunk-*.parquet")):
            try:
                data = path.read_bytes()
            except OSError:
                continue
            if path.name == f"chunk-{checksum(data)}.parquet":
                yield path, pq.read_table(pa.BufferReader(data))

    def finished(self) -> dict[str, str]:
        """Status by id of every variation whose chunk is good and whose files are there in full."""
        statuses: dict[str, str] = {}
        for _, table in self.chunks():
            names = set(table.column_names)
            kinds = [kind for kind in FOLDERS if kind in names]
            columns = ["id", "status", *(name for kind in kinds for name in (kind, f"{kind}_bytes"))]
            for row in table.select(columns).to_pylist():
                if all(row[kind] is None or self._holds(row[kind], row[f"{kind}_bytes"]) for kind in kinds):
                    statuses.setdefault(row["id"], row["status"])
        return statuses

    def plan(self) -> Plan:
        """The plan of the last run."""
        path = self.path / PLAN
        try:
            plan: Plan = json.loads(path.read_text("utf-8"))
        except FileNotFoundError:
            raise FolderFault(f"{quoted(self.path)}: no sweep was made here; name the folder of one") from None
        except (OSError, ValueError):
            raise FolderFault(f"{quoted(path)}: cannot be read; run the sweep again into this folder") from None
        return plan

    def _holds(self, name: str, size: int) -> bool:
        try:
            return (self.path / name).stat().st_size == size
        except OSError:
            return False


def file_name(kind: str, variation_id: str) -> str:
    """Place in the folder of a variation's file."""
    return f"{FOLDERS[kind]}/{variation_id}{ENDINGS[kind]}"


def checksum(data: bytes) -> str:
    """Checksum that is a chunk's name."""
    return hashlib.blake2b(data, digest_size=DIGEST_BYTES).hexdigest()


@contextmanager
def _plain_faults(path: Path) -> Iterator[None]:
    """Turn a fault of the disk into one plain line."""
    try:
        yield
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise FolderFault(
            f"cannot write into {quoted(path)}: {why[:1].lower()}{why[1:]}; finished variations are kept: make room, "
            "then run the same command again to go on"
        ) from None


def _schema(rows: Sequence[Row]) -> pa.Schema:
    """Types of all columns, so that one that is empty in a chunk still has its type."""
    kinds: dict[str, pa.DataType] = {}
    for row in rows:
        for name, value in row.items():
            kind = _kind(value)
            if kind is not None or name not in kinds:
                kinds[name] = kind or kinds.get(name) or pa.float64()
    kinds["reason"] = pa.string()
    return pa.schema([pa.field(name, kind) for name, kind in kinds.items()])


def _kind(value: Cell) -> pa.DataType | None:
    match value:
        case None:
            return None
        case bool():
            return pa.bool_()
        case int():
            return pa.int64()
        case str():
            return pa.string()
    return pa.float64()
