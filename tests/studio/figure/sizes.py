"""Standard body sizes read off a build's rest mesh, as an anthropometrist would with calipers."""

from __future__ import annotations

import numpy as np

from sim.studio.figure.asset import load_asset
from sim.studio.figure.shapes import normals_from_mesh


def sizes_mm(build: str) -> dict[str, float]:
    """Stature, head breadth and length, interpupillary distance, menton-sellion and biacromial breadth in mm.

    Acromion: where the top of the shoulder, seen from the front, has turned 40 degrees toward the arm.
    """
    asset = load_asset()
    piece = asset.piece("skin", build)
    points, triangles = piece.points_m, piece.triangles
    eyes = asset.arrays[f"landmarks/{build}/eyes"].astype(float)
    middle = eyes.mean(axis=0)
    head = points[points[:, 1] > middle[1] + 0.012]
    midline = points[(np.abs(points[:, 0]) < 0.004) & (points[:, 2] > middle[2] - 0.012)]
    # Glabella: the front of the brow on the midline; opisthocranion: the rear of the head.
    brow = midline[(midline[:, 1] > middle[1] + 0.010) & (midline[:, 1] < middle[1] + 0.032)]
    # Sellion: the deepest point of the nasal root; menton: the lowest point of the chin.
    root = midline[(np.abs(midline[:, 1] - middle[1] - 0.004) < 0.014) & (midline[:, 2] > middle[2])]
    sellion = root[np.argmin(root[:, 2])]
    chin = midline[(midline[:, 1] < middle[1] - 0.08) & (midline[:, 1] > middle[1] - 0.15)]
    menton = chin[np.argmin(chin[:, 1])]
    normals = normals_from_mesh(points, triangles)
    joint = asset.arrays[f"bones/{build}/head"][asset.bone_names.index("upperarm01.L")]
    top = (np.abs(points[:, 2] - joint[2]) < 0.020) & (np.abs(points[:, 0] - joint[0]) < 0.045) & (normals[:, 1] > 0.5)
    top &= points[:, 1] > joint[1]
    turned_deg = np.degrees(np.arctan2(normals[top, 0], normals[top, 1]))
    acromion = points[top][np.argmin(np.abs(turned_deg - 40.0))]
    return {
        "stature": 1e3 * asset.arrays[f"landmarks/{build}/stature"].item(),
        "head breadth": 1e3 * float(np.ptp(head[:, 0])),
        "head length": 1e3 * float(brow[:, 2].max() - head[:, 2].min()),
        "interpupillary distance": 1e3 * float(np.linalg.norm(eyes[1] - eyes[0])),
        "menton-sellion": 1e3 * float(np.linalg.norm(sellion[1:] - menton[1:])),
        "biacromial breadth": 2e3 * float(acromion[0]),
    }
