"""The evening gown: V-necked bodice cut from the body suit, floor-length skirt with folds, and a sash."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.ndimage import gaussian_filter1d

from sim.studio.figure.shapes import grid_triangles, normals_from_mesh, smoothstep, triangles_from_quads

from .cloth import beside_skin, clipped, draped
from .skin import group_share, kept_shares
from .source import Source
from .subdivide import catmull_clark, compacted, mean_of_neighbours

# Heights on the first build's body, in metres; other builds follow through the shared topology.
NECKLINE_FRONT_M, NECKLINE_BACK_M, STRAP_TOP_M = 1.298, 1.352, 1.439
BODICE_BOTTOM_M, WAIST_M, HIP_FREE_M = 1.038, 1.052, 0.962
SKIRT_ROWS, SKIRT_COLUMNS = 46, 176


@dataclass(frozen=True)
class Bodice:
    """Cut of the bodice: matrix from source points to suit points, its faces, the cut, and fields on it."""

    suit_matrix: sp.csr_matrix
    suit_triangles: np.ndarray
    mean: sp.csr_matrix
    field_m: np.ndarray
    bust: np.ndarray
    edge_blend: np.ndarray
    cut_matrix: sp.csr_matrix
    triangles: np.ndarray


def bodice_cut(source: Source, template: np.ndarray) -> Bodice:
    """Draw neckline and armholes on the template body and cut the body suit along them."""
    quads = source.quads("helper-tights")
    arm = group_share(kept_shares(source), "upperarm", "lowerarm", "wrist", "finger")
    middle = template[quads].mean(axis=1)
    quads = quads[(middle[:, 1] > 0.90) & (arm[quads].mean(axis=1) < 0.95)]
    used, faces = compacted(quads)
    matrix = sp.csr_matrix((np.ones(len(used)), (np.arange(len(used)), used)), (len(used), len(template)))
    for _ in range(2):
        finer, faces = catmull_clark(matrix.shape[0], faces)
        matrix = (finer @ matrix).tocsr()
    rest, mean = matrix @ template, mean_of_neighbours(matrix.shape[0], faces)
    arm = matrix @ arm
    for _ in range(12):
        arm = mean @ arm
    # The opening grows from the point of the V like a power of height; behind it starts higher.
    front = rest[:, 2] > np.interp(rest[:, 1], [1.276, 1.444], [0.010, -0.005])
    bottom = np.where(front, NECKLINE_FRONT_M, NECKLINE_BACK_M)
    rise = np.clip((rest[:, 1] - bottom) / (STRAP_TOP_M - bottom), -1.0, 1.0)
    neckline = 0.104 * np.sign(rise) * np.abs(rise) ** 0.66 - np.abs(rest[:, 0])
    armhole = 0.157 * (arm - 0.30)
    hem = BODICE_BOTTOM_M - rest[:, 1]
    field = np.maximum(np.maximum(neckline, armhole), hem)
    for _ in range(3):
        field = 0.5 * field + 0.5 * (mean @ field)
    edge = smoothstep(-0.040, -0.008, field) * (hem < np.maximum(neckline, armhole))
    triangles = triangles_from_quads(faces)
    cut_matrix, cut_triangles = clipped(triangles, field)
    bust = np.interp(rest[:, 1], [1.317, 1.381], [0.025, 0.002])
    return Bodice(matrix, triangles, mean, field, bust, edge, cut_matrix, cut_triangles)


def bodice_points(
    cut: Bodice, body: np.ndarray, skin: np.ndarray, skin_normals: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Bodice points of one build, and the suit points well inside the edges, which hide skin."""
    suit = cut.suit_matrix @ body
    cloth = draped(suit, cut.suit_triangles, cut.mean, cut.bust, 30)
    cloth = cloth + 0.0040 * normals_from_mesh(suit, cut.suit_triangles)
    # Lay the edges on the skin so that straps and armholes do not stand off.
    edge = cut.edge_blend[:, None]
    cloth = cloth + edge * (beside_skin(suit, skin, skin_normals, 0.0022) - cloth)
    for _ in range(4):
        cloth = 0.5 * cloth + 0.5 * (cut.mean @ cloth)
    cloth = cloth + _creases(suit)[:, None] * (1.0 - edge) * normals_from_mesh(cloth, cut.suit_triangles)
    return cut.cut_matrix @ cloth, suit[cut.field_m < -0.030]


def _creases(points: np.ndarray) -> np.ndarray:
    """Height (n,) in metres of the drag lines in a fitted bodice: diagonal, deepest where it narrows to the waist."""
    rng = np.random.default_rng(45)
    height = np.zeros(len(points))
    for _ in range(14):
        lean = rng.normal(0.0, 0.55)
        pitch = 2.0 * np.pi / rng.uniform(0.026, 0.060)
        across = np.sin(rng.uniform(0, 6) + 9.0 * points[:, 0] + 7.0 * points[:, 2])
        height += across * np.sin(pitch * (points[:, 1] + lean * points[:, 0]) + rng.uniform(0, 6))
    depth = 0.0002 + 0.0006 * np.exp(-(((points[:, 1] - WAIST_M - 0.05) / 0.06) ** 2))
    return depth * height / np.sqrt(7.0)


