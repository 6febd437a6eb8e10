"""What the camera sees first, kept from frame to frame: one surface for the middle of each pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.render.stage.build import Stage
from sim.render.transport.lighting import shapes_met

# Places in a pixel that are looked at where one is not enough, in a row each: a rotated grid.
PLACES = ((0.125, 0.625), (0.375, 0.125), (0.625, 0.875), (0.875, 0.375))
# A pixel is busy where its places, or it and its neighbours, face ways whose mean is this much shorter than 1, and
# where its places show several things.
BUSY_FROM = 0.002


@dataclass
class FirstHits:
    """Surfaces met through the middles of a picture's pixels, row by row from the top.

    `si`, `bsdf` of each; `albedo` its diffuse reflectance; `part` its number in the stage's region names; `footprint_m`
    how wide a pixel is on it; `columns`, `rows` of the picture, UInt32.
    """

    si: Any
    bsdf: Any
    albedo: Any
    part: Any
    footprint_m: Any
    columns: Any
    rows: Any


@dataclass
class BusyHits:
    """Surfaces met through several places of the busy pixels: edges, hair, sequins.

    `si`, `bsdf` of each, the places of one pixel side by side; `pixel` the numbers of the busy pixels; `row` by pixel
    of the picture 1 + its place among the busy ones, 0 for the others.
    """

    si: Any
    bsdf: Any
    pixel: Any
    row: Any


def first_hits_of(stage: Stage, size: tuple[int, int]) -> FirstHits:
    """The surfaces that a stage's camera sees in a picture of `size` (width, height), through the lens's middle."""
    pixel = dr.arange(mi.UInt32, size[0] * size[1])
    si, bsdf, part = _met(stage, size, pixel, mi.Point2f(0.5, 0.5))
    met = si.is_valid()
    albedo = dr.select(met, bsdf.eval_diffuse_reflectance(si, met), 0)
    across = 2 * math.tan(math.radians(stage.layout.camera.horizontal_fov_deg) / 2) / size[0]
    columns, rows = dr.opaque(mi.UInt32, size[0]), dr.opaque(mi.UInt32, size[1])
    hits = FirstHits(si, bsdf, albedo, part, dr.select(met, si.t * dr.opaque(mi.Float, across), 1), columns, rows)
    dr.eval(hits)
    return hits


def busy_hits_of(stage: Stage, size: tuple[int, int]) -> BusyHits:
    """The surfaces behind several places of those pixels that show more than one."""
    count = size[0] * size[1]
    lane = dr.arange(mi.UInt32, len(PLACES) * count)
    si, _, part = _met(stage, size, lane // len(PLACES), _places(lane))
    facing = mi.Vector3f(*(dr.block_sum(axis, len(PLACES)) / len(PLACES) for axis in si.sh_frame.n))
    dr.eval(facing)
    parts = [dr.gather(mi.UInt32, part, dr.arange(mi.UInt32, count) * len(PLACES) + place) for place in range(4)]
    differ = (parts[0] != parts[1]) | (parts[0] != parts[2]) | (parts[0] != parts[3])
    around = _mean_around(facing, size)
    busy = differ | (dr.norm(facing) < 1 - BUSY_FROM) | (dr.norm(around) < 1 - BUSY_FROM)
    pixel = dr.compress(busy)
    number = dr.width(pixel)
    row = dr.zeros(mi.UInt32, count)
    dr.scatter(row, dr.arange(mi.UInt32, number) + 1, pixel)
    lane = dr.arange(mi.UInt32, len(PLACES) * number)
    si, bsdf, _ = _met(stage, size, dr.gather(mi.UInt32, pixel, lane // len(PLACES)), _places(lane))
    hits = BusyHits(si, bsdf, pixel, row)
    dr.eval(hits)
    return hits


def _mean_around(vectors: Any, size: tuple[int, int]) -> Any:
    """Mean of the vectors of each pixel and its eight neighbours, Vector3f."""
    pixel, total = dr.arange(mi.UInt32, size[0] * size[1]), mi.Vector3f(0)
    columns, rows = dr.opaque(mi.UInt32, size[0]), dr.opaque(mi.UInt32, size[1])
    for down in (-1, 0, 1):
        for across in (-1, 0, 1):
            total += dr.gather(mi.Vector3f, vectors, neighbour(pixel, across, down, columns, rows))
    return total / 9


def neighbour(pixel: Any, across: int, down: int, columns: Any, rows: Any) -> Any:
    """Number of the pixel that lies so many columns and rows away, held inside the picture."""
    column = dr.clip(mi.Int32(pixel % columns) + across, 0, mi.Int32(columns) - 1)
    row = dr.clip(mi.Int32(pixel // columns) + down, 0, mi.Int32(rows) - 1)
    return mi.UInt32(row) * columns + mi.UInt32(column)


def opaque_vector(values: np.ndarray) -> Any:
    """A vector (3,) whose numbers are no part of a kernel."""
    return mi.Vector3f(*(dr.opaque(mi.Float, float(value)) for value in values))


def _places(lane: Any) -> Any:
    across, down = (mi.Float([place[axis] for place in PLACES]) for axis in (0, 1))
    number = lane % len(PLACES)
    return mi.Point2f(dr.gather(mi.Float, across, number), dr.gather(mi.Float, down, number))


def _met(stage: Stage, size: tuple[int, int], pixel: Any, place: Any) -> tuple[Any, Any, Any]:
    """Surface interaction, surface and part behind a place (0 to 1) of each pixel."""
    columns, rows = dr.opaque(mi.UInt32, size[0]), dr.opaque(mi.UInt32, size[1])
    corner = mi.Point2f(mi.Float(pixel % columns), mi.Float(pixel // columns))
    place = (corner + place) / mi.Vector2f(mi.Float(columns), mi.Float(rows))
    # A pinhole in the middle of the lens; opaque numbers, so that no other camera asks for another kernel.
    right, up, forward = (opaque_vector(axis) for axis in stage.layout.camera.axes)
    half = math.tan(math.radians(stage.layout.camera.horizontal_fov_deg) / 2)
    across = (2 * place.x - 1) * dr.opaque(mi.Float, half)
    upward = (1 - 2 * place.y) * dr.opaque(mi.Float, half * size[1] / size[0])
    way = dr.normalize(forward + across * right + upward * up)
    ray = mi.Ray3f(mi.Point3f(opaque_vector(stage.layout.camera.position_m)), way)
    si = stage.scene.ray_intersect(ray, mi.RayFlags.All, True)
    bsdf = si.bsdf(ray)
    part = dr.gather(mi.UInt32, mi.UInt32(stage.shape_part), shapes_met(si), si.is_valid())
    dr.eval(si, bsdf, part)
    return si, bsdf, part
