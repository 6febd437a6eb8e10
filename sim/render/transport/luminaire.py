"""Luminous surfaces as the kernel sees them: sample a point, its density, and the radiance it sends.

Every number of a light is an opaque one-element JIT array, so a moved or resized light re-uses
the compiled kernel; only a change of kind (surface shape, presence of a profile) compiles anew.

Does not: model wavelength (three linear RGB channels share one emission of 1), polarisation, or
light that leaves a housing anywhere but through its luminous surface.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from sim.studio.gear.emitter import Emitter

# Below this the spherical excess of a rectangle keeps fewer than four digits in single precision.
SMALLEST_SOLID_ANGLE_SR = 1e-2


@dataclass(frozen=True)
class SurfaceSample:
    """A point sampled on a luminous surface, as seen from a reference point.

    `p`, `n`: point and outward unit normal; `pdf`: density per steradian at the reference point
    (0 where the point faces away); `d`, `dist_m`: unit direction and distance from the reference.
    """

    p: Any
    n: Any
    pdf: Any
    d: Any
    dist_m: Any


class Luminaire:
    """One luminous surface placed in the world, owned by layer `layer`.

    Arguments: `emitter` the surface in its own frame (z forward), `world_from_light` (4, 4) rigid
    transform, `layer` index of the light it belongs to, `number` of this face among all of the stage's, which
    its random numbers go by.
    """

    def __init__(self, emitter: Emitter, world_from_light: np.ndarray, layer: int, number: int = 0) -> None:
        self.layer = layer
        self.number = number
        self.surface = emitter.surface
        matrix = np.asarray(world_from_light, dtype=np.float64)
        self.origin = _opaque_point(matrix[:3, 3])
        self.x_axis = _opaque_vector(matrix[:3, 0])
        self.y_axis = _opaque_vector(matrix[:3, 1])
        self.z_axis = _opaque_vector(matrix[:3, 2])
        self.radiance = _opaque(emitter.radiance())
        self.profile = KernelProfile(emitter)
        self.area_m2 = _opaque(_sampled_area_m2(emitter))
        self.half_width_m = _opaque(emitter.width_m / 2)
        self.half_height_m = _opaque(emitter.height_m / 2)
        if self.surface == "polygon":
            self.sides = emitter.sides
        if self.surface == "cap":
            self.sphere_radius_m = _opaque(cap_sphere_radius_m(emitter.width_m, emitter.height_m))

    # -- numbers ------------------------------------------------------------------------------

    def numbers(self) -> dict[str, Any]:
        """Every JIT array of the face by its name, so that a recorded kernel can be given another face's."""
        own = {name: value for name, value in vars(self).items() if dr.is_array_v(value)}
        profile = {f"profile.{name}": value for name, value in vars(self.profile).items() if dr.is_array_v(value)}
        return own | profile

    def with_numbers(self, numbers: Mapping[str, Any]) -> Luminaire:
        """A face of this one's kind with the numbers of another."""
        other = copy.copy(self)
        other.profile = copy.copy(self.profile)
        for name, value in numbers.items():
            owner, _, field = name.rpartition(".")
            setattr(other.profile if owner else other, field, value)
        return other

    @property
    def kind(self) -> tuple[object, ...]:
        """All that a kernel for the face is compiled for: equal kinds share it."""
        plain = {**vars(self), **vars(self.profile)}
        fixed = {name: value for name, value in plain.items() if isinstance(value, bool | int | str)}
        return tuple(sorted((name, value) for name, value in fixed.items() if name != "layer"))

    # -- sampling -----------------------------------------------------------------------------

    def sample(self, ref: Any, u: Any) -> SurfaceSample:
        """Sample a point of the surface from the reference point `ref` with two uniform numbers `u`."""
        if self.surface == "sphere":
            return self._sample_sphere(ref, u)
        if self.surface == "rectangle":
            return self._sample_rectangle(ref, u)
        if self.surface == "cap":
            p, n = self._cap_point(u)
        else:
            p, n = self._planar_point(u), mi.Normal3f(self.z_axis)
        to_point = p - ref
        dist_m = dr.norm(to_point)
        d = to_point / dist_m
        cos_out = -dr.dot(d, n)
        pdf = dr.select(cos_out > 0, dr.square(dist_m) / (self.area_m2 * cos_out), 0)
        return SurfaceSample(p, n, pdf, d, dist_m)

    def pdf(self, ref: Any, p: Any, n: Any) -> Any:
        """Density per steradian with which `sample` from `ref` picks the point `p` with normal `n`."""
        if self.surface == "sphere":
            return self._pdf_sphere(ref)
        if self.surface == "rectangle":
            return self._pdf_rectangle(ref, p)
        to_point = p - ref
        dist2 = dr.squared_norm(to_point)
        cos_out = -dr.dot(to_point * dr.rsqrt(dist2), n)
        return dr.select(cos_out > 0, dist2 / (self.area_m2 * cos_out), 0)

    def emitted(self, p: Any, n: Any, d: Any) -> Any:
        """Radiance that the surface point `p` with normal `n` sends along the unit direction `d`."""
        front = dr.dot(n, d) > 0
        offset = p - self.origin
        local_d = mi.Vector3f(dr.dot(d, self.x_axis), dr.dot(d, self.y_axis), dr.dot(d, self.z_axis))
        relative = self.profile.relative(dr.dot(offset, self.x_axis), dr.dot(offset, self.y_axis), local_d)
        return dr.select(front, self.radiance * relative, 0)

    def may_reach(self, ref: Any) -> Any:
        """False where no point of the surface can send light to `ref`, so that nothing need be traced."""
        if self.surface in ("sphere", "cap"):
            return mi.Bool(True)
        return dr.dot(ref - self.origin, self.z_axis) > 0

    # -- shapes -------------------------------------------------------------------------------

    def _planar_point(self, u: Any) -> Any:
        if self.surface == "disc":
            q = mi.warp.square_to_uniform_disk_concentric(u) * self.half_width_m
        else:
            q = _square_to_regular_polygon(u, self.sides) * self.half_width_m
        return self.origin + self.x_axis * q.x + self.y_axis * q.y

    def _cap_point(self, u: Any) -> tuple[Any, Any]:
        # Uniform area on a spherical cap: height above the pole is uniform (Archimedes).
        sag = u.x * 2 * self.half_height_m
        ring = dr.safe_sqrt(2 * self.sphere_radius_m * sag - dr.square(sag))
        s, c = dr.sincos(dr.two_pi * u.y)
        depth = sag - 2 * self.half_height_m
        p = self.origin + self.x_axis * (ring * c) + self.y_axis * (ring * s) + self.z_axis * depth
        centre = self.origin + self.z_axis * (self.sphere_radius_m - 2 * self.half_height_m)
        return p, mi.Normal3f(dr.normalize(centre - p))

    def _sample_sphere(self, ref: Any, u: Any) -> SurfaceSample:
        # Sample the cone of directions that meet the sphere (Shirley, Wang, Zimmerman 1996).
        to_centre = self.origin - ref
        dist2 = dr.squared_norm(to_centre)
        axis = to_centre * dr.rsqrt(dist2)
        sin2_max = dr.minimum(dr.square(self.half_width_m) / dist2, 1)
        one_minus_cos_max = sin2_max / (1 + dr.safe_sqrt(1 - sin2_max))
        one_minus_cos = u.x * one_minus_cos_max
        cos_t = 1 - one_minus_cos
        sin2_t = one_minus_cos * (2 - one_minus_cos)
        s, c = dr.sincos(dr.two_pi * u.y)
        sin_t = dr.safe_sqrt(sin2_t)
        d = mi.Frame3f(axis).to_world(mi.Vector3f(sin_t * c, sin_t * s, cos_t))
        dist_m = dr.sqrt(dist2) * cos_t - dr.safe_sqrt(dr.square(self.half_width_m) - dist2 * sin2_t)
        p = ref + d * dist_m
        inside = dist2 <= dr.square(self.half_width_m)
        pdf = dr.select(inside, 0, dr.rcp(dr.two_pi * one_minus_cos_max))
        return SurfaceSample(p, mi.Normal3f(dr.normalize(p - self.origin)), pdf, d, dist_m)

    def _pdf_sphere(self, ref: Any) -> Any:
        dist2 = dr.squared_norm(self.origin - ref)
        sin2_max = dr.minimum(dr.square(self.half_width_m) / dist2, 1)
        one_minus_cos_max = sin2_max / (1 + dr.safe_sqrt(1 - sin2_max))
        return dr.select(dist2 <= dr.square(self.half_width_m), 0, dr.rcp(dr.two_pi * one_minus_cos_max))

    def _seen_rectangle(self, ref: Any) -> tuple[Any, ...]:
        # Project the rectangle onto the unit sphere about ref (Urena, Fajardo, King 2013, section 3).
        offset = self.origin - ref
        x0 = dr.dot(offset, self.x_axis) - self.half_width_m
        x1 = x0 + 2 * self.half_width_m
        y0 = dr.dot(offset, self.y_axis) - self.half_height_m
        y1 = y0 + 2 * self.half_height_m
        z0 = dr.minimum(dr.dot(offset, self.z_axis), -1e-6)
        nz = [
            -y0 * dr.rsqrt(dr.square(z0) + dr.square(y0)),
            x1 * dr.rsqrt(dr.square(z0) + dr.square(x1)),
            y1 * dr.rsqrt(dr.square(z0) + dr.square(y1)),
            -x0 * dr.rsqrt(dr.square(z0) + dr.square(x0)),
        ]
        g = [dr.safe_acos(-nz[i] * nz[(i + 1) % 4]) for i in range(4)]
        solid_angle = g[0] + g[1] + g[2] + g[3] - dr.two_pi
        return x0, x1, y0, y1, z0, nz, g, solid_angle

    def _sample_rectangle(self, ref: Any, u: Any) -> SurfaceSample:
        x0, x1, y0, y1, z0, nz, g, solid_angle = self._seen_rectangle(ref)
        # Far away the spherical excess loses its digits: fall back to uniform area there.
        near = solid_angle > SMALLEST_SOLID_ANGLE_SR
        au = u.x * solid_angle - g[2] - g[3] + dr.two_pi
        fu = (dr.cos(au) * nz[0] - nz[2]) / dr.sin(au)
        cu = dr.clip(dr.mulsign(dr.rsqrt(dr.square(fu) + dr.square(nz[0])), fu), -1, 1)
        xu = dr.clip(-(cu * z0) / dr.safe_sqrt(1 - dr.square(cu)), x0, x1)
        dd = dr.sqrt(dr.square(xu) + dr.square(z0))
        h0 = y0 * dr.rsqrt(dr.square(dd) + dr.square(y0))
        h1 = y1 * dr.rsqrt(dr.square(dd) + dr.square(y1))
        hv = h0 + u.y * (h1 - h0)
        yv = dr.select(dr.square(hv) < 1 - 1e-6, hv * dd / dr.safe_sqrt(1 - dr.square(hv)), y1)
        x = dr.select(near, xu, x0 + u.x * (x1 - x0))
        y = dr.select(near, yv, y0 + u.y * (y1 - y0))
        to_point = self.x_axis * x + self.y_axis * y + self.z_axis * z0
        dist2 = dr.square(x) + dr.square(y) + dr.square(z0)
        dist_m = dr.sqrt(dist2)
        d = to_point / dist_m
        cos_out = -z0 / dist_m
        pdf = dr.select(near, dr.rcp(solid_angle), dist2 / (self.area_m2 * cos_out))
        pdf = dr.select(self.may_reach(ref), pdf, 0)
        return SurfaceSample(ref + to_point, mi.Normal3f(self.z_axis), pdf, d, dist_m)

    def _pdf_rectangle(self, ref: Any, p: Any) -> Any:
        *_, solid_angle = self._seen_rectangle(ref)
        to_point = p - ref
        dist2 = dr.squared_norm(to_point)
        cos_out = -dr.dot(to_point, self.z_axis) * dr.rsqrt(dist2)
        near = solid_angle > SMALLEST_SOLID_ANGLE_SR
        pdf = dr.select(near, dr.rcp(solid_angle), dist2 / (self.area_m2 * cos_out))
        return dr.select(cos_out > 0, pdf, 0)


