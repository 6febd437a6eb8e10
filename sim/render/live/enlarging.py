"""Small pictures brought to full size along the surfaces: joint bilateral upsampling [Kopf:2007]; widths by trial."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi

from sim.render.live.hits import FirstHits
from sim.render.live.recordings import Recordings

# Keeps a surface that reflects next to nothing diffusely from deciding the brightness.
ALBEDO_FLOOR = 0.05
NORMAL_WIDTH = 0.4
# In footprints of a small pixel off the surface.
OFF_SURFACE = 2.0


@dataclass
class Taps:
    """Numbers `at` and `weights` of the four small pixels that each full-size one is made of."""

    at: list[Any]
    weights: list[Any]


def taps_of(small: FirstHits, full: FirstHits, recordings: Recordings) -> Taps:
    """How the full-size picture is made from the small one: from those of the nearest four that lie on its surface."""
    taps: Taps = recordings.of(("taps",), _taps)(small, full)
    return taps


def _taps(small: FirstHits, full: FirstHits) -> Taps:
    pixel = dr.arange(mi.UInt32, dr.width(full.part))
    x = (mi.Float(pixel % full.columns) + 0.5) * mi.Float(small.columns) / mi.Float(full.columns) - 0.5
    y = (mi.Float(pixel // full.columns) + 0.5) * mi.Float(small.rows) / mi.Float(full.rows) - 0.5
    left, top = dr.floor(x), dr.floor(y)
    at, weights = [], []
    for down in (0, 1):
        for across in (0, 1):
            column = dr.clip(mi.Int32(left) + across, 0, mi.Int32(small.columns) - 1)
            row = dr.clip(mi.Int32(top) + down, 0, mi.Int32(small.rows) - 1)
            number = mi.UInt32(row) * small.columns + mi.UInt32(column)
            near = (1 - dr.abs(x - left - across)) * (1 - dr.abs(y - top - down))
            off = dr.dot(full.si.n, dr.gather(mi.Point3f, small.si.p, number) - full.si.p)
            off = dr.abs(off) / (OFF_SURFACE * dr.gather(mi.Float, small.footprint_m, number))
            turned = dr.squared_norm(dr.gather(mi.Normal3f, small.si.sh_frame.n, number) - full.si.sh_frame.n)
            same = dr.gather(mi.UInt32, small.part, number) == full.part
            alike = dr.exp(-dr.square(off) - turned / NORMAL_WIDTH**2)
            # Fall back to the nearest pixels where no surface agrees.
            weights.append((dr.maximum(near, 0) + 0.01) * (dr.select(same, alike, 0) + 1e-4))
            at.append(number)
    total = sum(weights[1:], weights[0])
    return Taps(at, [weight / total for weight in weights])


def enlarged(color: Any, taps: Taps) -> Any:
    """A small picture's colours, Color3f, at full size."""
    return sum(
        (weight * dr.gather(mi.Color3f, color, at) for weight, at in zip(taps.weights, taps.at, strict=True)),
        mi.Color3f(0),
    )


def enlarged_values(values: Any, taps: Taps) -> Any:
    """A small picture's values, Float, at full size."""
    return sum(
        (weight * dr.gather(mi.Float, values, at) for weight, at in zip(taps.weights, taps.at, strict=True)),
        mi.Float(0),
    )
