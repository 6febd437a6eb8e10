"""The hair styles: swept up into a low knot, cropped, and a short bob with a parting."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from sim.studio.figure.shapes import grid_triangles, normals_from_mesh, smoothstep

from .piece import ribbons, streaks
from .scalp import Comb, Scalp
from .shell import Cut, Mesh, Shell, joined

_SWEPT = Cut(24.0, 440, 34, 0.0052, 0.0125, 0.050, 0.00022, 0.00042, 0.011, 9.0, 31)
_CROPPED = Cut(68.0, 400, 34, 0.0026, 0.0160, 0.032, 0.00055, 0.00085, 0.014, 2.2, 35, sideburns=True)


def swept_up(scalp: Scalp) -> Mesh:
    """Hair combed back over the skull into a coiled knot; loose hairs soften the hairline."""
    shell = Shell(scalp, _SWEPT)
    return joined([shell.mesh(), _knot(scalp, shell.comb), shell.rooted_hairs(2500, (0.014, 0.040), 32),
                   shell.strays(500, (5.0, 16.0), 0.0007, 33)])  # fmt: skip


def cropped(scalp: Scalp) -> Mesh:
    """Short hair combed forward from the crown, tapered at the sides and nape."""
    shell = Shell(scalp, _CROPPED)
    return joined([shell.mesh(), shell.rooted_hairs(1700, (0.006, 0.014), 36, 2.0),
                   shell.strays(2300, (1.5, 4.0), 0.0015, 37, -1.0)])  # fmt: skip


def short_bob(scalp: Scalp) -> Mesh:
    """Chin-length hair from a centre parting, falling in front of and behind the ears."""
    halves = [_curtain(scalp, side) for side in (-1.0, 1.0)]
    return joined([mesh for half in halves for mesh in half])


def _curtain(scalp: Scalp, side: float) -> list[Mesh]:
    """One side of the bob: strands leave the parting, round the skull and hang."""
    rng = np.random.default_rng(51 if side > 0 else 52)
    columns, rows = 190, 34
    u = np.linspace(0.0, 1.0, columns)
    # Roots run along the parting from the front hairline to the crown, then fan out from the crown.
    root_polar = np.radians(np.interp(u, [0.0, 0.45, 1.0], [57.0, -14.0, -20.0]))
    root = np.stack([0 * u, np.cos(root_polar), np.sin(root_polar)], 1)
    end_bearing = np.radians(np.interp(u, [0.0, 0.12, 0.45, 1.0], [60.0, 68.0, 100.0, 181.0]))
    end_polar = np.radians(np.interp(u, [0.0, 0.45, 1.0], [91.0, 93.0, 96.0]))
    end = np.stack([side * np.sin(end_polar) * np.sin(end_bearing), np.cos(end_polar),
                    np.sin(end_polar) * np.cos(end_bearing)], 1)  # fmt: skip
    t = np.linspace(0.0, 1.0, rows)
    over = np.clip(t / 0.55, 0.0, 1.0)
    span = np.arccos(np.clip((root * end).sum(1), -1.0, 1.0))
    weight = [np.sin((1.0 - over[:, None]) * span) / np.sin(span), np.sin(over[:, None] * span) / np.sin(span)]
    unit = weight[0][..., None] * root + weight[1][..., None] * end
    unit /= np.linalg.norm(unit, axis=2, keepdims=True)
    skin = scalp.radius(unit.reshape(-1, 3)).reshape(rows, columns)
    fine, lock = streaks(rng, rows, columns, 0.9, 9.0), streaks(rng, rows, columns, 5.0, 12.0)
    arc = span[None] * over[:, None] * 0.09
    body = np.interp(u, [0.0, 0.10, 0.4, 1.0], [0.0060, 0.0135, 0.0185, 0.0165])[None]
    lift = 0.0006 + body * smoothstep(-0.002, 0.060, arc)
    lift = lift + (0.00025 * fine + 0.0006 * lock) * smoothstep(0.0, 0.02, arc)
    points = scalp.center + unit * (skin + lift)[..., None]
    # Hang straight down below the widest line, turning in at the ends.
    last = int(np.argmax(t >= 0.55))
    length = (
        0.132 + np.interp(u, [0.0, 0.5, 1.0], [0.004, 0.0, -0.008]) + 0.0022 * streaks(rng, 1, columns, 0.8, 1.0)[0]
    )
    fall = np.clip((t - t[last]) / (1.0 - t[last]), 0.0, 1.0)[:, None]
    outward = unit[last] * [1.0, 0.0, 1.0]
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    swell = 0.006 * np.sin(np.pi * np.minimum(fall, 1.0)) - 0.014 * fall**3 + 0.0007 * lock * np.sign(fall)
    hang = points[last][None] + swell[..., None] * outward[None]
    hang[..., 1] -= fall * length[None]
    points = np.where((t > t[last])[:, None, None], hang, points)
    points[1:-1] = gaussian_filter1d(points, 1.6, axis=0, mode="nearest")[1:-1]
    triangles = grid_triangles(rows, columns, False)
    flat = points.reshape(-1, 3)
    if ((flat - scalp.center) * normals_from_mesh(flat, triangles)).sum() < 0:
        triangles = triangles[:, ::-1]
    tone = np.clip(0.5 + 0.17 * fine + 0.14 * lock, 0.0, 1.0)
    fade = (1.0 - smoothstep(0.0, 0.006, arc + 0.001 * fine)) * (0.5 * np.ones(columns))[None]
    sheet = (flat, triangles, {"streak": tone.ravel(), "fade": fade.ravel()})
    return [sheet, _hanging_strays(points, scalp, rng)]


def _hanging_strays(sheet: np.ndarray, scalp: Scalp, rng: np.random.Generator) -> Mesh:
    """Loose strands over a curtain, denser at its front edge and ends."""
    rows, columns, _ = sheet.shape
    count, length = 520, 6
    column = np.clip(np.where(rng.random(count) < 0.35, rng.gamma(1.5, 4.0, count), rng.uniform(0, columns, count)),
                     0, columns - 1)  # fmt: skip
    t = np.linspace(0.0, 1.0, length)
    start = rng.uniform(2, rows * 0.7, count)
    row = np.minimum(start[:, None] + rng.uniform(7, 15, count)[:, None] * t[None], rows - 1.0)
    at = np.clip(column[:, None] + rng.normal(0, 4.0, count)[:, None] * t[None], 0, columns - 1).astype(int)
    low = row.astype(int)
    share = (row - low)[..., None]
    path = sheet[low, at] * (1 - share) + sheet[np.minimum(low + 1, rows - 1), at] * share
    out = path - scalp.center
    out[..., 1] *= 0.3
    out /= np.linalg.norm(out, axis=2, keepdims=True)
    path = path + out * (0.0004 + rng.gamma(1.3, 0.0008, count)[:, None] * np.sin(np.pi * t * 0.8)[None])[..., None]
    width = np.full((count, 1), 0.00009) * np.array([0.7, 1, 1, 1, 0.8, 0.0])[None]
    points, triangles = ribbons(path, out, width)
    tone = np.repeat(np.clip(rng.normal(0.52, 0.17, count), 0, 1), 2 * length)
    return points, triangles, {"streak": tone, "fade": np.zeros(len(points))}


def _knot(scalp: Scalp, comb: Comb) -> Mesh:
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
