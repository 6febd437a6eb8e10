"""Named points of a stand-in: chosen on the body at rest, then carried along by the pose."""

from __future__ import annotations

import numpy as np

from .asset import REFERENCE, Asset

Posed = dict[str, tuple[np.ndarray, np.ndarray]]
# Name: piece, place (x, y) as seen from the front. Heads are measured from the eyes' midpoint in metres; bodies
# from the floor in metres on a body of 1.68 m. Each anchor is the front-most point near that place.
_ON_HEAD = {
    "face": (0.0, -0.028), "forehead": (0.0, 0.042), "chin": (0.0, -0.100),
    "left cheek": (-0.042, -0.040), "right cheek": (0.042, -0.040),
}  # fmt: skip
_ON_BODY = {
    "neck": ("skin", 0.0, 1.435), "chest": ("skin", 0.0, 1.345), "left shoulder": ("skin", -0.160, 1.390),
    "right shoulder": ("skin", 0.160, 1.390), "gown": ("bodice", 0.0, 1.200), "gown lower": ("skirt", 0.0, 0.500),
    "hip": ("skirt", 0.0, 0.930), "left hip": ("skirt", -0.300, 0.930), "right hip": ("skirt", 0.300, 0.930),
    "feet": ("skirt", 0.0, 0.030),
}  # fmt: skip

# Where the gown's names lie on a suit.
IN_SUIT = {"gown": "tie", "gown lower": "trousers", "hip": "tails", "left hip": "tails", "right hip": "tails",
           "feet": "shoes"}  # fmt: skip


def anchors_from_rest(asset: Asset, build: str, posed: Posed) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Anchor points and outward normals on the posed pieces, by name."""
    eyes = asset.arrays[f"landmarks/{build}/eyes"].astype(float)
    middle = eyes.mean(axis=0)
    scale = asset.arrays[f"landmarks/{build}/stature"].item() / 1.68
    chosen: dict[str, tuple[str, int]] = {}
    skin = asset.piece("skin", build).points_m
    code = asset.arrays["skin/part"]
    for name, (x, y) in _ON_HEAD.items():
        chosen[name] = "skin", _front(skin, middle[0] + x, middle[1] + y, 0.005)
    for name, (piece, x, y) in _ON_BODY.items():
        piece = piece if piece in posed else IN_SUIT[name]
        points = skin if piece == "skin" else asset.piece(piece, build).points_m
        reach = 0.5 if "hip" in name and x else 0.012
        chosen[name] = piece, _front(points, scale * x, scale * y, reach)
    # The apex of each cornea, the crown of the hair and the back of the camera-left hand.
    for name in ("left eye", "right eye"):
        chosen[name] = name, apex_of_eye(asset, build, name)
    hair = next((name for name in posed if f"{name}/channel/streak" in asset.arrays), "skin")
    chosen["hair"] = hair, int(np.argmax(asset.piece(hair, build).points_m[:, 1]))
    hand = np.unique(asset.piece("skin", build).triangles[code == 6])
    points = posed["skin"][0][hand]
    left = hand[points[:, 0] < points[:, 0].mean()]
    chosen["hands"] = "skin", int(left[np.argmax(posed["skin"][0][left, 2] + 0.5 * posed["skin"][0][left, 1])])
    anchors = {name: posed[piece][0][index] for name, (piece, index) in chosen.items()}
    normals = {name: posed[piece][1][index] for name, (piece, index) in chosen.items()}
    return anchors, normals


def apex_of_eye(asset: Asset, build: str, name: str) -> int:
    """Index of the apex of an eye's cornea among its points."""
    return int(np.argmax(asset.piece(name, build).points_m[:, 2]))


def anchors_on_bust(asset: Asset, posed: Posed) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Anchors of the mannequin: head and chest; what it lacks lies on its lower front, feet on its foot."""
    middle = asset.arrays[f"landmarks/{REFERENCE}/eyes"].astype(float).mean(axis=0)
    points = asset.piece("bust", REFERENCE).points_m
    chosen = {name: ("bust", _front(points, middle[0] + x, middle[1] + y, 0.005)) for name, (x, y) in _ON_HEAD.items()}
    for name, (piece, x, y) in _ON_BODY.items():
        y = y if piece == "skin" else 1.285
        chosen[name] = "bust", _front(points, np.clip(x, -0.1, 0.1) if piece != "skin" else 0.85 * x, y, 0.012)
    chosen["hands"] = chosen["gown"]
    chosen["hair"] = "bust", int(np.argmax(points[:, 1]))
    for name in ("left eye", "right eye"):
        chosen[name] = name, int(np.argmax(asset.piece(name, REFERENCE).points_m[:, 2]))
    chosen["feet"] = "foot", int(np.argmax(posed["foot"][0][:, 2]))
    anchors = {name: posed[piece][0][index] for name, (piece, index) in chosen.items()}
    return anchors, {name: posed[piece][1][index] for name, (piece, index) in chosen.items()}


def _front(points: np.ndarray, x: float, y: float, reach_m: float) -> int:
    """Index of the front-most point near (x, y); with a wide reach, of the outermost point at that height."""
    if reach_m > 0.1:
        level = np.flatnonzero(np.abs(points[:, 1] - y) < 0.02)
        return int(level[np.argmax(np.sign(x) * points[level, 0])])
    distance = np.hypot(points[:, 0] - x, points[:, 1] - y)
    near = np.flatnonzero(distance < max(reach_m, float(np.partition(distance, 8)[8])))
    return int(near[np.argmax(points[near, 2])])
