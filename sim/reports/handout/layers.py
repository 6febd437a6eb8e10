"""Light layers as a compact text: each pixel of each light on a scale that is even to the eye, packed without loss.

A value x (linear, at the scene's settings, 1.0 is white) becomes the whole number v = round(k x^(1/2.4)): sRGB's own
power, so that one step is the same small part of a code value from shadows to highlights, and noise in the black costs
nothing. Each number is predicted from its neighbours (Weinberger, Seroussi and Sapiro 2000, the median edge detector of
LOCO-I); what is left over is zipped. Whoever unpacks it gets the same whole numbers, on every machine.
"""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating]
Codes = npt.NDArray[np.uint16]

POWER = 2.4
STEPS_CODES = (0.4, 0.6, 0.8, 1.2, 2.0)  # one step of v in sRGB code values; the first that fits the page is taken
MOST = 65535


def k_from_step(step_codes: float) -> float:
    """The scale k whose step is so many sRGB code values: sRGB's 255 x 1.055 (IEC 61966-2-1) over the step.

    >>> round(k_from_step(0.4), 3)
    672.562
    """
    return 255 * 1.055 / step_codes


def codes_from_linear(linear: FloatArray, k: float) -> Codes:
    """Whole numbers (uint16) of linear values, 0 or more.

    >>> codes_from_linear(np.array([0.0, 0.18, 1.0]), 672.5625).tolist()
    [0, 329, 673]
    """
    steps: FloatArray = np.round(k * np.maximum(linear, 0.0) ** (1 / POWER))
    return np.clip(steps, 0, MOST).astype(np.uint16)


def packed_to_fit(layers: np.ndarray, most_bytes: int) -> tuple[list[bytes], float]:
    """Every layer of (n, h, w, 3) linear values zipped, and their scale k: the finest that keeps within `most_bytes`.

    The coarsest is taken when none does.
    """
    for step in STEPS_CODES:
        k = k_from_step(step)
        zipped = [packed(codes_from_linear(layer, k)) for layer in layers]
        if sum(map(len, zipped)) <= most_bytes:
            break
    return zipped, k


def packed(codes: np.ndarray) -> bytes:
    """Zipped bytes of a layer (h, w, 3) of whole numbers; `page/layers.js` reads them."""
    values = codes.astype(np.int32)
    left_over = values - predicted(values)
    # Red and blue mostly go with green.
    left_over[..., 0] -= left_over[..., 1]
    left_over[..., 2] -= left_over[..., 1]
    folded = np.where(left_over >= 0, 2 * left_over, -2 * left_over - 1).astype(np.uint32)
    planes = np.moveaxis(folded, -1, 0)
    parts = np.concatenate([(planes & 255).ravel(), (planes >> 8 & 255).ravel(), (planes >> 16).ravel()])
    return zlib.compress(parts.astype(np.uint8).tobytes(), 9)


def predicted(values: np.ndarray) -> np.ndarray:
    """Each value (h, w, 3) as its neighbours to the left, above and above left tell it.

    Beyond the left edge stands the value above, beyond the upper edge 0.
    """
    above = np.zeros_like(values)
    above[1:] = values[:-1]
    left = np.empty_like(values)
    left[:, 1:], left[:, 0] = values[:, :-1], above[:, 0]
    corner = np.empty_like(values)
    corner[:, 1:], corner[:, 0] = above[:, :-1], above[:, 0]
    low, high = np.minimum(left, above), np.maximum(left, above)
    prediction: npt.NDArray[np.integer] = np.where(
        corner >= high, low, np.where(corner <= low, high, left + above - corner)
    )
    return prediction
