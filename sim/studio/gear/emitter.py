"""Luminous surfaces: what leaves a modifier, point by point and direction by direction.

Frame: the light's own, metres, z forward (toward the subject), y up, x = y cross z; the luminous face is at z = 0.
An emitter radiates L(p, w) = L0 * relative_radiance(p, w). L0 is set so that the flux leaving equals `amount`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

FloatArray = NDArray[np.float64]
Surface = Literal["rectangle", "polygon", "disc", "sphere", "cap"]
# How much of others' light a luminous face sends back, where its modifier does not say: common practice, no source.
FACE_REFLECTANCE: dict[Surface, float] = {"rectangle": 0.5, "polygon": 0.5, "cap": 0.0, "sphere": 0.1, "disc": 0.1}
_GAUSS = {order: np.polynomial.legendre.leggauss(order) for order in (2, 4)}


@dataclass(frozen=True, eq=False)
class Profile:
    """Relative radiance of an aperture point (x, y) toward the unit direction w of the emitter's own frame.

    The value is the product of four factors:
    table: (n_phi, n_theta) over theta in [0, theta_max_rad], uniform in theta, linear between entries; phi =
        atan2(w.y, w.x), uniform over [0, 2 pi), periodic; n_phi = 1 when axially symmetric; None is 1.
        Nothing leaves beyond theta_max_rad. On a flat face or cap nothing leaves behind it (w.z <= 0). On a sphere
        theta_max_rad may reach pi; there w is still measured in the emitter's frame, not from the local normal.
    hot spot: 1 + gain * exp(-r^2 / (2 sigma^2)), r from the face's centre; a gain in [-1, 0) is a dark centre.
    throat: zero unless (x - l w.x/w.z, y - l w.y/w.z) is within throat_radius_m; l > 0 looks back into a snoot's
        tube, l < 0 looks forward to a round lip. Used when throat_radius_m > 0.
    recess: zero unless |x + d w.x/w.z| <= half_x and |y + d w.y/w.z| <= half_y, d = recess_m: the black
        rectangular lip of a softbox. Used when recess_m > 0.
    """

    theta_max_rad: float = math.pi / 2
    table: NDArray[np.float32] | None = None
    hot_spot_gain: float = 0.0
    hot_spot_sigma_m: float = 1.0
    throat_length_m: float = 0.0
    throat_radius_m: float = 0.0
    recess_m: float = 0.0
    recess_half_x_m: float = 0.0
    recess_half_y_m: float = 0.0

    @property
    def separable(self) -> bool:
        """True when the direction factor is the same for every point of the face."""
        return self.throat_radius_m <= 0 and self.recess_m <= 0


@dataclass(frozen=True, eq=False)
class Emitter:
    """One luminous surface of a light.

    surface and sizes, metres:
        rectangle: width_m along x, height_m along y. disc, sphere: width_m = diameter.
        polygon: regular, an even number of sides, width_m = diameter across CORNERS, corner k at angle
        (2k + 1) pi / sides from +x, so that an octagon stands on a flat side.
        cap: spherical bowl, width_m = rim diameter, height_m = depth (0 < depth <= radius); its concave side faces
        +z, the rim lies in z = 0 and the apex at z = -depth. Its radiance already holds its own interreflection:
        give the concave face no reflectance for its own light.
    amount: light leaving at full dial, of a source of 1 or in the unit of its light's output (lm, lm*s of a flash);
        of a cap, leaving through the rim.
    offset_m: the surface's centre (a cap: its rim's centre) in the light's frame.
    axis_flip: turned by half a turn about y, so that it faces -z (the rear lobe of a shoot-through umbrella).
    front_reflectance: what its cloth sends back of others' light, 0 to 0.95; None: as such a face usually does.
    """

    surface: Surface
    width_m: float
    amount: float
    profile: Profile = field(default_factory=Profile)
    height_m: float = 0.0
    sides: int = 0
    offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    axis_flip: bool = False
    front_reflectance: float | None = None

    def __post_init__(self) -> None:
        """Refuse shapes that the closed forms here do not hold for."""
        if self.surface == "polygon" and (self.sides < 4 or self.sides % 2):
            raise ValueError(f"a polygon needs an even number of sides from 4 on, got {self.sides}")
        if self.surface == "cap" and not 0 < self.height_m <= self.width_m / 2:
            raise ValueError(f"a bowl's depth lies above 0 and up to its radius, got {self.height_m} m")
        if self.surface in ("cap", "sphere") and not self.profile.separable:
            raise ValueError(f"a {self.surface} takes no throat and no recess")
        if self.width_m <= 0 or (self.surface == "rectangle" and self.height_m <= 0):
            raise ValueError("a luminous surface needs a size above 0 m")

    @property
    def reflectance(self) -> float:
        """Share 0..1 of others' light that the face sends back."""
        return FACE_REFLECTANCE[self.surface] if self.front_reflectance is None else self.front_reflectance

    def radiance(self) -> float:
        """Return L0 in cd/m2 (flash: cd*s/m2) such that L0 times the relative radiance carries `amount`."""
        return self.amount / flux_from_profile(self)

    def area_m2(self) -> float:
        """Return the area of the face in m2; of a cap, of its rim's opening."""
        if self.surface == "rectangle":
            return self.width_m * self.height_m
        if self.surface == "polygon":
            return self.sides / 2 * (self.width_m / 2) ** 2 * math.sin(2 * math.pi / self.sides)
        if self.surface == "sphere":
            return math.pi * self.width_m**2
        return math.pi * (self.width_m / 2) ** 2


