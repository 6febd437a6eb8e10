"""A bust on a stand in matt middle grey, for metering lessons."""

from __future__ import annotations

import numpy as np

from . import posing, shapes
from .anchors import anchors_on_bust
from .asset import REFERENCE, load_asset
from .parts import Figure, Material, Part
from .posing import Skeleton

# Middle grey of a test card, and the stand's black enamel (common practice, no source).
GREY_RGB, STAND_RGB = (0.18, 0.18, 0.18), (0.03, 0.03, 0.03)
FOOT_RADIUS_M, FOOT_HIGH_M, POLE_RADIUS_M = 0.16, 0.022, 0.016


def mannequin_figure(head_deg: tuple[float, float, float]) -> Figure:
    """The bust at standing height on the origin, facing +Z, its head turned by (turn, nod, tilt).

    Does not: have hair, arms, clothes or eyes that look; all of it is one matt grey.
    """
    asset = load_asset()
    skeleton = Skeleton(
        asset.bone_names, asset.arrays["bones/parent"], asset.arrays[f"bones/{REFERENCE}/head"].astype(float)
    )
    transforms = skeleton.transforms(posing.head_turns(*head_deg))
    grey = Material("matt", GREY_RGB, roughness=0.9)
    piece = asset.piece("bust", REFERENCE)
    shares = piece.shares
    assert shares is not None
    points = posing.bent(piece.points_m, shares, transforms)
    posed = {"bust": (points, shapes.normals_from_mesh(points, piece.triangles))}
    parts = []
    # Name triangles by what they belong to, so that meters find the face.
    head = shares[:, [skeleton.index("head")]].toarray().ravel()[piece.triangles].mean(axis=1) > 0.5
    neck_bones = [skeleton.index(f"neck0{k}") for k in (1, 2, 3)]
    neck = np.asarray(shares[:, neck_bones].sum(axis=1)).ravel()
    neck = (neck[piece.triangles].mean(axis=1) > 0.5) & ~head
    for name, own in (("face", head), ("neck", neck), ("chest", ~head & ~neck)):
        parts.append(_cut(name, name, *posed["bust"], piece.triangles[own], grey))
    turn = transforms[skeleton.index("head")]
    for name in ("left eye", "right eye"):
        eye = asset.piece(name, REFERENCE)
        ball = eye.points_m @ turn[:, :3].T + turn[:, 3]
        posed[name] = ball, shapes.normals_from_mesh(ball, eye.triangles)
        parts.append(_cut(name, "eyes", *posed[name], eye.triangles, grey))
    black = Material("matt", STAND_RGB, roughness=0.6)
    for name, (solid, faces) in _stand(float(points[:, 1].min())).items():
        posed[name] = solid, shapes.normals_from_mesh(solid, faces)
        parts.append(_cut(name, "prop", *posed[name], faces, black))
    anchors, normals = anchors_on_bust(asset, posed)
    stature = asset.arrays[f"landmarks/{REFERENCE}/stature"].item()
    return Figure(tuple(parts), (), anchors, normals, 0.0, head_deg[0], {"stature": stature})


def _stand(top_m: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Pole and round foot."""
    pole = shapes.tube(
        np.array([(0.0, FOOT_HIGH_M - 0.002, 0.0), (0.0, top_m + 0.01, 0.0)]), np.full(2, POLE_RADIUS_M), 24
    )
    radius = np.array([0.0, FOOT_RADIUS_M - 0.006, FOOT_RADIUS_M, FOOT_RADIUS_M, 0.0])
    height = np.array([FOOT_HIGH_M, FOOT_HIGH_M, FOOT_HIGH_M - 0.006, 0.0, 0.0])
    return {"pole": pole, "foot": shapes.loft(height, radius, radius, np.zeros(5), 48)}


def _cut(
    name: str, region: str, points: np.ndarray, normals: np.ndarray, faces: np.ndarray, material: Material
) -> Part:
    used, local = np.unique(faces, return_inverse=True)
    return Part(name, region, points[used].astype(np.float32), local.reshape(-1, 3).astype(np.uint32),
                normals[used].astype(np.float32), None, material)  # fmt: skip
