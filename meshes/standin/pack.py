"""Pack pieces into small integer arrays, and write them as a zip whose bytes depend on its content alone."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import reverse_cuthill_mckee

from .piece import Piece

SHARES_KEPT = 6


def ordered(piece: Piece) -> Piece:
    """Renumber points so that neighbours in the mesh are neighbours in the file, which packs tighter."""
    count = len(next(iter(piece.points.values())))
    edge = np.concatenate([piece.triangles[:, [0, 1]], piece.triangles[:, [1, 2]], piece.triangles[:, [2, 0]]])
    link = csr_matrix((np.ones(len(edge)), (edge[:, 0], edge[:, 1])), (count, count))
    order = np.asarray(reverse_cuthill_mckee((link + link.T).tocsr(), symmetric_mode=True))
    place = np.empty(count, int)
    place[order] = np.arange(count)
    return Piece(
        {build: points[order] for build, points in piece.points.items()},
        place[piece.triangles],
        None if piece.shares is None else piece.shares[order],
        piece.bone,
        {name: value[order] for name, value in piece.channels.items()},
    )


def stepped(values: np.ndarray) -> np.ndarray:
    """First differences along the last axis, folded to unsigned and split into low and high bytes."""
    values = values.astype(np.int64)
    step = np.diff(values, axis=-1, prepend=0)
    step = (step + 32768) % 65536 - 32768
    folded = np.where(step >= 0, 2 * step, -2 * step - 1).astype(np.uint16)
    return np.stack([folded & 255, folded >> 8]).astype(np.uint8)


def packed_points(points: np.ndarray) -> dict[str, np.ndarray]:
    """Points (n, 3) as 16-bit steps within their bounding box."""
    low, high = points.min(axis=0), points.max(axis=0)
    grid = np.round((points - low) / (high - low) * 65535.0).astype(np.int64)
    return {"box": np.stack([low, high]).astype(np.float32), "grid": stepped(grid.T)}


def packed_piece(name: str, piece: Piece) -> dict[str, np.ndarray]:
    """All arrays of one piece under `name/...` keys."""
    arrays = {}
    for build, points in piece.points.items():
        for key, value in packed_points(points).items():
            arrays[f"{name}/{build}/{key}"] = value
    if len(next(iter(piece.points.values()))) > 65535:
        raise ValueError(f"piece {name} has too many points for 16-bit corners")
    arrays[f"{name}/triangles"] = stepped(piece.triangles.T)
    if piece.shares is not None:
        best = np.argsort(-piece.shares, axis=1, kind="stable")[:, :SHARES_KEPT]
        share = np.take_along_axis(piece.shares, best, 1)
        share = np.round(share / share.sum(axis=1, keepdims=True) * 65535.0).astype(np.int64)
        arrays[f"{name}/bones"] = np.where(share > 0, best, 0).astype(np.uint8).T
        arrays[f"{name}/shares"] = stepped(share.T)
    for channel, value in piece.channels.items():
        arrays[f"{name}/channel/{channel}"] = np.round(np.clip(value, 0.0, 1.0) * 255.0).astype(np.uint8)
    return arrays


def write_asset(path: Path, arrays: dict[str, np.ndarray]) -> None:
    """Write an npz with sorted names and a fixed date."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(arrays):
            buffer = io.BytesIO()
            np.lib.format.write_array(buffer, np.ascontiguousarray(arrays[name]), version=(1, 0), allow_pickle=False)
            entry = zipfile.ZipInfo(f"{name}.npy", date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, buffer.getvalue())
