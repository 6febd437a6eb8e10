"""Closed forms of illuminance and configuration factors, each with its source, for tests alone.

Catalogue numbers are those of [Howell:2010]; `test_closed_forms` derives each form again, by integration or by an
enclosure. Nothing here is imported by the program, and nothing here imports it. A configuration factor times pi
times luminance is an illuminance; E = F pi L.
"""

from __future__ import annotations

import math

import numpy as np


def disc_to_parallel_element(radius_m: float, height_m: float, offset_m: float = 0.0) -> float:
    """Factor from an element to a parallel disc whose axis passes at an offset ([Howell:2010] B-13; on the axis B-12).

    With h and r in units of the offset, Z = 1 + h^2 + r^2: F = (1 - (1 + h^2 - r^2) / sqrt(Z^2 - 4 r^2)) / 2.
    """
    if offset_m == 0:
        return radius_m**2 / (height_m**2 + radius_m**2)
    h, r = height_m / offset_m, radius_m / offset_m
    z = 1 + h * h + r * r
    return (1 - (1 + h * h - r * r) / math.sqrt(z * z - 4 * r * r)) / 2


def disc_to_perpendicular_element(radius_m: float, height_m: float, offset_m: float) -> float:
    """Factor from an element whose plane is at right angles to a disc's ([Howell:2010] B-16).

    The element looks toward the disc's axis from an offset, from a height over the disc's plane:
    with h and r in units of the offset, Z = 1 + h^2 + r^2: F = (h / 2) (Z / sqrt(Z^2 - 4 r^2) - 1); offset > radius.
    """
    h, r = height_m / offset_m, radius_m / offset_m
    z = 1 + h * h + r * r
    return h / 2 * (z / math.sqrt(z * z - 4 * r * r) - 1)


def rectangle_to_parallel_element(a_m: float, b_m: float, height_m: float) -> float:
    """Factor from an element under one corner of a parallel rectangle a x b ([Howell:2010] B-3)."""
    a, b = a_m / height_m, b_m / height_m
    ra, rb = math.sqrt(1 + a * a), math.sqrt(1 + b * b)
    return (a / ra * math.atan(b / ra) + b / rb * math.atan(a / rb)) / (2 * math.pi)


def rectangle_to_perpendicular_element(a_m: float, b_m: float, height_m: float) -> float:
    """Factor from an element at right angles to a rectangle, level with one of its corners ([Howell:2010] B-4).

    The rectangle reaches a along the element's plane and b along the element's normal; the element lies at the
    height over the corner, its plane holding the side a.
    """
    x = math.hypot(b_m, height_m)
    return (math.atan(a_m / height_m) - height_m / x * math.atan(a_m / x)) / (2 * math.pi)


def sphere_to_element(radius_m: float, distance_m: float, tilt_rad: float) -> float:
    """Factor from an element to a sphere, by the angle between its normal and the sphere's centre.

    Wholly above the horizon: cos(tilt) (r/d)^2. Cut by the horizon: [NaraghiChung:1982], [Howell:2010] B-43.
    """
    h = distance_m / radius_m
    if math.cos(tilt_rad) * h >= 1:
        return math.cos(tilt_rad) / (h * h)
    if math.cos(tilt_rad) * h <= -1:
        return 0.0
    root = math.sqrt(h * h - 1)
    cot = math.cos(tilt_rad) / math.sin(tilt_rad)
    return (
        0.5
        - math.asin(root / (h * math.sin(tilt_rad))) / math.pi
        + (math.cos(tilt_rad) * math.acos(-root * cot) - root * math.sqrt(1 - (h * math.cos(tilt_rad)) ** 2))
        / (math.pi * h * h)
    )


def discs_coaxial_parallel(radius_1_m: float, radius_2_m: float, distance_m: float) -> float:
    """Factor from disc 1 to disc 2, parallel on one axis ([Howell:2010] C-41)."""
    r1, r2 = radius_1_m / distance_m, radius_2_m / distance_m
    x = 1 + (1 + r2 * r2) / (r1 * r1)
    return (x - math.sqrt(x * x - 4 * (r2 / r1) ** 2)) / 2


def rectangles_opposed(a_m: float, b_m: float, distance_m: float) -> float:
    """Factor between two equal rectangles a x b that face each other ([Howell:2010] C-11)."""
    x, y = a_m / distance_m, b_m / distance_m
    rx, ry = math.sqrt(1 + x * x), math.sqrt(1 + y * y)
    return (
        2
        / (math.pi * x * y)
        * (
            math.log(rx * ry / math.sqrt(1 + x * x + y * y))
            + x * ry * math.atan(x / ry)
            + y * rx * math.atan(y / rx)
            - x * math.atan(x)
            - y * math.atan(y)
        )
    )