def table_value(profile: Profile, theta_rad: ArrayLike, phi_rad: ArrayLike) -> FloatArray:
    """Return the angular factor of a profile: the table interpolated, zero beyond theta_max_rad.

    Args: angles in radians, broadcast together; theta 0 to pi, phi any.
    """
    theta, phi = np.broadcast_arrays(np.asarray(theta_rad, float), np.asarray(phi_rad, float))
    inside = theta <= profile.theta_max_rad
    if profile.table is None:
        return inside.astype(float)
    table = np.asarray(profile.table, float)
    n_phi, n_theta = table.shape
    # Find the cell in theta, ends clamped.
    t = np.clip(theta / profile.theta_max_rad, 0, 1) * (n_theta - 1)
    j = np.minimum(t.astype(int), n_theta - 2)
    ft = t - j
    # Find the cell in phi, periodic.
    p = np.mod(phi / (2 * math.pi), 1.0) * n_phi
    i = np.minimum(p.astype(int), n_phi - 1)
    fp = p - i
    i2 = (i + 1) % n_phi
    low = table[i, j] * (1 - ft) + table[i, j + 1] * ft
    high = table[i2, j] * (1 - ft) + table[i2, j + 1] * ft
    return np.where(inside, low * (1 - fp) + high * fp, 0.0)


def spatial_value(profile: Profile, x_m: ArrayLike, y_m: ArrayLike) -> FloatArray:
    """Return the hot-spot factor at points of the face (metres)."""
    r2 = np.asarray(x_m, float) ** 2 + np.asarray(y_m, float) ** 2
    value: FloatArray = 1 + profile.hot_spot_gain * np.exp(-r2 / (2 * profile.hot_spot_sigma_m**2))
    return value


