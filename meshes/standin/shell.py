"""A combed shell of hair over the skull, the hairs that root along its hairline, and strays that lift off it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from sim.studio.figure.shapes import grid_triangles, normals_from_mesh, smoothstep

from .piece import ribbons, streaks
from .scalp import Scalp, comb_toward, meridian_ends

Mesh = tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]


@dataclass(frozen=True)
class Cut:
    """How a shell is combed: where its pole lies, how far hair lifts (m), and its relief across strands (m)."""

    pole_elevation_deg: float
    columns: int
    rows: int
    side_lift_m: float
    top_lift_m: float
    rise_m: float
    fine_m: float
    lock_m: float
    fade_m: float
    along: float
    seed: int
    sideburns: bool = False


class Shell:
    """Combed surface over (row share 0 at the pole .. 1 at the hairline, column angle)."""

    def __init__(self, scalp: Scalp, cut: Cut) -> None:
        rng = np.random.default_rng(cut.seed)
        self.scalp, self.cut, self.comb = scalp, cut, comb_toward(cut.pole_elevation_deg)
        # Crowd columns over the top, where the camera looks.
        even = np.linspace(-np.pi, np.pi, cut.columns, endpoint=False)
        self.around = even - 0.35 * np.sin(even)
        self.end = meridian_ends(scalp, self.comb, self.around, cut.sideburns)
        # Let the hairline wander by a few millimetres.
        wave = 0.011 * streaks(rng, 1, cut.columns, 3.5, 1.0)[0] + 0.010 * streaks(rng, 1, cut.columns, 11.0, 1.0)[0]
        self.end = self.end + wave * np.clip(0.35 + np.cos(self.around), 0.2, 1.0)
        share = np.linspace(0.0, 1.0, cut.rows) ** 0.8
        start = np.radians(9.0 if cut.pole_elevation_deg < 45.0 else 1.0)
        self.polar = start + share[:, None] * (self.end - start)[None]
        wander = 0.010 * streaks(rng, cut.rows, cut.columns, 9.0, 7.0)
        self.angle = self.around[None] + wander * np.sin(np.pi * share)[:, None]
        unit = self.comb.direction(self.polar, self.angle)
        skin = scalp.radius(unit.reshape(-1, 3)).reshape(cut.rows, cut.columns)
        self.skin_m = gaussian_filter(skin, [0.6, 2.0], mode=["nearest", "wrap"])
        # Arc length from the hairline sets how far the hair lifts off the scalp.
        self.arc = (self.end[None] - self.polar) * self.skin_m
        top = np.clip(0.5 + 0.5 * unit[..., 1] / 0.9, 0.0, 1.0)
        lift = (cut.side_lift_m + (cut.top_lift_m - cut.side_lift_m) * top**1.5) * smoothstep(0.0, cut.rise_m, self.arc)
        lift = lift + 0.0012 * smoothstep(-0.001, 0.006, self.arc)
        fine = streaks(rng, cut.rows, cut.columns, 0.9, cut.along)
        lock = streaks(rng, cut.rows, cut.columns, 5.0, 1.3 * cut.along)
        relief = (cut.fine_m * fine + cut.lock_m * lock) * smoothstep(0.002, 0.020, self.arc)
        # Sink the rim into the skin, so that the edge closes on every skull.
        sunk = 0.0016 * (1.0 - smoothstep(0.0, 0.005, self.arc))
        self.lift_m = lift + np.maximum(relief, -0.6 * lift) + 0.0002
        self.points = scalp.center + unit * (self.skin_m + self.lift_m - sunk)[..., None]
        ragged = 0.0025 * streaks(rng, 1, cut.columns, 1.2, 1.0)[0] + 0.0020 * streaks(rng, 1, cut.columns, 6.0, 1.0)[0]
        reach = cut.fade_m * (0.55 + 0.45 * np.clip(np.cos(self.angle), 0.0, 1.0))
        self.fade = 1.0 - smoothstep(0.0, 1.0, (self.arc - 0.001 + ragged[None]) / reach)
        self.tone = np.clip(0.5 + 0.16 * fine + 0.14 * lock, 0.0, 1.0)

    def mesh(self) -> Mesh:
        """The shell itself."""
        triangles = grid_triangles(self.cut.rows, self.cut.columns, True)
        points = self.points.reshape(-1, 3)
        normals = normals_from_mesh(points, triangles)
        if ((points - self.scalp.center) * normals).sum() < 0:
            triangles = triangles[:, ::-1]
        return points, triangles, {"streak": self.tone.ravel(), "fade": self.fade.ravel()}

    def at(self, row: np.ndarray, column: np.ndarray, lift_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points and outward directions on the shell at fractional rows and columns, lifted by a distance."""
        where = [np.clip(row, 0, self.cut.rows - 1).ravel(), (column % self.cut.columns).ravel()]
        point = np.stack([map_coordinates(self.points[..., k], where, order=1, mode="grid-wrap") for k in range(3)], -1)
        out = point - self.scalp.center
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        shape = (*row.shape, 3)
        return (point + out * lift_m.ravel()[:, None]).reshape(shape), out.reshape(shape)

    def rooted_hairs(self, count: int, run_m: tuple[float, float], seed: int, swing: float = 3.2) -> Mesh:
        """Hairs along the hairline: dense inside, thinning outward, lying back into the shell."""
        rng = np.random.default_rng(seed)
        length, columns = 5, self.cut.columns
        weight = (0.25 + smoothstep(-0.9, 0.4, np.cos(self.around))) * np.gradient(np.unwrap(self.around))
        column = rng.choice(columns, count, p=weight / weight.sum()) + rng.uniform(-0.5, 0.5, count)
        # Roots reach out past the hairline with falling density.
        outside = rng.random(count) < 0.42
        root_m = np.where(outside, -rng.gamma(1.1, 0.0030, count), rng.uniform(0, 0.013, count))
        t = np.linspace(0.0, 1.0, length)
        arc = root_m[:, None] + rng.uniform(*run_m, count)[:, None] * t[None]
        drift = (rng.normal(0.0, swing, count) * np.where(outside, 2.0, 1.0))[:, None] * (t[None] - 0.25)
        at_column = column[:, None] + drift + 0.36 * rng.normal(0.0, 1.0, (count, length)).cumsum(1)
        nearest = np.round(at_column).astype(int) % columns
        polar = self.end[nearest] - arc / self.skin_m[-1][nearest]
        unit = self.comb.direction(polar, np.interp(at_column % columns, np.arange(columns), self.around))
        radius = self.scalp.radius(unit.reshape(-1, 3)).reshape(count, length)
        # Follow the shell's lift at this arc length, a hair's breadth above it.
        pairs = zip(arc.ravel(), nearest.ravel(), strict=True)
        lift = [np.interp(a, self.arc[::-1, n], self.lift_m[::-1, n]) for a, n in pairs]
        above = 0.0002 + 0.0006 * rng.random(count)[:, None] * np.sin(np.pi * np.clip(t, 0.06, 1.0))[None]
        path = self.scalp.center + unit * (radius + np.reshape(lift, radius.shape) + above)[..., None]
        # The further out a hair roots, the finer it is.
        fine = np.clip(1.0 + root_m / 0.012, 0.35, 1.0)
        width = (
            fine[:, None] * rng.uniform(0.00009, 0.00018, count)[:, None] * np.array([0.45, 0.9, 1.0, 0.8, 0.0])[None]
        )
        points, triangles = ribbons(path, unit, width)
        tone = np.repeat(np.clip(rng.normal(0.5, 0.16, count), 0, 1), 2 * length)
        fade = np.repeat(np.clip(0.40 - arc / 0.014, 0.0, 0.80).ravel(), 2)
        return points, triangles, {"streak": tone, "fade": fade}

    def strays(self, count: int, rows_run: tuple[float, float], lift_m: float, seed: int, outward: float = 1.0) -> Mesh:
        """Hairs just off the shell, which break its outline; `outward` -1 combs them toward the hairline."""
        rng = np.random.default_rng(seed)
        length = 6
        column = rng.uniform(0, self.cut.columns, count)
        t = np.linspace(0.0, 1.0, length)
        start = rng.uniform(2, self.cut.rows - 3, count)
        row = start[:, None] - outward * rng.uniform(*rows_run, count)[:, None] * t[None]
        drift = rng.normal(0.0, 7.0, count)[:, None] * t[None] ** 1.5
        shape = np.sin(np.pi * t) if outward > 0 else t**1.3
        lift = 0.0003 + rng.gamma(1.3, lift_m, count)[:, None] * shape[None]
        path, out = self.at(np.clip(row, 0, self.cut.rows - 1), column[:, None] + drift, lift)
        width = np.full((count, 1), 0.00007) * np.array([0.7, 1, 1, 1, 0.8, 0.0])[None]
        points, triangles = ribbons(path, out, width)
        tone = np.repeat(np.clip(rng.normal(0.55, 0.18, count), 0, 1), 2 * length)
        return points, triangles, {"streak": tone, "fade": np.zeros(len(points))}


def joined(meshes: list[Mesh]) -> Mesh:
    """One mesh of several, with their channels."""
    offset, triangles = 0, []
    for points, faces, _ in meshes:
        triangles.append(faces + offset)
        offset += len(points)
    channels = {key: np.concatenate([m[2][key] for m in meshes]) for key in ("streak", "fade")}
    return np.concatenate([m[0] for m in meshes]), np.concatenate(triangles), channels
