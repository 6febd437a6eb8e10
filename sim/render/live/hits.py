"""What the camera sees first, kept from frame to frame: one surface for the middle of each pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.render.live.ground import Bodies, Ground, Meeting
from sim.render.live.recordings import Recordings
from sim.render.transport.lighting import shapes_met
from sim.studio.layout import CameraView

# Places in a pixel that are looked at where one is not enough, in a row each: a rotated grid.
PLACES = ((0.125, 0.625), (0.375, 0.125), (0.625, 0.875), (0.875, 0.375))
# A pixel is busy where its places, or it and its neighbours, face ways whose mean is this much shorter than 1, and
# where its places show several things.
BUSY_FROM = 0.002


@dataclass
class Lens:
    """A pinhole in the middle of a camera's lens and the picture behind it, numbers that are no part of a kernel.

    `right`, `up`, `forward` and `place` in the world; `across`, `upward` half the picture at distance 1; `columns`,
    `rows` of it.
    """

    right: Any
    up: Any
    forward: Any
    place: Any
    across: Any
    upward: Any
    columns: Any
    rows: Any

    def ray(self, pixel: Any, place: Any) -> Any:
        """The ray through a place (0 to 1) of each pixel."""
        corner = mi.Point2f(mi.Float(pixel % self.columns), mi.Float(pixel // self.columns))
        place = (corner + place) / mi.Vector2f(mi.Float(self.columns), mi.Float(self.rows))
        right, up = (2 * place.x - 1) * self.across, (1 - 2 * place.y) * self.upward
        way = dr.normalize(self.forward + right * self.right + up * self.up)
        return mi.Ray3f(mi.Point3f(self.place), way)

    def pixel_of(self, points: Any) -> tuple[Any, Any]:
        """Number of the pixel in which each point is seen, held inside the picture, and whether it lies before it."""
        offset = points - self.place
        depth = dr.dot(offset, self.forward)
        columns, rows = mi.Float(self.columns), mi.Float(self.rows)
        x = (dr.dot(offset, self.right) / depth / self.across + 1) / 2 * columns
        y = (1 - dr.dot(offset, self.up) / depth / self.upward) / 2 * rows
        column, row = (mi.UInt32(dr.clip(value, 0, most - 1)) for value, most in ((x, columns), (y, rows)))
        return row * self.columns + column, depth > 1e-3


def lens_of(camera: CameraView, size: tuple[int, int]) -> Lens:
    """A camera with a picture of `size` (width, height)."""
    right, up, forward = (opaque_vector(axis) for axis in camera.axes)
    half = math.tan(math.radians(camera.horizontal_fov_deg) / 2)
    across, upward = dr.opaque(mi.Float, half), dr.opaque(mi.Float, half * size[1] / size[0])
    columns, rows = dr.opaque(mi.UInt32, size[0]), dr.opaque(mi.UInt32, size[1])
    return Lens(right, up, forward, opaque_vector(camera.position_m), across, upward, columns, rows)


@dataclass
class FirstHits:
    """Surfaces met through the middles of a picture's pixels, row by row from the top.

    `met` and `bsdf` of each; `albedo` its diffuse reflectance; `part` its number in the stage's region names;
    `footprint_m` how wide a pixel is on it; `columns`, `rows` of the picture, UInt32.
    """

    met: Meeting
    bsdf: Any
    albedo: Any
    part: Any
    footprint_m: Any
    columns: Any
    rows: Any

    @property
    def si(self) -> Any:
        """Where the surfaces are in the world."""
        return self.met.si


@dataclass
class BusyHits:
    """Surfaces met through several places of the busy pixels: edges, hair, sequins.

    `met`, `bsdf` of each, the places of one pixel side by side; `pixel` the numbers of the busy pixels; `row` by pixel
    of the picture 1 + its place among the busy ones, 0 for the others.
    """

    met: Meeting
    bsdf: Any
    pixel: Any
    row: Any


def first_hits_of(ground: Ground, size: tuple[int, int], recordings: Recordings) -> FirstHits:
    """The surfaces that a ground's camera sees in a picture of `size` (width, height), through the lens's middle."""
    look = recordings.of(("first hits",), _first_hits)
    hits: FirstHits = look(ground.bodies, lens_of(ground.camera, size), ground.part_of_shape, _numbers(size))
    return hits


def _first_hits(bodies: Bodies, lens: Lens, part_of_shape: Any, pixel: Any) -> FirstHits:
    met, bsdf, part = _seen(bodies, lens.ray(pixel, mi.Point2f(0.5, 0.5)), part_of_shape)
    is_met = met.si.is_valid()
    albedo = dr.select(is_met, bsdf.eval_diffuse_reflectance(met.own(), is_met), 0)
    footprint_m = dr.select(is_met, met.si.t * 2 * lens.across / mi.Float(lens.columns), 1)
    return FirstHits(met, bsdf, albedo, part, footprint_m, lens.columns, lens.rows)


def busy_hits_of(ground: Ground, size: tuple[int, int], recordings: Recordings) -> BusyHits:
    """The surfaces behind several places of those pixels that show more than one."""
    bodies, lens, parts = ground.bodies, lens_of(ground.camera, size), ground.part_of_shape
    places = _places()
    lane = dr.arange(mi.UInt32, len(PLACES) * size[0] * size[1])
    dr.eval(lane)
    facing, part = recordings.of(("facing",), _facing)(bodies, lens, parts, lane, places)
    busy = recordings.of(("busy",), _is_busy)(facing, part, lens, _numbers(size))
    pixel = dr.compress(busy)
    number = dr.width(pixel)
    row = dr.zeros(mi.UInt32, size[0] * size[1])
    dr.scatter(row, dr.arange(mi.UInt32, number) + 1, pixel)
    lane = dr.arange(mi.UInt32, len(PLACES) * number)
    dr.eval(lane, row)
    met, bsdf = recordings.of(("busy hits",), _busy_hits)(bodies, lens, parts, pixel, lane, places)
    return BusyHits(met, bsdf, pixel, row)


def _facing(bodies: Bodies, lens: Lens, part_of_shape: Any, lane: Any, places: Any) -> tuple[Any, Any]:
    """Mean way that the places of each pixel face, and each place's part."""
    met, _, part = _seen(bodies, lens.ray(lane // len(PLACES), _place(places, lane)), part_of_shape)
    normal = met.si.sh_frame.n
    dr.eval(normal, part)
    return mi.Vector3f(*(dr.block_sum(axis, len(PLACES)) / len(PLACES) for axis in normal)), part


def _is_busy(facing: Any, part: Any, lens: Lens, pixel: Any) -> Any:
    parts = [dr.gather(mi.UInt32, part, pixel * len(PLACES) + place) for place in range(len(PLACES))]
    differ = (parts[0] != parts[1]) | (parts[0] != parts[2]) | (parts[0] != parts[3])
    around = mi.Vector3f(0)
    for down in (-1, 0, 1):
        for across in (-1, 0, 1):
            around += dr.gather(mi.Vector3f, facing, neighbour(pixel, across, down, lens.columns, lens.rows))
    return differ | (dr.norm(facing) < 1 - BUSY_FROM) | (dr.norm(around) / 9 < 1 - BUSY_FROM)


def _busy_hits(bodies: Bodies, lens: Lens, part_of_shape: Any, pixel: Any, lane: Any, places: Any) -> Any:
    seen_by = dr.gather(mi.UInt32, pixel, lane // len(PLACES))
    met, bsdf, _ = _seen(bodies, lens.ray(seen_by, _place(places, lane)), part_of_shape)
    return met, bsdf


def _seen(bodies: Bodies, ray: Any, part_of_shape: Any) -> tuple[Meeting, Any, Any]:
    """Meeting, surface and part of each ray."""
    met = bodies.ray_intersect(ray)
    part = dr.gather(mi.UInt32, part_of_shape, shapes_met(met.si), met.si.is_valid())
    return met, met.si.bsdf(), part


def neighbour(pixel: Any, across: int, down: int, columns: Any, rows: Any) -> Any:
    """Number of the pixel that lies so many columns and rows away, held inside the picture."""
    column = dr.clip(mi.Int32(pixel % columns) + across, 0, mi.Int32(columns) - 1)
    row = dr.clip(mi.Int32(pixel // columns) + down, 0, mi.Int32(rows) - 1)
    return mi.UInt32(row) * columns + mi.UInt32(column)


def opaque_vector(values: np.ndarray) -> Any:
    """A vector (3,) whose numbers are no part of a kernel."""
    return mi.Vector3f(*(dr.opaque(mi.Float, float(value)) for value in values))


def _numbers(size: tuple[int, int]) -> Any:
    pixel = dr.arange(mi.UInt32, size[0] * size[1])
    dr.eval(pixel)
    return pixel


def _places() -> Any:
    places = [mi.Float([place[axis] for place in PLACES]) for axis in (0, 1)]
    dr.make_opaque(places)
    return places


def _place(places: Any, lane: Any) -> Any:
    number = lane % len(PLACES)
    return mi.Point2f(dr.gather(mi.Float, places[0], number), dr.gather(mi.Float, places[1], number))