class KernelProfile:
    """Relative radiance of an aperture point toward a direction, as `sim.studio.gear.emitter.Profile` defines it."""

    def __init__(self, emitter: Emitter) -> None:
        profile = emitter.profile
        self.has_table = profile.table is not None
        self.has_hot_spot = profile.hot_spot_gain != 0
        self.has_throat = profile.throat_radius_m > 0
        self.has_recess = profile.recess_m > 0
        self.forward_only = emitter.surface == "cap"
        self.is_cut_off = profile.theta_max_rad < (np.pi if emitter.surface == "sphere" else np.pi / 2) - 1e-6
        self.theta_max_rad = _opaque(profile.theta_max_rad)
        self.cos_theta_max = _opaque(np.cos(profile.theta_max_rad))
        if self.has_table:
            table = np.atleast_2d(np.asarray(profile.table, dtype=np.float32))
            self.phi_count, self.theta_count = table.shape
            self.table = mi.Float(np.ascontiguousarray(table).ravel())
            dr.make_opaque(self.table)
        if self.has_hot_spot:
            self.hot_spot_gain = _opaque(profile.hot_spot_gain)
            self.hot_spot_falloff = _opaque(0.5 / profile.hot_spot_sigma_m**2)
        if self.has_throat:
            self.throat_length_m = _opaque(profile.throat_length_m)
            self.throat_radius_m = _opaque(profile.throat_radius_m)
        if self.has_recess:
            self.recess_m = _opaque(profile.recess_m)
            self.recess_half_x_m = _opaque(profile.recess_half_x_m)
            self.recess_half_y_m = _opaque(profile.recess_half_y_m)

    def relative(self, x_m: Any, y_m: Any, w: Any) -> Any:
        """Relative radiance at (`x_m`, `y_m`) of the surface toward the local unit direction `w`."""
        value = mi.Float(1)
        if self.has_hot_spot:
            r2 = dr.square(x_m) + dr.square(y_m)
            value = 1 + self.hot_spot_gain * dr.exp(-r2 * self.hot_spot_falloff)
        slope_x, slope_y = w.x / dr.maximum(w.z, 1e-6), w.y / dr.maximum(w.z, 1e-6)
        if self.has_throat:
            # Follow the direction along the tube: it must pass the other opening.
            x, y = x_m - self.throat_length_m * slope_x, y_m - self.throat_length_m * slope_y
            r2 = dr.square(x) + dr.square(y)
            value = dr.select(r2 <= dr.square(self.throat_radius_m), value, 0)
        if self.has_recess:
            # Follow the direction out past the rectangular lip.
            x, y = x_m + self.recess_m * slope_x, y_m + self.recess_m * slope_y
            passes = (dr.abs(x) <= self.recess_half_x_m) & (dr.abs(y) <= self.recess_half_y_m)
            value = dr.select(passes, value, 0)
        if self.has_table:
            value *= self._looked_up(w)
        if self.forward_only:
            value = dr.select(w.z > 0, value, 0)
        if self.is_cut_off:
            value = dr.select(w.z >= self.cos_theta_max, value, 0)
        return value

    def _looked_up(self, w: Any) -> Any:
        # Take the angle from sine and cosine, since acos loses the small angles of a tight grid.
        theta = dr.atan2(dr.sqrt(dr.square(w.x) + dr.square(w.y)), w.z)
        t = dr.clip(theta / self.theta_max_rad, 0, 1) * (self.theta_count - 1)
        column = dr.minimum(mi.UInt32(t), self.theta_count - 2)
        t -= mi.Float(column)
        if self.phi_count == 1:
            return self._row(mi.UInt32(0), column, t)
        phi = dr.atan2(w.y, w.x) * dr.inv_two_pi
        phi = dr.select(phi < 0, phi + 1, phi) * self.phi_count
        row = dr.minimum(mi.UInt32(phi), self.phi_count - 1)
        s = phi - mi.Float(row)
        following = dr.select(row + 1 == self.phi_count, 0, row + 1)
        return dr.lerp(self._row(row, column, t), self._row(following, column, t), s)

    def _row(self, row: Any, column: Any, t: Any) -> Any:
        at = row * self.theta_count + column
        return dr.lerp(dr.gather(mi.Float, self.table, at), dr.gather(mi.Float, self.table, at + 1), t)


