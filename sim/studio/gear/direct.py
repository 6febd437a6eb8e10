"""Direct illuminance of an emitter or a whole light at points, by deterministic quadrature; numpy only.

The measured sources are solved with it, and the renderer is checked against it.
Does not: know other objects; of a light's own housing it knows the solids of its `body`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from sim.studio.gear.body import Body
from sim.studio.gear.emitter import Emitter, FloatArray, cap_hit, half_width_at, relative_radiance

BoolArray = npt.NDArray[np.bool_]

# From so many diameters away a face is a point.
FAR_DIAMETERS = 1000.0
# Fractions of 1 / g and 1 / g^2, g^3 = g + 1, whose multiples fill a square evenly: from memory.
KRONECKER_STEPS = (0.7548776662466927, 0.5698402909980532)
_FLIP = np.array([-1.0, 1.0, -1.0])


@lru_cache(maxsize=32)
def _gauss(n: int) -> tuple[FloatArray, FloatArray]:
    """Return the nodes and weights of n-point Gauss quadrature on [-1, 1]."""
    return np.polynomial.legendre.leggauss(n)


def _face_nodes(emitter: Emitter, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return x, y and area weights of about n * n quadrature nodes on a disc, polygon, or a bowl's rim opening."""
    r = emitter.width_m / 2
    if emitter.surface == "polygon":
        # Split into wedges from the centre, each the image of a square.
        g, w = _gauss(max(8, n // 2))
        u, wu = (g + 1) / 2, w / 2
        s, v = np.meshgrid(u, u, indexing="ij")
        ws = np.outer(wu * u, wu)
        xs, ys, weights = [], [], []
        for k in range(emitter.sides):
            a, b = (2 * k - 1) * math.pi / emitter.sides, (2 * k + 1) * math.pi / emitter.sides
            ax, ay, bx, by = r * math.cos(a), r * math.sin(a), r * math.cos(b), r * math.sin(b)
            xs.append((s * (ax + v * (bx - ax))).ravel())
            ys.append((s * (ay + v * (by - ay))).ravel())
            weights.append((ws * abs(ax * by - ay * bx)).ravel())
        return np.concatenate(xs), np.concatenate(ys), np.concatenate(weights)
    # Disc and rim: Gauss in radius, midpoint around.
    g, w = _gauss(n)
    radius = (g + 1) / 2 * r
    alpha = (np.arange(2 * n) + 0.5) / (2 * n) * 2 * math.pi
    x, y = np.outer(radius, np.cos(alpha)), np.outer(radius, np.sin(alpha))
    weight = np.repeat((w / 2 * r * radius)[:, None], 2 * n, 1) * math.pi / n
    return x.ravel(), y.ravel(), weight.ravel()


def _nodes_seen(emitter: Emitter, point_m: FloatArray, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return quadrature nodes on the part of a face that a tight profile lets a point see."""
    end = emitter.profile.theta_max_rad
    reach_m = point_m[2] * math.tan(end) if end < 1.5 else math.inf
    if emitter.surface == "rectangle":
        # Keep to the part of each side within reach; give the long side of a strip more nodes for its hot spot.
        halves, weights, nodes = (emitter.width_m / 2, emitter.height_m / 2), [], []
        for at, half in zip(point_m[:2], halves, strict=True):
            g, w = _gauss(n * min(10, math.ceil(half / min(halves) / 4)))
            low, high = max(-half, at - reach_m), min(half, at + reach_m)
            nodes.append((low + high) / 2 + g * max(0.0, high - low) / 2)
            weights.append(w * max(0.0, high - low) / 2)
        x, y = np.meshgrid(*nodes, indexing="ij")
        return x.ravel(), y.ravel(), np.outer(*weights).ravel()
    if reach_m > emitter.width_m / 4:
        return _face_nodes(emitter, n)
    # Spread the nodes over the small circle under the point, and keep those on the face.
    g, w = _gauss(n)
    radius = (g + 1) / 2 * reach_m
    alpha = (np.arange(2 * n) + 0.5) / (2 * n) * 2 * math.pi
    x = point_m[0] + np.outer(radius, np.cos(alpha)).ravel()
    y = point_m[1] + np.outer(radius, np.sin(alpha)).ravel()
    weight = np.repeat((w / 2 * reach_m * radius)[:, None], 2 * n, 1).ravel() * math.pi / n
    surface = replace(emitter, surface="disc") if emitter.surface == "cap" else emitter
    return x, y, np.where(np.abs(x) <= half_width_at(surface, y), weight, 0.0)


def _to_frame(emitter: Emitter, points_m: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return points and normals of the light's frame in the emitter's own frame."""
    p = points_m - np.asarray(emitter.offset_m)
    return (p * _FLIP, normals * _FLIP) if emitter.axis_flip else (p, normals)


def illuminance_from_emitter(
    emitter: Emitter,
    points_m: ArrayLike,
    normals: ArrayLike,
    n: int = 48,
    body: Iterable[Body] = (),
    receptor: str = "flat",
) -> FloatArray:
    """Return the illuminance in lx (flash: luminous exposure in lx*s) at points with normals, unobstructed.

    Args: points_m, normals (k, 3) in the light's frame, normals of unit length; n nodes along a side; body
    solids that may block; receptor "flat", which answers by the cosine, or "dome", by the cardioid (1 + cos) / 2
    of [ISO2720:1974]. A cap lights only what lies in front of its rim.
    """
    points = np.atleast_2d(np.asarray(points_m, float))
    receivers = np.atleast_2d(np.asarray(normals, float))
    blockers = tuple(body)
    total = np.zeros(len(points))
    local, local_n = _to_frame(emitter, points, receivers)
    for k in range(len(points)):
        if emitter.surface == "sphere":
            start, w, solid = _sphere_nodes(emitter, local[k], n)
            value = relative_radiance(emitter.profile, start[:, 0], start[:, 1], w) * solid
        else:
            if local[k, 2] <= 0:
                continue
            x, y, area = _nodes_seen(emitter, local[k], n)
            start = np.stack([x, y, np.zeros_like(x)], -1)
            ray = local[k] - start
            dist2 = (ray**2).sum(-1)
            w = ray / np.sqrt(dist2)[:, None]
            if emitter.surface == "cap":
                x, y = cap_hit(emitter, x, y, w)
            value = relative_radiance(emitter.profile, x, y, w) * area * w[:, 2] / dist2
        cosine = -(w @ local_n[k])
        response = (1 + cosine) / 2 if receptor == "dome" else np.clip(cosine, 0, None)
        if blockers:
            begin = (start * _FLIP if emitter.axis_flip else start) + np.asarray(emitter.offset_m)
            value = np.where(blocked(blockers, begin, points[k]), 0.0, value)
        total[k] = (value * response).sum()
    return total * emitter.radiance()


def _sphere_nodes(emitter: Emitter, point: FloatArray, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the near points of a sphere seen from a point, the directions leaving and their solid angles."""
    r = emitter.width_m / 2
    d = float(np.linalg.norm(point))
    g, gw = _gauss(n)
    cos_max = math.sqrt(max(0.0, 1 - (r / d) ** 2)) if d > r else 1.0
    one_minus = (1 - cos_max) if cos_max < 0.999 else (r / d) ** 2 / (1 + cos_max)
    c = 1 - (g + 1) / 2 * one_minus
    alpha = (np.arange(2 * n) + 0.5) / (2 * n) * 2 * math.pi
    s = np.sqrt(1 - c**2)
    axis = -point / d
    side = np.cross(axis, [1.0, 0, 0] if abs(axis[0]) < 0.9 else [0, 1.0, 0])
    side /= np.linalg.norm(side)
    up = np.cross(axis, side)
    look = (
        c[:, None, None] * axis
        + (s[:, None] * np.cos(alpha))[..., None] * side
        + (s[:, None] * np.sin(alpha))[..., None] * up
    ).reshape(-1, 3)
    solid = np.repeat((gw / 2 * one_minus)[:, None], 2 * n, 1).ravel() * math.pi / n
    b = look @ point
    t = -b - np.sqrt(np.clip(b**2 - d * d + r * r, 0, None))
    return point + t[:, None] * look, -look, solid


def shaded_share(emitter: Emitter, body: Iterable[Body], n: int = 1 << 15) -> float:
    """Return the share 0..1 of an emitter's light that its own housing stops, of a light that is round about its axis.

    Args: a sphere, disc or cap; n rays from it, spread evenly. Good to a thousandth of the light.
    Does not: count light that the housing sends back.
    """
    # Spread directions over theta, and the points that send light along each over the face (Kronecker sequence).
    u = np.modf((np.arange(n) + 0.5)[:, None] * [1 / n, *KRONECKER_STEPS])[0]
    theta, radius, alpha = math.pi * u[:, 0], emitter.width_m / 2 * np.sqrt(u[:, 1]), 2 * math.pi * u[:, 2]
    x, y = radius * np.cos(alpha), radius * np.sin(alpha)
    w = np.stack([np.sin(theta), np.zeros(n), np.cos(theta)], -1)
    if emitter.surface == "sphere":
        toward = np.sqrt((emitter.width_m / 2) ** 2 - radius**2)
        start = np.stack([x * w[:, 2] + toward * w[:, 0], y, toward * w[:, 2] - x * w[:, 0]], -1)
        value = relative_radiance(emitter.profile, start[:, 0], start[:, 1], w) * np.sin(theta)
    else:
        start = np.stack([x, y, np.zeros(n)], -1)
        if emitter.surface == "cap":
            x, y = cap_hit(emitter, x, y, w)
        value = relative_radiance(emitter.profile, x, y, w) * np.sin(theta) * np.clip(w[:, 2], 0, None)
    flip = _FLIP if emitter.axis_flip else np.ones(3)
    start = start * flip + np.asarray(emitter.offset_m)
    stopped = blocked(body, start, start + FAR_DIAMETERS * emitter.width_m * w * flip)
    return float(value[stopped].sum() / value.sum())


def blocked(body: Iterable[Body], start_m: FloatArray, end_m: ArrayLike) -> np.ndarray:
    """Return which segments from start points (k, 3) to end points (k, 3), or one for all (3,), a solid crosses.

    Does not: block with caps, whose own face is the emitter.
    """
    start, end = np.asarray(start_m, float), np.asarray(end_m, float)
    hit = np.zeros(len(start), bool)
    ray = end - start
    for solid in body:
        if solid.shape == "quad":
            c = np.asarray(solid.corners_m, float)
            for tri in ((c[0], c[1], c[2]), (c[0], c[2], c[3])):
                hit |= _crosses_triangle(start, ray, *tri)
        elif solid.shape == "box":
            half = np.asarray(solid.sizes_m) / 2
            hit |= _crosses_slabs(start - np.asarray(solid.offset_m), ray, half)
        elif solid.shape in ("cylinder", "cone"):
            front, length = solid.sizes_m[0] / 2, solid.sizes_m[-1]
            back = solid.sizes_m[1] / 2 if solid.shape == "cone" else front
            hit |= _crosses_frustum(start - np.asarray(solid.offset_m), ray, front, back, length / 2)
    return hit


def _crosses_triangle(start: FloatArray, ray: FloatArray, a: FloatArray, b: FloatArray, c: FloatArray) -> np.ndarray:
    """Segment against triangle (Moeller and Trumbore 1997)."""
    e1, e2 = b - a, c - a
    h = np.cross(ray, e2)
    det = h @ e1
    safe = np.where(np.abs(det) > 1e-15, det, 1.0)
    s = start - a
    u = (s * h).sum(-1) / safe
    q = np.cross(s, e1)
    v = (ray * q).sum(-1) / safe
    t = (q @ e2) / safe
    crosses: BoolArray = (np.abs(det) > 1e-15) & (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1e-9) & (t < 1 - 1e-9)
    return crosses


def _crosses_slabs(start: FloatArray, ray: FloatArray, half: FloatArray) -> np.ndarray:
    """Segment against a box centred on the origin."""
    safe = np.where(np.abs(ray) > 1e-15, ray, 1e-15)
    a, b = (-half - start) / safe, (half - start) / safe
    near, far = np.minimum(a, b).max(-1), np.maximum(a, b).min(-1)
    crosses: BoolArray = (far > np.maximum(near, 1e-9)) & (near < 1 - 1e-9)
    return crosses


def _crosses_frustum(start: FloatArray, ray: FloatArray, front: float, back: float, half: float) -> np.ndarray:
    """Segment against a closed frustum along z, centred on the origin.

    The wall is solved as a cone: radius = mean + slope * z.
    """
    mean, slope = (front + back) / 2, (front - back) / (2 * half)
    # Solve x^2 + y^2 = (mean + slope z)^2 along the segment for the part inside, and clip it to the ends.
    rz, dz = mean + slope * start[:, 2], slope * ray[:, 2]
    a = ray[:, 0] ** 2 + ray[:, 1] ** 2 - dz**2
    b = start[:, 0] * ray[:, 0] + start[:, 1] * ray[:, 1] - rz * dz
    c = start[:, 0] ** 2 + start[:, 1] ** 2 - rz**2
    safe_z = np.where(np.abs(ray[:, 2]) > 1e-15, ray[:, 2], 1e-15)
    z0, z1 = (-half - start[:, 2]) / safe_z, (half - start[:, 2]) / safe_z
    low = np.maximum(np.minimum(z0, z1), 1e-9)
    high = np.minimum(np.maximum(z0, z1), 1 - 1e-9)
    # The quadratic's least value on [low, high] is at an end or at its vertex.
    value = np.minimum(a * low**2 + 2 * b * low + c, a * high**2 + 2 * b * high + c)
    vertex = np.clip(-b / np.where(np.abs(a) > 1e-15, a, 1e-15), low, high)
    value = np.minimum(value, a * vertex**2 + 2 * b * vertex + c)
    crosses: BoolArray = (low < high) & (value < 0)
    return crosses
