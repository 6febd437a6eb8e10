"""The sitter's outline in a picture: what lies just inside and just outside it, per light, with the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.quantities import color
from sim.studio.figure.parts import REGIONS as SITTER_REGIONS

BEHIND_REGIONS = ("backdrop", "room", "nothing")
# Width of the bands on both sides as a standard deviation, in parts of the picture's height: common practice, no
# source.
BAND_OF_HEIGHT = 0.008
LEAST_BAND_PX = 1.5
# Pixels on the border mix both sides and are left out.
BORDER_PX = 1


@dataclass(frozen=True)
class Outline:
    """Light beside the sitter's outline, at the p pixels of the sitter that touch what is behind.

    `rows`, `columns` (p,); `region` (p,) index of the sitter's part; `inside`, `outside` (p, k): luminous exposure in
    cd s/m2 of each light on the two sides; `inside_error`, `outside_error` (p,): standard errors of their sums.
    """

    rows: np.ndarray
    columns: np.ndarray
    region: np.ndarray
    inside: np.ndarray
    outside: np.ndarray
    inside_error: np.ndarray
    outside_error: np.ndarray


def sitter_mask(stack: LightStack) -> np.ndarray:
    """Pixels (h, w) that show the sitter."""
    return np.isin(stack.region, [stack.region_names.index(name) for name in SITTER_REGIONS])


def outline_of(stack: LightStack, mix: Mix, shutter_s: float) -> Outline:
    """Follow the sitter's outline against the backdrop or room and average the light on both sides of it.

    Each value is a mean under a bell about 1 % of the picture's height wide, over pixels of that side alone.
    Does not: look at outlines against lights, panels or the sitter's own parts; read a denoised layer.
    """
    sitter = sitter_mask(stack)
    behind = np.isin(stack.region, [stack.region_names.index(n) for n in BEHIND_REGIONS if n in stack.region_names])
    edge = sitter & ndimage.binary_dilation(behind)
    inner, outer = (
        ndimage.binary_erosion(sitter, iterations=BORDER_PX),
        ndimage.binary_erosion(behind, iterations=BORDER_PX),
    )
    sigma = max(LEAST_BAND_PX, BAND_OF_HEIGHT * stack.size[1])
    rows, columns = np.nonzero(edge)
    weights = mix.weights_rgb(shutter_s)
    exposure = color.luminance(stack.pixels * weights[:, None, None, :])
    variance = (stack.variance * np.square(color.luminance(weights))[:, None, None]).sum(axis=0)
    sides = []
    for mask in (inner, outer):
        share = ndimage.gaussian_filter(mask.astype(float), sigma, truncate=4)[rows, columns]
        share = np.where(share > 1e-3, share, np.nan)
        means = np.stack([
            ndimage.gaussian_filter(np.where(mask, layer, 0).astype(float), sigma, truncate=4)[rows, columns] / share
            for layer in exposure
        ], axis=1)  # fmt: skip
        # The square of a bell is a bell of 1 / sqrt 2 its width, over 4 pi sigma squared.
        spread = ndimage.gaussian_filter(np.where(mask, variance, 0), sigma / np.sqrt(2), truncate=5.7)[rows, columns]
        sides.append((means, np.sqrt(np.maximum(spread, 0) / (4 * np.pi * sigma**2)) / share))
    (inside, inside_error), (outside, outside_error) = sides
    known = np.isfinite(inside).all(axis=1) & np.isfinite(outside).all(axis=1)
    # Leave out the picture's own edges, where a side is cut off.
    known &= (
        (rows > sigma) & (rows < stack.size[1] - 1 - sigma) & (columns > sigma) & (columns < stack.size[0] - 1 - sigma)
    )
    return Outline(
        rows[known],
        columns[known],
        stack.region[rows[known], columns[known]],
        inside[known],
        outside[known],
        inside_error[known],
        outside_error[known],
    )
