"""Skin surface of the body at one subdivision level, with the shares and painted channels that tint and bend it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from sim.studio.figure.shapes import smoothstep

from .source import Source, sampled_mask
from .subdivide import catmull_clark, compacted, mean_of_neighbours

KEPT_BONES = (
    "root", "spine05", "spine04", "spine03", "spine02", "spine01", "neck01", "neck02", "neck03", "head",
    *(f"{bone}.{side}" for side in "LR" for bone in (
        "clavicle", "shoulder01", "upperarm01", "upperarm02", "lowerarm01", "lowerarm02", "wrist",
        "upperleg01", "upperleg02", "lowerleg01", "lowerleg02", "foot")),
    *(f"finger{i}-{k}.{side}" for side in "LR" for i in range(1, 6) for k in range(1, 4)),
)  # fmt: skip


@dataclass(frozen=True)
class SkinTopology:
    """Subdivided skin: matrix from source points, quads, texture coordinates and bone shares per point."""

    matrix: sp.csr_matrix
    quads: np.ndarray
    uv: np.ndarray
    shares: np.ndarray
    smooth: sp.csr_matrix


def kept_shares(source: Source) -> np.ndarray:
    """Bone shares (n, kept bones) of the source points, unused bones folded into their nearest kept parent."""
    kept = np.zeros((len(source.base_points), len(KEPT_BONES)))
    for column, bone in enumerate(source.rig):
        home = bone
        while home not in KEPT_BONES:
            home = source.rig[home]["parent"]
        kept[:, KEPT_BONES.index(home)] += source.bone_weights[:, column]
    return kept


def group_share(shares: np.ndarray, *prefixes: str) -> np.ndarray:
    """Sum of shares (n,) over the bones whose names start with any prefix."""
    return shares[:, [i for i, bone in enumerate(KEPT_BONES) if bone.startswith(prefixes)]].sum(axis=1)


def skin_topology(source: Source, keep_quad: np.ndarray) -> SkinTopology:
    """Subdivide the kept body quads once, carrying texture coordinates along."""
    corners = source.quads("body")[keep_quad]
    texture = source.quads("body", 1)[keep_quad]
    used, quads = compacted(corners)
    matrix, finer = catmull_clark(len(used), quads)
    pick = sp.csr_matrix((np.ones(len(used)), (np.arange(len(used)), used)), (len(used), len(source.base_points)))
    matrix = (matrix @ pick).tocsr()

    # Split texture quads linearly in the same child order.
    at = source.texture_points[texture]
    middle = 0.5 * (at + np.roll(at, -1, 1))
    center = at.mean(axis=1)
    child = [np.stack([at[:, k], middle[:, k], center, middle[:, (k + 3) % 4]], 1) for k in range(4)]
    uv = np.zeros((matrix.shape[0], 2))
    uv[finer.ravel()] = np.concatenate(child).reshape(-1, 2)
    mean = mean_of_neighbours(matrix.shape[0], finer)
    return SkinTopology(matrix, finer, uv, _softened(matrix @ kept_shares(source), mean), mean)


def _softened(shares: np.ndarray, mean: sp.csr_matrix, steps: int = 10) -> np.ndarray:
    """Spread bone shares over neighbours on the trunk and arms, so that a lowered arm leaves no sharp fold."""
    loose = (1.0 - np.clip(2.0 * group_share(shares, "head", "wrist", "finger"), 0.0, 1.0))[:, None]
    for _ in range(steps):
        shares = shares + 0.5 * loose * (mean @ shares - shares)
    return shares


def skin_channels(source: Source, skin: SkinTopology, rest: np.ndarray, eye: np.ndarray) -> dict[str, np.ndarray]:
    """Painted channels (n,) in 0..1 on the first build's rest points; `eye` is the eye centre at +X."""
    channels = {}
    for name, mask in (("lips", "lips"), ("lids", "eyelids"), ("ears", "ears"), ("nails", "fingernails"),
                       ("mouth", "inside-mouth")):  # fmt: skip
        value = sampled_mask(source.mask(mask), skin.uv)
        channels[name] = np.clip(0.5 * value + 0.5 * (skin.smooth @ value), 0.0, 1.0)
    face = group_share(skin.shares, "head") * smoothstep(0.0, 0.05, rest[:, 2])

    def spot(x: float, y: float, size_x: float, size_y: float) -> np.ndarray:
        offset = np.stack([(np.abs(rest[:, 0]) - x) / size_x, (rest[:, 1] - eye[1] - y) / size_y], 1)
        return np.exp(-(offset**2).sum(axis=1)) * face

    # Redden cheeks, nose tip, chin and ears a little.
    blush = 0.75 * spot(0.042, -0.040, 0.026, 0.020) + 0.55 * spot(0.0, -0.036, 0.014, 0.012)
    blush += 0.25 * spot(0.0, -0.095, 0.018, 0.014) + 0.45 * channels["ears"]
    channels["blush"] = np.clip(blush, 0.0, 1.0)
    # Darken and cool the hollow under the eye and the inner corner.
    channels["hollow"] = np.clip(
        0.6 * spot(eye[0] - 0.006, -0.019, 0.016, 0.006) + 0.5 * spot(0.013, -0.003, 0.006, 0.010), 0.0, 1.0
    )
    # Break up the tone with soft noise from a few plane waves.
    rng = np.random.default_rng(3)
    wave = sum(
        np.sin(rest @ rng.normal(size=3) * pitch + rng.uniform(0, 6)) for pitch in (60, 110, 190, 330) for _ in range(4)
    )
    channels["mottle"] = np.clip(0.5 + 0.12 * wave / 2.0, 0.0, 1.0)
    return channels