def relative_radiance(profile: Profile, x_m: ArrayLike, y_m: ArrayLike, w: ArrayLike) -> FloatArray:
    """Return the relative radiance of face points toward unit directions: the reference of the render kernel.

    Args: x_m, y_m (n,) metres in the emitter's frame; w (n, 3) unit directions leaving, same frame.
    Does not: check that the points lie on the face, or that w leaves it (on a sphere the caller does).
    """
    w = np.asarray(w, float)
    x, y = np.asarray(x_m, float), np.asarray(y_m, float)
    wx, wy, wz = w[..., 0], w[..., 1], w[..., 2]
    # Look up the direction and weigh the place.
    theta = np.arctan2(np.hypot(wx, wy), wz)
    value = table_value(profile, theta, np.arctan2(wy, wx)) * spatial_value(profile, x, y)
    forward = wz > 1e-9
    safe_wz = np.where(forward, wz, 1.0)
    # Cut what the tube or round lip hides.
    if profile.throat_radius_m > 0:
        back_x = x - profile.throat_length_m * wx / safe_wz
        back_y = y - profile.throat_length_m * wy / safe_wz
        value = np.where(forward & (back_x**2 + back_y**2 <= profile.throat_radius_m**2), value, 0.0)
    # Cut what the rectangular lip hides.
    if profile.recess_m > 0:
        lip_x = x + profile.recess_m * wx / safe_wz
        lip_y = y + profile.recess_m * wy / safe_wz
        open_ = (np.abs(lip_x) <= profile.recess_half_x_m) & (np.abs(lip_y) <= profile.recess_half_y_m)
        value = np.where(forward & open_, value, 0.0)
    if profile.theta_max_rad <= math.pi / 2 + 1e-9:
        value = np.where(forward, value, 0.0)
    return value


def _panels(edges: FloatArray, order: int = 4) -> tuple[FloatArray, FloatArray]:
    """Return Gauss nodes and weights on each interval between sorted edges, flattened."""
    x, w = _GAUSS[order]
    half = np.diff(edges)[:, None] / 2
    mid = (edges[:-1] + edges[1:])[:, None] / 2
    return (mid + half * x).ravel(), (half * w).ravel()


def _direction_quadrature(profile: Profile, symmetric: bool, end_rad: float) -> tuple[FloatArray, ...]:
    """Return theta, phi and solid-angle weights, flattened, with panels on the table's cells."""
    end = min(profile.theta_max_rad, end_rad)
    cells = 64
    n_phi = 1
    if profile.table is not None:
        cells = max(cells, (profile.table.shape[1] - 1) * math.ceil(64 / max(profile.table.shape[1] - 1, 1)))
        n_phi = profile.table.shape[0]
    edges = np.linspace(0.0, profile.theta_max_rad, cells + 1)
    edges = np.append(edges[edges < end - 1e-12], end)
    theta, w_theta = _panels(edges, 4 if symmetric else 2)
    if symmetric and n_phi == 1:
        phi, w_phi = np.zeros(1), np.full(1, 2 * math.pi)
    else:
        phi, w_phi = _panels(np.linspace(0, 2 * math.pi, n_phi * math.ceil(24 / n_phi) + 1), 2)
    t, p = np.meshgrid(theta, phi, indexing="ij")
    return (
        t.ravel(),
        p.ravel(),
        (w_theta * np.sin(theta))[:, None].repeat(len(phi), 1).ravel() * np.tile(w_phi, len(theta)),
    )