def cap_sphere_radius_m(rim_diameter_m: float, depth_m: float) -> float:
    """Radius of the sphere that a cap of this rim and depth is cut from.

    >>> round(cap_sphere_radius_m(2.0, 1.0), 6)
    1.0
    """
    return (rim_diameter_m**2 / 4 + depth_m**2) / (2 * depth_m)


def _sampled_area_m2(emitter: Emitter) -> float:
    # A bowl is sampled over its curved surface, not over its opening.
    if emitter.surface == "cap":
        return 2 * np.pi * cap_sphere_radius_m(emitter.width_m, emitter.height_m) * emitter.height_m
    return emitter.area_m2()


def _square_to_regular_polygon(u: Any, sides: int) -> Any:
    # Pick a wedge, then a uniform point in its triangle; the first corner lies at half a wedge.
    scaled = u.x * sides
    wedge = dr.minimum(dr.floor(scaled), sides - 1)
    v = scaled - wedge
    root = dr.sqrt(u.y)
    step = dr.two_pi / sides
    s0, c0 = dr.sincos((wedge - 0.5) * step)
    s1, c1 = dr.sincos((wedge + 0.5) * step)
    return mi.Point2f(root * dr.lerp(c0, c1, v), root * dr.lerp(s0, s1, v))


def _opaque(value: float) -> Any:
    return dr.opaque(mi.Float, float(value))


def _opaque_point(values: np.ndarray) -> Any:
    point = mi.Point3f(*(float(v) for v in values))
    dr.make_opaque(point)
    return point


def _opaque_vector(values: np.ndarray) -> Any:
    vector = mi.Vector3f(*(float(v) for v in values))
    dr.make_opaque(vector)
    return vector
