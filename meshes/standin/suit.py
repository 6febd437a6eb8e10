"""The dark suit: jacket, shirt front, tie, trousers and shoes, cut from the body suit and lofted where it hangs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

from sim.studio.figure.shapes import (
    ellipsoid,
    grid_triangles,
    normals_from_mesh,
    smoothstep,
    triangles_from_quads,
)

from .cloth import clipped, draped
from .gown import body_hull
from .piece import Piece
from .skin import group_share, kept_shares
from .source import Source
from .subdivide import catmull_clark, compacted, mean_of_neighbours

# Heights on the first build's body in metres: button, collar point, waist seam, jacket hem, trouser hem.
BUTTON_M, COLLAR_M, SEAM_M, HEM_M, CUFF_M = 1.115, 1.425, 1.035, 0.765, 0.030
TORSO_AXIS_Z_M = 0.010


@dataclass(frozen=True)
class BodySuit:
    """The whole body suit once subdivided, with its bone shares and the first build's rest points."""

    matrix: sp.csr_matrix
    triangles: np.ndarray
    mean: sp.csr_matrix
    shares: np.ndarray
    rest: np.ndarray


def body_suit(source: Source, template: np.ndarray) -> BodySuit:
    """Subdivide the source's body suit."""
    used, faces = compacted(source.quads("helper-tights"))
    pick = sp.csr_matrix((np.ones(len(used)), (np.arange(len(used)), used)), (len(used), len(template)))
    matrix, faces = catmull_clark(len(used), faces)
    matrix = (matrix @ pick).tocsr()
    mean = mean_of_neighbours(matrix.shape[0], faces)
    return BodySuit(matrix, triangles_from_quads(faces), mean, matrix @ kept_shares(source), matrix @ template)


def suit_pieces(
    source: Source, bodies: dict[str, np.ndarray], legs: np.ndarray, heights: Callable[..., list[float]]
) -> dict[str, Piece]:
    """All pieces of the suit for every build; `heights(body, *m)` carries template heights to a build."""
    suit = body_suit(source, bodies["woman"])
    rest, shares = suit.rest, suit.shares
    arm = group_share(shares, "upperarm", "lowerarm", "wrist", "finger")
    front = rest[:, 2] > np.interp(rest[:, 1], [1.30, 1.45], [0.0, 0.012])

    # Cut the jacket: the V of the front, the neck, the seam at the waist and the sleeve ends.
    opening = 0.064 * np.clip((rest[:, 1] - BUTTON_M) / (COLLAR_M - BUTTON_M), -1.0, 1.2) - np.abs(rest[:, 0])
    opening = np.where(front, opening, -1.0)
    neck = (rest[:, 1] - np.interp(rest[:, 2], [-0.03, 0.05], [1.470, 1.447])) - 0.9 * np.maximum(
        np.abs(rest[:, 0]) - 0.058, 0
    )
    along = _along_forearm(source, bodies["woman"], rest)
    sleeve = np.where(arm > 0.8, 0.12 * (along - 0.93), -1.0)
    jacket_field = np.maximum(np.maximum(opening, neck), np.maximum(SEAM_M - rest[:, 1] - 2.0 * arm, sleeve))
    jacket_cut, jacket_faces = clipped(suit.triangles, jacket_field)
    # Keep the shirt where the jacket lets it show, and the shirt cuffs.
    panel = np.maximum(
        np.maximum(BUTTON_M - 0.05 - rest[:, 1], np.abs(rest[:, 0]) - 0.085),
        np.where(front | (rest[:, 1] > 1.40), -1, 1),
    )
    shirt_cut, shirt_faces = clipped(suit.triangles, np.where(arm > 0.8, 0.12 * (0.86 - along), panel))
    trouser_cut, trouser_faces = clipped(suit.triangles, np.maximum(rest[:, 1] + 2 * arm - 1.02, CUFF_M - rest[:, 1]))
    shoe_cut, shoe_faces = clipped(suit.triangles, rest[:, 1] - 0.105)

    made: dict[str, dict[str, np.ndarray]] = {}
    faces: dict[str, np.ndarray] = {
        "jacket": jacket_faces,
        "shirt": shirt_faces,
        "trousers": trouser_faces,
        "shoes": shoe_faces,
    }
    for build, body in bodies.items():
        base = suit.matrix @ body
        normals = normals_from_mesh(base, suit.triangles)
        low = body[legs]
        button, collar, seam, hem = heights(body, BUTTON_M, COLLAR_M, SEAM_M, HEM_M)
        coat = _coat(suit, base, normals, arm)
        tail, faces["tails"], ring = _tails(low, seam, hem)
        coat = _onto_ring(coat, arm, ring, seam)
        points = {
            "jacket": jacket_cut @ coat,
            "shirt": shirt_cut @ (base + 0.0040 * normals),
            "trousers": trouser_cut @ _trouser_legs(source, body, base, normals),
            "shoes": shoe_cut @ _shoes(suit, base, normals),
            "tails": tail,
        }
        torso = arm < 0.3
        depth = _FrontDepth(coat[torso])
        points["lapels"], faces["lapels"] = _lapels(depth, button, collar)
        points["tie"], faces["tie"] = _tie(_FrontDepth((base + 0.004 * normals)[torso]), button, collar)
        points["collar"], faces["collar"] = _shirt_collar(base[torso], collar)
        points["jacket collar"], faces["jacket collar"] = _jacket_collar(base[torso], collar)
        for name, value in points.items():
            made.setdefault(name, {})[build] = value
    lent = {"jacket": jacket_cut @ shares, "shirt": shirt_cut @ shares}
    pieces = {}
    for name, points in made.items():
        rigid = "root" if name in ("trousers", "shoes", "tails") else "spine01"
        pieces[name] = Piece(points, faces[name], lent.get(name), bone="" if name in lent else rigid)
    return pieces