def _overlap(half_m: float, open_half_m: float, shift_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the ends of the part of [-half, half] that, moved by a shift, lies in [-open_half, open_half]."""
    low = np.maximum(-half_m, -open_half_m - shift_m)
    return low, np.maximum(low, np.minimum(half_m, open_half_m - shift_m))


def _bell(profile: Profile, low_m: FloatArray, high_m: FloatArray) -> FloatArray:
    """Integrate exp(-x^2 / 2 sigma^2) from low to high, metres."""
    root = profile.hot_spot_sigma_m * math.sqrt(2.0)
    return root * math.sqrt(math.pi) / 2 * (erf(high_m / root) - erf(low_m / root))


def _row_integral(profile: Profile, low: FloatArray, high: FloatArray, y: FloatArray) -> FloatArray:
    """Integrate the hot-spot factor along x from low to high at height y (all metres)."""
    high = np.maximum(low, high)
    if profile.hot_spot_gain == 0:
        return high - low
    fade = np.exp(-(y**2) / (2 * profile.hot_spot_sigma_m**2))
    return high - low + profile.hot_spot_gain * fade * _bell(profile, low, high)


def half_width_at(emitter: Emitter, y_m: FloatArray) -> FloatArray:
    """Return half the chord of the face along x at heights y (metres), zero outside; rectangle, disc, polygon."""
    r = emitter.width_m / 2
    if emitter.surface == "rectangle":
        return np.where(np.abs(y_m) <= emitter.height_m / 2, r, 0.0)
    if emitter.surface == "disc":
        return np.sqrt(np.clip(r**2 - y_m**2, 0, None))
    # Intersect the half-planes of the polygon's sides (it is symmetric in x).
    n = emitter.sides
    inner = r * math.cos(math.pi / n)
    half = np.full(np.shape(y_m), np.inf)
    for k in range(n):
        # Sides are normal to the angles 2 pi k / n.
        nx, ny = math.cos(2 * math.pi * k / n), math.sin(2 * math.pi * k / n)
        room = inner - ny * y_m
        if nx > 1e-12:
            half = np.minimum(half, room / nx)
        elif abs(nx) <= 1e-12:
            half = np.where(room >= -1e-12, half, 0.0)
    width_m: FloatArray = np.clip(half, 0, None)
    return width_m


def _half_height_m(emitter: Emitter) -> float:
    """Return half the extent of a disc or polygon along y in metres."""
    flat_on_top = emitter.surface == "polygon" and emitter.sides % 4 == 0
    return emitter.width_m / 2 * (math.cos(math.pi / emitter.sides) if flat_on_top else 1.0)


def face_integral(emitter: Emitter, tan_x: FloatArray, tan_y: FloatArray, n_rows: int = 240) -> FloatArray:
    """Integrate hot spot, throat and recess over a flat face for directions (tan_x, tan_y, 1), in m2.

    A rectangle with its lip is a closed form; otherwise rows along x are closed forms, summed along y.
    """
    p = emitter.profile
    if emitter.surface == "rectangle" and p.throat_radius_m <= 0:
        shift_x, shift_y = p.recess_m * np.asarray(tan_x, float), p.recess_m * np.asarray(tan_y, float)
        row = _overlap(emitter.width_m / 2, p.recess_half_x_m if p.recess_m > 0 else math.inf, shift_x)
        column = _overlap(emitter.height_m / 2, p.recess_half_y_m if p.recess_m > 0 else math.inf, shift_y)
        area = (row[1] - row[0]) * (column[1] - column[0])
        return area + p.hot_spot_gain * _bell(p, *row) * _bell(p, *column)
    half_y = emitter.height_m / 2 if emitter.surface == "rectangle" else _half_height_m(emitter)
    # Bunch the rows at the ends, where a disc's chord grows as a square root.
    u = (np.arange(n_rows) + 0.5) / n_rows * math.pi
    y = -half_y * np.cos(u)
    weight = half_y * np.sin(u) * math.pi / n_rows
    chord = half_width_at(emitter, y)
    low, high = -chord, chord
    tx, ty = np.asarray(tan_x, float)[:, None], np.asarray(tan_y, float)[:, None]
    low, high = np.broadcast_to(low, (tx.shape[0], n_rows)), np.broadcast_to(high, (tx.shape[0], n_rows))
    if p.throat_radius_m > 0:
        # Keep the part of each row whose back-projection falls inside the circle.
        cx, cy = p.throat_length_m * tx, p.throat_length_m * ty
        reach = np.sqrt(np.clip(p.throat_radius_m**2 - (y - cy) ** 2, 0, None))
        low, high = np.maximum(low, cx - reach), np.minimum(high, cx + reach)
    if p.recess_m > 0:
        # Keep the part of each row that the lip leaves open.
        cx, cy = -p.recess_m * tx, -p.recess_m * ty
        shut = np.abs(y - cy) > p.recess_half_y_m
        low, high = np.maximum(low, cx - p.recess_half_x_m), np.minimum(high, cx + p.recess_half_x_m)
        high = np.where(shut, low, high)
    integral: FloatArray = (_row_integral(p, low, high, y) * weight).sum(axis=1)
    return integral


def cap_hit(emitter: Emitter, x_m: ArrayLike, y_m: ArrayLike, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return x and y (metres) on the bowl where a ray started that leaves through rim points (x, y, 0) along w."""
    a, depth = emitter.width_m / 2, emitter.height_m
    sphere_r = (a * a + depth * depth) / (2 * depth)
    centre_z = sphere_r - depth
    x, y = np.asarray(x_m, float), np.asarray(y_m, float)
    # Solve |(x, y, -centre_z) - t w| = sphere_r for the t > 0 of the far wall.
    b = x * w[..., 0] + y * w[..., 1] - centre_z * w[..., 2]
    c = x * x + y * y + centre_z**2 - sphere_r**2
    t = b + np.sqrt(np.clip(b * b - c, 0, None))
    return x - t * w[..., 0], y - t * w[..., 1]


def _cap_mean_hot_spot(emitter: Emitter, theta: FloatArray) -> FloatArray:
    """Return the hot-spot factor averaged over the rim's opening for directions at theta from the axis."""
    a = emitter.width_m / 2
    gx, gw = np.polynomial.legendre.leggauss(24)
    r2, alpha = (gx + 1) / 2, (np.arange(48) + 0.5) / 48 * 2 * math.pi
    r = a * np.sqrt(r2)
    x = (r[:, None] * np.cos(alpha)).ravel()
    y = (r[:, None] * np.sin(alpha)).ravel()
    weight = (gw[:, None] / 2 / 48).repeat(48, 1).ravel()
    w = np.stack([np.sin(theta), np.zeros_like(theta), np.cos(theta)], -1)[:, None, :]
    hx, hy = cap_hit(emitter, x, y, w)
    mean: FloatArray = (spatial_value(emitter.profile, hx, hy) * weight).sum(axis=1)
    return mean


@lru_cache(maxsize=64)
def flux_from_profile(emitter: Emitter) -> float:
    """Return the flux in lm that leaves an emitter whose peak factor L0 is 1 cd/m2, to 1e-4.

    The integral is over face and hemisphere of relative radiance times cosine; on a sphere each direction sees the
    whole disc of the sphere. Of a cap, the flux through the rim.
    Does not: subtract what bodies, barn doors or other objects block.
    """
    p = emitter.profile
    if emitter.surface == "sphere":
        theta, phi, solid_sr = _direction_quadrature(p, True, math.pi)
        return float((table_value(p, theta, phi) * solid_sr).sum() * math.pi * (emitter.width_m / 2) ** 2)
    round_ = emitter.surface in ("disc", "cap")
    symmetric = p.separable or (round_ and p.recess_m <= 0)
    theta, phi, solid_sr = _direction_quadrature(p, symmetric, math.pi / 2)
    angular = table_value(p, theta, phi) * solid_sr * np.cos(theta)
    if emitter.surface == "cap":
        mean = 1.0 if p.hot_spot_gain == 0 else _cap_mean_hot_spot(emitter, theta)
        return float((angular * mean).sum() * emitter.area_m2())
    if p.separable:
        return float(angular.sum() * face_integral(emitter, np.zeros(1), np.zeros(1), n_rows=2000)[0])
    tan = np.tan(theta)
    tx, ty = tan * np.cos(phi), tan * np.sin(phi)
    total = 0.0
    for start in range(0, len(theta), 4096):
        s = slice(start, start + 4096)
        total += float((angular[s] * face_integral(emitter, tx[s], ty[s], n_rows=120)).sum())
    return total