def body_hull(
    lower_body: np.ndarray, heights_m: np.ndarray, axis_z_m: float, columns: int, free_m: float
) -> np.ndarray:
    """Radius (rows, columns) of a taut cloth round the body; below `free_m` it never narrows on the way down."""
    bearing = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)
    unit = np.stack([np.sin(bearing), np.cos(bearing)], 1)
    support = np.empty((len(heights_m), columns))
    for row, height in enumerate(heights_m):
        off = np.abs(lower_body[:, 1] - height)
        ring = lower_body[off < max(0.017, float(np.partition(off, 40)[40]))][:, [0, 2]] - [0.0, axis_z_m]
        support[row] = (ring @ unit.T).max(axis=0)
    free = (heights_m < free_m)[:, None]
    hanging = np.maximum.accumulate(np.where(free, support, 0.0), axis=0)
    support = np.where(free, np.maximum(hanging, support), support)
    support = gaussian_filter1d(support, 0.05 * len(heights_m) / np.ptp(heights_m), axis=0, mode="nearest")
    support = gaussian_filter1d(support, columns / 80.0, axis=1, mode="wrap")
    # Turn support distances into radii of the convex section.
    facing = np.cos(bearing[None] - bearing[:, None])
    reach = np.where(facing > 0.2, 1.0 / np.maximum(facing, 0.2), np.inf)
    return np.stack([(row[:, None] * reach).min(axis=0) for row in support])


def skirt_points(
    lower_body: np.ndarray, waist_m: float, hip_free_m: float, axis_z_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Skirt grid points and triangles, from the waist to just above the floor."""
    drop = np.linspace(0.0, 1.0, SKIRT_ROWS) ** 0.85
    heights = waist_m - 0.003 + drop * (0.004 - waist_m)
    radius = body_hull(lower_body, heights, axis_z_m, SKIRT_COLUMNS, hip_free_m)
    bearing = np.linspace(0.0, 2.0 * np.pi, SKIRT_COLUMNS, endpoint=False)
    below = np.clip((hip_free_m - heights) / hip_free_m, 0.0, 1.0)
    # Let folds open from the hip and wander a little on the way down.
    fold = np.zeros((SKIRT_ROWS, SKIRT_COLUMNS))
    for number, strength, phase, drift in (
        (7, 0.5, 0.3, 0.35),
        (11, 0.55, 1.9, -0.3),
        (16, 0.42, 4.0, 0.5),
        (23, 0.2, 2.2, -0.6),
    ):
        fold += strength * np.cos(number * bearing[None] + phase + drift * below[:, None] * 2.0)
    # Sharpen crests, as hanging cloth does, and round the valleys.
    fold = fold + 0.25 * np.abs(fold)
    radius = radius + 0.004 + (0.105 * below**1.25)[:, None]
    radius = radius + (0.026 * smoothstep(0.03, 1.0, below))[:, None] * fold
    x, z = radius * np.sin(bearing), axis_z_m + radius * np.cos(bearing)
    points = np.stack([x, np.repeat(heights[:, None], SKIRT_COLUMNS, 1), z], -1)
    return points.reshape(-1, 3), grid_triangles(SKIRT_ROWS, SKIRT_COLUMNS, True)


def sash_points(
    lower_body: np.ndarray, waist_m: float, hip_free_m: float, axis_z_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Pleated sash round the waist, a closed ring."""
    rows, columns = 25, 132
    share = np.linspace(0.0, 1.0, rows)
    heights = waist_m + 0.030 - 0.060 * share
    ring = body_hull(lower_body, np.full(3, waist_m) - [0, 0.001, 0.002], axis_z_m, columns, hip_free_m)[1]
    at = body_hull(lower_body, heights, axis_z_m, columns, hip_free_m)
    bearing = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)
    pleat = np.abs(np.sin(4.0 * np.pi * share[:, None] + 0.35 * np.sin(2 * bearing + 1.0)[None])) ** 0.7
    edge = np.clip(np.sin(np.pi * share), 0.0, 1.0)[:, None] ** 0.35
    radius = np.maximum(at, 0.5 * (at + ring)) + 0.0045 + 0.0045 * edge * (0.35 + 0.65 * pleat)
    # Tuck both rims under so that no cut edge is seen.
    radius[[0, -1]] -= 0.010
    points = np.stack([radius * np.sin(bearing), np.repeat(heights[:, None], columns, 1),
                       axis_z_m + radius * np.cos(bearing)], -1)  # fmt: skip
    return points.reshape(-1, 3), grid_triangles(rows, columns, True)
