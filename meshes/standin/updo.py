"""Hair swept back into a low knot: a combed shell, the knot, and loose hairs that soften the hairline."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from sim.figure.shapes import grid_triangles, normals_from_mesh, smoothstep

from .piece import ribbons, streaks
from .scalp import Comb, Scalp, comb_toward, meridian_ends

COLUMNS, ROWS = 440, 34
_KNOT_ELEVATION_DEG = 24.0


def swept_up(scalp: Scalp) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Points, triangles and channels `streak` (tone) and `fade` (1 = skin shows) of the whole style."""
    comb = comb_toward(_KNOT_ELEVATION_DEG)
    shell = _Shell(scalp, comb)
    meshes = [shell.mesh(), _knot(scalp, comb), _hairline(shell), _loose(shell)]
    offset, triangles = 0, []
    for points, faces, _ in meshes:
        triangles.append(faces + offset)
        offset += len(points)
    channels = {key: np.concatenate([m[2][key] for m in meshes]) for key in ("streak", "fade")}
    return np.concatenate([m[0] for m in meshes]), np.concatenate(triangles), channels


class _Shell:
    """Combed surface over (row share 0 at the knot .. 1 at the hairline, column angle)."""

    def __init__(self, scalp: Scalp, comb: Comb) -> None:
        rng = np.random.default_rng(31)
        self.scalp, self.comb = scalp, comb
        # Crowd columns over the top, where the camera looks.
        even = np.linspace(-np.pi, np.pi, COLUMNS, endpoint=False)
        self.around = even - 0.35 * np.sin(even)
        self.end = meridian_ends(scalp, comb, self.around)
        share = np.linspace(0.0, 1.0, ROWS) ** 0.8
        start = np.radians(9.0)
        self.polar = start + share[:, None] * (self.end - start)[None]
        wander = 0.010 * streaks(rng, ROWS, COLUMNS, 9.0, 7.0)
        self.angle = self.around[None] + wander * np.sin(np.pi * share)[:, None]
        unit = comb.direction(self.polar, self.angle)
        skin = gaussian_filter(
            scalp.radius(unit.reshape(-1, 3)).reshape(ROWS, COLUMNS), [0.6, 2.0], mode=["nearest", "wrap"]
        )
        self.skin_m = skin
        # Arc length from the hairline sets how far the hair lifts off the scalp.
        self.arc = (self.end[None] - self.polar) * skin
        top = 0.5 + 0.5 * np.cos(self.angle)
        lift = (0.0040 + 0.0085 * top**1.5) * smoothstep(0.0, 0.050, self.arc) + 0.0012 * smoothstep(
            -0.001, 0.006, self.arc
        )
        fine = streaks(rng, ROWS, COLUMNS, 0.9, 9.0)
        lock = streaks(rng, ROWS, COLUMNS, 5.0, 12.0)
        relief = (0.00022 * fine + 0.00042 * lock) * smoothstep(0.002, 0.020, self.arc)
        self.lift_m = lift + relief + 0.0002
        self.points = scalp.center + unit * (skin + self.lift_m)[..., None]
        ragged = 0.0025 * streaks(rng, 1, COLUMNS, 1.2, 1.0)[0] + 0.0020 * streaks(rng, 1, COLUMNS, 6.0, 1.0)[0]
        reach = 0.006 + 0.005 * np.clip(np.cos(self.angle), 0.0, 1.0)
        self.fade = 1.0 - smoothstep(0.0, 1.0, (self.arc - 0.001 + ragged[None]) / reach)
        self.tone = np.clip(0.5 + 0.16 * fine + 0.14 * lock, 0.0, 1.0)

    def mesh(self) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
        triangles = grid_triangles(ROWS, COLUMNS, True)
        points = self.points.reshape(-1, 3)
        normals = normals_from_mesh(points, triangles)
        if ((points - self.scalp.center) * normals).sum() < 0:
            triangles = triangles[:, ::-1]
        return points, triangles, {"streak": self.tone.ravel(), "fade": self.fade.ravel()}

    def at(self, row: np.ndarray, column: np.ndarray, lift_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points and outward directions on the shell at fractional rows and columns, lifted by a distance."""
        where = [np.clip(row, 0, ROWS - 1).ravel(), (column % COLUMNS).ravel()]
        point = np.stack([map_coordinates(self.points[..., k], where, order=1, mode="grid-wrap") for k in range(3)], -1)
        out = point - self.scalp.center
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        shape = (*row.shape, 3)
        return (point + out * lift_m.ravel()[:, None]).reshape(shape), out.reshape(shape)


def _hairline(shell: _Shell) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Rooted hairs along the hairline: dense inside, thinning outward, lying back into the shell."""
    rng = np.random.default_rng(32)
    count, length = 2100, 5
    weight = (0.25 + smoothstep(-0.9, 0.4, np.cos(shell.around))) * np.gradient(np.unwrap(shell.around))
    column = rng.choice(COLUMNS, count, p=weight / weight.sum()) + rng.uniform(-0.5, 0.5, count)
    # Roots reach out past the hairline with falling density.
    root_m = np.where(rng.random(count) < 0.45, -rng.gamma(1.2, 0.0022, count), rng.uniform(0, 0.013, count))
    run_m = rng.uniform(0.016, 0.042, count)
    t = np.linspace(0.0, 1.0, length)
    arc = root_m[:, None] + run_m[:, None] * t[None]
    drift = (
        rng.normal(0.0, 3.2, count)[:, None] * (t[None] - 0.25) + rng.normal(0.0, 0.6, (count, length)).cumsum(1) * 0.6
    )
    at_column = column[:, None] + drift
    nearest = np.round(at_column).astype(int) % COLUMNS
    polar = shell.end[nearest] - arc / shell.skin_m[-1][nearest]
    unit = shell.comb.direction(polar, np.interp(at_column % COLUMNS, np.arange(COLUMNS), shell.around))
    radius = shell.scalp.radius(unit.reshape(-1, 3)).reshape(count, length)
    # Follow the shell's lift at this arc length, a hair's breadth above it.
    lift_of_arc = np.array([np.interp(a, shell.arc[::-1, n], shell.lift_m[::-1, n]) for a, n in
                            zip(arc.ravel(), nearest.ravel(), strict=True)]).reshape(count, length)  # fmt: skip
    above = 0.0002 + 0.0006 * rng.random(count)[:, None] * np.sin(np.pi * np.clip(t, 0.06, 1.0))[None]
    path = shell.scalp.center + unit * (radius + lift_of_arc + above)[..., None]
    width = rng.uniform(0.00010, 0.00020, count)[:, None] * np.array([0.45, 0.9, 1.0, 0.8, 0.0])[None]
    points, triangles = ribbons(path, unit, width)
    tone = np.repeat(np.clip(rng.normal(0.5, 0.16, count), 0, 1), 2 * length)
    rise = np.clip(0.55 - arc / 0.010, 0.0, 0.85)
    fade = np.repeat(rise.ravel(), 2)
    return points, triangles, {"streak": tone, "fade": fade}


def _loose(shell: _Shell) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Stray hairs just off the shell, which break its outline."""
    rng = np.random.default_rng(33)
    count, length = 500, 6
    column = rng.uniform(0, COLUMNS, count)
    t = np.linspace(0.0, 1.0, length)
    start = rng.uniform(8, ROWS - 3, count)
    row = start[:, None] - rng.uniform(6, 20, count)[:, None] * t[None]
    drift = rng.normal(0.0, 7.0, count)[:, None] * t[None] ** 1.5
    lift = 0.0003 + rng.gamma(1.3, 0.0007, count)[:, None] * np.sin(np.pi * t)[None]
    path, out = shell.at(np.clip(row, 0, ROWS - 1), column[:, None] + drift, lift)
    width = np.full((count, 1), 0.00007) * np.array([0.7, 1, 1, 1, 0.8, 0.0])[None]
    points, triangles = ribbons(path, out, width)
    tone = np.repeat(np.clip(rng.normal(0.55, 0.18, count), 0, 1), 2 * length)
    return points, triangles, {"streak": tone, "fade": np.zeros(len(points))}


def _knot(scalp: Scalp, comb: Comb) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Coiled knot of hair on the pole, with strand relief that spirals inward."""
    rng = np.random.default_rng(34)
    rows, columns = 32, 150
    base = scalp.center + comb.pole * (scalp.radius(comb.pole[None])[0] + 0.024)
    turn = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)
    polar, around = np.meshgrid(np.linspace(0.02, np.pi * 0.98, rows), turn, indexing="ij")
    fine = streaks(rng, rows, columns, 0.8, 9.0)
    coil = 0.0034 * np.sin(2.0 * around + 4.2 * polar) * np.sin(polar)
    radius = 0.0435 + coil + 0.00035 * fine
    twisted = around + 1.3 * polar
    ring = np.cos(twisted)[..., None] * comb.up + np.sin(twisted)[..., None] * comb.side
    points = base + radius[..., None] * (0.68 * np.cos(polar)[..., None] * comb.pole + np.sin(polar)[..., None] * ring)
    triangles = grid_triangles(rows, columns, True)
    flat = points.reshape(-1, 3)
    if ((flat - base) * normals_from_mesh(flat, triangles)).sum() < 0:
        triangles = triangles[:, ::-1]
    tone = np.clip(0.5 + 0.16 * fine + 0.1 * coil / 0.0034, 0, 1)
    return flat, triangles, {"streak": tone.ravel(), "fade": np.zeros(rows * columns)}