def rectangles_common_edge(width_m: float, depth_m: float, height_m: float) -> float:
    """Factor from a floor (width x depth) to a wall (width x height) on its edge ([Howell:2010] C-14)."""
    h, w = height_m / width_m, depth_m / width_m
    hw = h * h + w * w
    log = math.log(
        ((1 + w * w) * (1 + h * h) / (1 + hw))
        * (w * w * (1 + hw) / ((1 + w * w) * hw)) ** (w * w)
        * (h * h * (1 + hw) / ((1 + h * h) * hw)) ** (h * h)
    )
    return (w * math.atan(1 / w) + h * math.atan(1 / h) - math.sqrt(hw) * math.atan(1 / math.sqrt(hw)) + log / 4) / (
        math.pi * w
    )


def sphere_to_coaxial_disc(radius_m: float, distance_m: float) -> float:
    """Factor from a sphere to a disc, its axis through the sphere's centre ([Howell:2010] C-121)."""
    return (1 - 1 / math.sqrt(1 + (radius_m / distance_m) ** 2)) / 2


def polygon_illuminance_lx(
    corners_m: np.ndarray, point_m: np.ndarray, normal: np.ndarray, luminance_cd_m2: float
) -> float:
    """Illuminance at a point with a normal from a Lambertian polygon: Lambert's formula [Lambert:1760].

    E = (L / 2) |sum of theta_i (n . g_i)|, theta_i the angle an edge subtends and g_i the unit normal of the plane
    through edge and point; as in [Baum:1989]. The polygon is cut at the horizon.
    """
    arms = _clip_to_horizon(np.asarray(corners_m, float) - point_m, np.asarray(normal, float))
    if len(arms) < 3:
        return 0.0
    total = 0.0
    for a, b in zip(arms, np.roll(arms, -1, axis=0), strict=True):
        cross = np.cross(a, b)
        size = float(np.linalg.norm(cross))
        if size > 0:
            total += math.atan2(size, float(a @ b)) * float(cross @ normal) / size
    return abs(luminance_cd_m2 / 2 * total)


def _clip_to_horizon(arms: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Keep the part of a polygon above the plane through the origin (Sutherland and Hodgman 1974)."""
    kept = []
    for a, b in zip(arms, np.roll(arms, -1, axis=0), strict=True):
        ha, hb = float(a @ normal), float(b @ normal)
        if ha >= 0:
            kept.append(a)
        if ha * hb < 0:
            kept.append(a + (b - a) * (ha / (ha - hb)))
    return np.asarray(kept)


def half_blocked_rectangle_lx(
    width_m: float,
    height_m: float,
    distance_m: float,
    edge_distance_m: float,
    point_x_m: float,
    luminance_cd_m2: float,
) -> float:
    """Illuminance on a screen parallel to a rectangle behind a straight opaque edge: the penumbra, point by point.

    The rectangle (centre at x = y = 0) lies at z = 0, the screen at z = distance; a half-plane with its edge along y
    blocks x < 0 at z = edge_distance. Each screen point sees the rectangle beyond the line through the edge; that part
    is a sum of corner rectangles ([Howell:2010] B-3).
    """
    # Project the edge from the point back to the rectangle's plane.
    seen_from = point_x_m - point_x_m * distance_m / (distance_m - edge_distance_m)
    left = min(max(seen_from, -width_m / 2), width_m / 2)
    near, far = left - point_x_m, width_m / 2 - point_x_m

    def corner(reach_m: float) -> float:
        size = rectangle_to_parallel_element(abs(reach_m), height_m / 2, distance_m) if reach_m else 0.0
        return math.copysign(size, reach_m)

    return 2 * (corner(far) - corner(near)) * math.pi * luminance_cd_m2


def penumbra_width_m(source_m: float, source_to_edge_m: float, edge_to_screen_m: float) -> float:
    """Width of the half-shadow of an edge: source size times the ratio of distances (similar triangles)."""
    return source_m * edge_to_screen_m / source_to_edge_m


def snoot_umbra_radius_m(exit_radius_m: float, throat_radius_m: float, length_m: float, distance_m: float) -> float:
    """Radius of the pool in which the whole exit sees the throat: similar triangles through the tube.

    The line from the throat's rim to the exit's rim on the same side bounds the fully lit core, when the throat is
    wider than the exit; beyond the line from the opposite rim all is dark.
    """
    return exit_radius_m - (throat_radius_m - exit_radius_m) * distance_m / length_m


def snoot_pool_radius_m(exit_radius_m: float, throat_radius_m: float, length_m: float, distance_m: float) -> float:
    """Radius of a snoot's pool to its dark edge (similar triangles, opposite rims)."""
    return exit_radius_m + (throat_radius_m + exit_radius_m) * distance_m / length_m


def integrating_sphere_lx(flux_lm: float, radius_m: float, reflectance: float) -> float:
    """Illuminance on the wall of a closed diffuse sphere with a source inside: direct mean over (1 - rho).

    Source: [Sumpner:1892]; the bounce alone is rho / (1 - rho) times the mean direct illuminance.
    """
    return flux_lm / (4 * math.pi * radius_m**2) / (1 - reflectance)
