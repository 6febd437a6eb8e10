"""The handout's compact layers read back, as its page does: what went in must come out."""

from __future__ import annotations

import zlib

import numpy as np

from sim.reports.handout.layers import POWER


def linear_from_codes(codes: np.ndarray, k: float) -> np.ndarray:
    """Linear values of whole numbers, float64.

    >>> linear_from_codes(np.array([0, 329, 673]), 672.5625).round(3).tolist()
    [0.0, 0.18, 1.002]
    """
    return (np.asarray(codes, float) / k) ** POWER


def unpacked(data: bytes, width: int, height: int) -> np.ndarray:
    """The layer (h, w, 3) of whole numbers in zipped bytes."""
    low, high, top = np.frombuffer(zlib.decompress(data), np.uint8).reshape(3, 3, height, width).astype(np.int64)
    folded = low | high << 8 | top << 16
    left_over = np.where(folded & 1, -(folded + 1) // 2, folded // 2)
    left_over[0] += left_over[1]
    left_over[2] += left_over[1]
    values = np.zeros((height, width, 3), np.int64)
    rest = np.moveaxis(left_over, 0, -1)
    above_row = np.zeros((width, 3), np.int64)
    for y in range(height):
        row = values[y]
        for x in range(width):
            above = above_row[x]
            left, corner = (row[x - 1], above_row[x - 1]) if x else (above, above)
            low_, high_ = np.minimum(left, above), np.maximum(left, above)
            guess = np.where(corner >= high_, low_, np.where(corner <= low_, high_, left + above - corner))
            row[x] = guess + rest[y, x]
        above_row = row
    return values.astype(np.uint16)