def _along_forearm(source: Source, body: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Share of the way from elbow to wrist (n,) of points near either arm."""
    share = np.zeros(len(points))
    for side, sign in (("l", 1.0), ("r", -1.0)):
        elbow, wrist = source.joint(body, f"joint-{side}-elbow"), source.joint(body, f"joint-{side}-hand")
        axis = wrist - elbow
        near = sign * points[:, 0] > 0
        share[near] = (points[near] - elbow) @ axis / (axis @ axis)
    return share


def _coat(suit: BodySuit, base: np.ndarray, normals: np.ndarray, arm: np.ndarray) -> np.ndarray:
    """Jacket surface: taut over hollows, padded at the shoulder, roomy on the arm."""
    reach = np.where(arm > 0.5, 0.006, 0.030)
    cloth = draped(base, suit.triangles, suit.mean, reach, 40)
    ease = 0.0090
    pad = 0.004 * np.exp(-(((np.abs(base[:, 0]) - 0.16) / 0.05) ** 2)) * (normals[:, 1] > 0.2) * normals[:, 1]
    cloth = cloth + normals * (ease + pad)[:, None]
    for _ in range(6):
        cloth = 0.5 * cloth + 0.5 * (suit.mean @ cloth)
    return cloth


def _tails(low: np.ndarray, seam_m: float, hem_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Jacket below the waist: points, triangles and the radius per column at its top."""
    rows, columns = 22, 120
    heights = np.linspace(seam_m + 0.030, hem_m, rows)
    radius = body_hull(low, heights, TORSO_AXIS_Z_M, columns, seam_m - 0.10)
    drop = np.linspace(0.0, 1.0, rows)[:, None]
    bearing = np.linspace(0.0, 2.0 * np.pi, columns, endpoint=False)
    radius = radius + 0.0125 + 0.012 * drop**1.5
    # Step the right front over the left, and open the fronts a little toward the hem.
    facing = (bearing + np.pi) % (2 * np.pi) - np.pi
    radius = radius + 0.0035 * smoothstep(-0.10, -0.06, facing)[None] * smoothstep(0.9, 0.3, facing)[None]
    points = np.stack([radius * np.sin(bearing), np.repeat(heights[:, None], columns, 1),
                       TORSO_AXIS_Z_M + radius * np.cos(bearing)], -1)  # fmt: skip
    points[..., 1] += 0.030 * drop**3 * np.exp(-((facing / 0.16) ** 2))[None]
    return points.reshape(-1, 3), grid_triangles(rows, columns, True), radius[:3].mean(axis=0)


def _onto_ring(cloth: np.ndarray, arm: np.ndarray, ring: np.ndarray, seam_m: float) -> np.ndarray:
    """Lead the jacket's lower edge onto the tails, so that the seam does not show."""
    offset = cloth[:, [0, 2]] - [0.0, TORSO_AXIS_Z_M]
    radius = np.hypot(*offset.T)
    column = (np.arctan2(offset[:, 0], offset[:, 1]) / (2 * np.pi) * len(ring)) % len(ring)
    goal = np.interp(column, np.arange(len(ring) + 1), np.append(ring, ring[0])) + 0.0008
    share = smoothstep(seam_m + 0.10, seam_m + 0.015, cloth[:, 1]) * (arm < 0.3)
    scale = 1.0 + share * (goal / np.maximum(radius, 1e-6) - 1.0)
    result = cloth.copy()
    result[:, [0, 2]] = offset * scale[:, None] + [0.0, TORSO_AXIS_Z_M]
    return result


def _trouser_legs(source: Source, body: np.ndarray, base: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Straight trouser legs: at least a tube about each leg's axis, never inside the body suit."""
    cloth = base + 0.008 * normals
    for side, sign in (("l", 1.0), ("r", -1.0)):
        joints = np.array([source.joint(body, f"joint-{side}-{n}") for n in ("ankle", "knee", "upper-leg")])
        own = (sign * cloth[:, 0] > 0) & (cloth[:, 1] < joints[2, 1] - 0.06)
        y = cloth[own, 1]
        center = np.stack([np.interp(y, joints[:, 1], joints[:, k]) for k in (0, 2)], 1)
        offset = cloth[own][:, [0, 2]] - center
        radius = np.hypot(*offset.T)
        least = np.interp(y, [0.0, joints[0, 1], joints[1, 1], joints[2, 1] - 0.06], [0.070, 0.068, 0.066, 0.0])
        grown = np.maximum(radius, least) / np.maximum(radius, 1e-6)
        moved = cloth[own]
        moved[:, [0, 2]] = center + offset * grown[:, None]
        cloth[own] = moved
    return cloth


def _shoes(suit: BodySuit, base: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """Plain shoes: the foot smoothed and thickened, flat on the floor."""
    shape = base.copy()
    for _ in range(14):
        shape = 0.5 * shape + 0.5 * (suit.mean @ shape)
    shape = shape + 0.0075 * normals
    shape[:, 1] = np.maximum(shape[:, 1], 0.0)
    return shape


class _FrontDepth:
    """Depth z of the front of a surface as a function of (x, y)."""

    def __init__(self, points: np.ndarray) -> None:
        front = points[points[:, 2] > 0.0]
        self._inside = LinearNDInterpolator(front[:, :2], front[:, 2])
        self._outside = NearestNDInterpolator(front[:, :2], front[:, 2])

    def __call__(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        value = self._inside(x, y)
        return np.where(np.isfinite(value), value, self._outside(x, y))


def _lapels(depth: _FrontDepth, button_m: float, collar_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Two lapels that lie on the jacket's front along the V."""
    rows, columns = 40, 9
    points, triangles = [], []
    share = np.linspace(0.0, 1.0, rows)
    height = button_m - 0.012 + share * (collar_m - button_m + 0.012)
    inner = 0.064 * np.clip((height - button_m) / (collar_m - button_m), 0.0, 1.2) - 0.004
    wide = np.interp(
        share, [0.0, 0.15, 0.66, 0.665, 0.74, 0.90, 1.0], [0.006, 0.026, 0.072, 0.046, 0.046, 0.034, 0.014]
    )
    across = np.linspace(0.0, 1.0, columns)
    for index, side in enumerate((-1.0, 1.0)):
        x = side * (inner[:, None] + wide[:, None] * across[None])
        y = height[:, None] + 0.018 * across[None] * smoothstep(0.4, 0.7, share)[:, None]
        y = np.broadcast_to(y, x.shape)
        z = depth(x, y) + 0.0030 + 0.0035 * np.sin(np.pi * (1 - across))[None] ** 0.6 + 0.002 * (1 - across)[None]
        z[:, -1] -= 0.004
        points.append(np.stack([x, y, z], -1).reshape(-1, 3))
        faces = grid_triangles(rows, columns, False) + index * rows * columns
        triangles.append(faces[:, ::-1] if side < 0 else faces)
    return np.concatenate(points), np.concatenate(triangles)


def _tie(depth: _FrontDepth, button_m: float, collar_m: float) -> tuple[np.ndarray, np.ndarray]:
    """A tie: blade from the knot to below the button, and the knot."""
    rows, columns = 24, 9
    share = np.linspace(0.0, 1.0, rows)[:, None]
    across = np.linspace(-1.0, 1.0, columns)[None]
    top = collar_m - 0.008
    y = top + share * (button_m + 0.012 - top) + 0.0 * across
    half = np.interp(share, [0.0, 0.12, 0.62, 1.0], [0.013, 0.016, 0.029, 0.008])
    x = across * half
    z = depth(x, y) + 0.004 + 0.0045 * np.sqrt(np.maximum(1.0 - across**2, 0.0))
    blade = np.stack([x, y, z], -1).reshape(-1, 3)
    knot, faces = ellipsoid((0.0, top + 0.006, float(depth(0.0, top)) + 0.007), (0.0165, 0.0190, 0.0105), 14, 22)
    taper = np.interp(knot[:, 1], [top - 0.014, top + 0.02], [0.60, 1.12])
    knot[:, 0] *= taper
    return np.concatenate([blade, knot]), np.concatenate([grid_triangles(rows, columns, False), faces + len(blade)])


def _neck_ring(torso: np.ndarray, collar_m: float, bearing: np.ndarray) -> tuple[np.ndarray, float]:
    """Radius of the neck (columns,) over bearings (rad), smoothed, and the depth of its axis."""
    neck = torso[np.abs(torso[:, 1] - collar_m - 0.030) < 0.020]
    axis_z = 0.5 * (neck[:, 2].min() + neck[:, 2].max())
    offset = neck[:, [0, 2]] - [0.0, axis_z]
    facing = np.arctan2(offset[:, 0], offset[:, 1])
    order = np.argsort(facing)
    wrapped = np.concatenate([facing[order] - 2 * np.pi, facing[order], facing[order] + 2 * np.pi])
    radius = np.interp(bearing, wrapped, np.tile(np.hypot(*offset.T)[order], 3))
    return np.convolve(np.pad(radius, 4, mode="edge"), np.ones(9) / 9.0, mode="valid"), axis_z


def _band(radius: np.ndarray, height: np.ndarray, bearing: np.ndarray, axis_z: float) -> tuple[np.ndarray, np.ndarray]:
    """Open band round the neck from radii and heights (rows, columns)."""
    points = np.stack([radius * np.sin(bearing), height, axis_z + radius * np.cos(bearing)], -1)
    return points.reshape(-1, 3), grid_triangles(*radius.shape, False)


def _shirt_collar(torso: np.ndarray, collar_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Shirt collar: a band round the neck folded outward, with points either side of the tie."""
    bearing = np.radians(np.linspace(9.0, 351.0, 72))
    ring, axis_z = _neck_ring(torso, collar_m, bearing)
    back = 0.5 - 0.5 * np.cos(bearing)
    top = collar_m + 0.012 + 0.030 * back
    share = np.linspace(0.0, 1.0, 9)[:, None]
    # Rise inside, fold over, fall outside; the front points fall lower.
    rise = np.sin(np.clip(share / 0.35, 0, 1) * np.pi / 2)
    fall = np.clip((share - 0.35) / 0.65, 0.0, 1.0)
    from_front_deg = np.degrees(np.minimum(bearing, 2 * np.pi - bearing))
    leaf = 0.030 + 0.020 * np.exp(-(((from_front_deg - 20.0) / 12.0) ** 2))
    height = (top - 0.022)[None] + 0.022 * rise - leaf[None] * fall
    fold = 0.004 * np.sin(np.clip(share / 0.5, 0, 1) * np.pi / 2)
    return _band(ring[None] + 0.0035 + fold + (0.007 + 0.004 * back)[None] * fall, height, bearing, axis_z)


def _jacket_collar(torso: np.ndarray, collar_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Jacket collar: stands behind the shirt's, folds over and lies on the shoulders down to the lapels."""
    bearing = np.radians(np.linspace(40.0, 320.0, 64))
    ring, axis_z = _neck_ring(torso, collar_m, bearing)
    back = 0.5 - 0.5 * np.cos(bearing)
    share = np.linspace(0.0, 1.0, 10)[:, None]
    rise = np.sin(np.clip(share / 0.3, 0, 1) * np.pi / 2)
    fall = np.clip((share - 0.3) / 0.7, 0.0, 1.0)
    top = collar_m - 0.002 + 0.030 * back
    low = collar_m - 0.046 + 0.026 * back
    height = (top - 0.030)[None] + 0.030 * rise - (top - low)[None] * fall**1.3
    return _band(
        ring[None] + 0.014 + 0.003 * rise + (0.016 + 0.026 * smoothstep(0.1, 0.5, back)) * fall, height, bearing, axis_z
    )
