"""Put the pieces of all builds together: skin, eyes, hair, clothes, anchors and skeleton."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from sim.studio.figure.shapes import normals_from_mesh, rotation_z_from_deg, smoothstep, triangles_from_quads

from . import bust, eyes, gown, hair, sequins, suit
from .builds import BUILDS
from .cloth import shares_from_skin
from .pack import ordered, packed_piece
from .piece import Piece
from .scalp import Scalp, scalp_of, size_over
from .skin import KEPT_BONES, SkinTopology, group_share, kept_shares, skin_channels, skin_topology
from .source import Source

# Triangle codes of the skin piece.
LEG_BONES = ("upperleg01", "upperleg02", "lowerleg01", "lowerleg02", "foot")
SKIN_PARTS = ("face", "lips", "ears", "neck", "chest", "arms", "hands")


def asset_arrays(source: Source) -> dict[str, np.ndarray]:
    """All arrays of the asset."""
    bodies = {build: _legs_closed(source, source.shaped_points(targets)) for build, targets in BUILDS.items()}
    template = bodies["woman"]
    quads = source.quads("body")
    shares = kept_shares(source)
    arm = group_share(shares, "upperarm", "lowerarm", "wrist", "finger")
    keep = (template[quads].mean(axis=1)[:, 1] > 1.13) | (arm[quads].mean(axis=1) > 0.3)
    skin = skin_topology(source, keep)
    triangles = triangles_from_quads(skin.quads)
    rest = {build: skin.matrix @ body for build, body in bodies.items()}
    normals = {build: normals_from_mesh(points, triangles) for build, points in rest.items()}
    eye = {build: source.joint(body, "joint-l-eye") for build, body in bodies.items()}
    channels = skin_channels(source, skin, rest["woman"], eye["woman"])
    scalps = {build: scalp_of(skin, rest[build], channels["ears"], eye[build]) for build in bodies}
    channels |= _hair_channels(skin, rest["woman"], scalps["woman"], channels["ears"])

    pieces: dict[str, Piece] = {}
    _add_head(pieces, source, bodies, rest, eye, scalps)
    hidden = _add_gown(pieces, source, bodies, skin, rest, normals)
    body_points = np.unique(quads)
    legs = body_points[arm[body_points] < 0.2]
    pieces |= suit.suit_pieces(source, bodies, legs, lambda body, *m: _matched_heights(source, template, body, *m))
    # Drop skin that the gown hides but keep the chest for the bust.
    bare = ~hidden[triangles].all(axis=1)
    parts = _skin_parts(skin, channels)[triangles]
    code = np.sort(parts, axis=1)[:, 1]
    pieces["bust"] = bust.bust_piece(skin, rest["woman"], triangles)
    pieces["skin"] = Piece(rest, triangles, skin.shares, channels=channels)

    arrays: dict[str, np.ndarray] = {}
    band = (gown.WAIST_M - 0.031, gown.WAIST_M + 0.031)
    for name, piece in pieces.items():
        piece = ordered(piece) if name != "skin" else piece
        arrays |= packed_piece(name, piece)
        if name in ("bodice", "skirt"):
            whole = piece.points["woman"]
            for key, value in sequins.sewn_sequins(whole, piece.triangles, 0.85, band).items():
                arrays[f"sequins/{name}/{key}"] = _packed_sequins(key, value)
    arrays["skin/part"] = code.astype(np.uint8)
    arrays["skin/bare"] = np.packbits(bare)
    # A suit leaves bare the head, the hands and the root of the neck inside the collar.
    throat = (np.hypot(rest["woman"][:, 0], rest["woman"][:, 2] - 0.01) < 0.088) & (rest["woman"][:, 1] > 1.392)
    shown = np.isin(code, [SKIN_PARTS.index(p) for p in ("face", "lips", "ears", "neck", "hands")])
    arrays["skin/bare in suit"] = np.packbits(shown | throat[triangles].all(axis=1))
    arrays["bones/name"] = np.array(KEPT_BONES)
    arrays["bones/parent"] = np.array([_kept_parent(source, bone) for bone in KEPT_BONES], np.int8)
    for build, scalp in scalps.items():
        arrays[f"scalp/{build}/center"] = scalp.center.astype(np.float32)
        arrays[f"scalp/{build}/size"] = size_over(scalp, scalps["woman"]).astype(np.float16)
    for build, body in bodies.items():
        arrays[f"bones/{build}/head"] = np.array([source.bone_head(body, b) for b in KEPT_BONES], np.float32)
        arrays[f"landmarks/{build}/eyes"] = np.array(
            [source.joint(body, f"joint-{side}-eye") for side in "rl"], np.float32
        )
        arrays[f"landmarks/{build}/stature"] = np.array([body[np.unique(quads), 1].max()], np.float32)
    return arrays


def _legs_closed(source: Source, body: np.ndarray, angle_deg: float = 5.5) -> np.ndarray:
    """Bring the straddled legs of the rest pose together below the hips."""
    shares = kept_shares(source)
    closed = body.copy()
    for side, sign in (("L", 1.0), ("R", -1.0)):
        share = group_share(shares, *(f"{bone}.{side}" for bone in LEG_BONES))[:, None]
        pivot = source.bone_head(body, f"upperleg01.{side}")
        turn = rotation_z_from_deg(-sign * angle_deg)
        closed += share * (pivot + (body - pivot) @ turn.T - body)
    closed[:, 1] -= closed[np.unique(source.quads("body")), 1].min()
    return closed


def _kept_parent(source: Source, bone: str) -> int:
    parent = source.rig[bone]["parent"]
    while parent and parent not in KEPT_BONES:
        parent = source.rig[parent]["parent"]
    return KEPT_BONES.index(parent) if parent else -1


def _hair_channels(skin: SkinTopology, rest: np.ndarray, scalp: Scalp, ears: np.ndarray) -> dict[str, np.ndarray]:
    """Shade of the hair roots on the scalp, and of the brows."""
    head = group_share(skin.shares, "head") > 0.6
    near = np.linalg.norm(rest - scalp.center, axis=1) < 0.15
    grows = smoothstep(-0.009, 0.018, scalp.hair_field(rest)) * head * near * (ears < 0.1)
    grows = grows * (rest[:, 1] > scalp.eye[1] - 0.075)
    x = np.abs(rest[:, 0]) * 1e3 * 0.0305 / scalp.eye[0]
    off = (rest[:, 1] - scalp.eye[1]) * 1e3 - eyes.brow_line(np.clip(x, 8, 56))
    brow = np.exp(-((off / (eyes.brow_half_height(x) + 0.6)) ** 2)) * smoothstep(8, 12, x) * (1 - smoothstep(45, 51, x))
    return {"scalp": grows, "brow": brow * (rest[:, 2] > scalp.eye[2] - 0.01)}


def _skin_parts(skin: SkinTopology, channels: dict[str, np.ndarray]) -> np.ndarray:
    """Index into SKIN_PARTS per point."""
    part = np.full(len(skin.shares), SKIN_PARTS.index("chest"))
    part[group_share(skin.shares, "upperarm", "lowerarm") > 0.5] = SKIN_PARTS.index("arms")
    part[group_share(skin.shares, "wrist", "finger") > 0.5] = SKIN_PARTS.index("hands")
    part[group_share(skin.shares, "neck") > 0.5] = SKIN_PARTS.index("neck")
    part[group_share(skin.shares, "head") > 0.5] = SKIN_PARTS.index("face")
    part[channels["ears"] > 0.5] = SKIN_PARTS.index("ears")
    part[channels["lips"] > 0.5] = SKIN_PARTS.index("lips")
    return part


Bodies = dict[str, np.ndarray]


def _add_head(
    pieces: dict[str, Piece], source: Source, bodies: Bodies, rest: Bodies, eye: Bodies, scalps: dict[str, Scalp]
) -> None:
    """Eyes, brows, lashes and hair of every build."""
    for side, name in (("r", "left eye"), ("l", "right eye")):
        made = {build: eyes.eyeball(source, body, side) for build, body in bodies.items()}
        _, triangles, channels, _ = made["woman"]
        pieces[name] = Piece({b: m[0] for b, m in made.items()}, triangles, bone="head", channels=channels)
    brow = {build: eyes.brows(rest[build], eye[build], 430) for build in bodies}
    pieces["brows"] = Piece({b: m[0] for b, m in brow.items()}, brow["woman"][1], bone="head")
    lash = {build: eyes.lashes(source, body) for build, body in bodies.items()}
    pieces["lashes"] = Piece({b: m[0] for b, m in lash.items()}, lash["woman"][1], bone="head")
    for name, make in (("swept up", hair.swept_up), ("short bob", hair.short_bob), ("cropped", hair.cropped)):
        points, triangles, channels = make(scalps["woman"])
        pieces[name] = Piece({"woman": points}, triangles, bone="head", channels=channels)


def _add_gown(
    pieces: dict[str, Piece], source: Source, bodies: Bodies, skin: SkinTopology, rest: Bodies, normals: Bodies
) -> np.ndarray:
    """Bodice, skirt and sash of every build; returns which skin points (n,) the bodice hides."""
    cut = gown.bodice_cut(source, bodies["woman"])
    arm = group_share(kept_shares(source), "upperarm", "lowerarm", "wrist", "finger")
    body_points = np.unique(source.quads("body"))
    legs = body_points[arm[body_points] < 0.2]
    bodice, skirt, sash = {}, {}, {}
    hidden = np.zeros(len(rest["woman"]), bool)
    for build, body in bodies.items():
        bodice[build], inner = gown.bodice_points(cut, body, rest[build], normals[build])
        if build == "woman":
            hidden = cKDTree(inner).query(rest[build])[0] < 0.0088
        low = body[legs]
        # Carry the template's heights to this build by its own spine joints.
        waist, hip = _matched_heights(source, bodies["woman"], body, gown.WAIST_M, gown.HIP_FREE_M)
        skirt[build], skirt_triangles = gown.skirt_points(low, waist, hip, 0.012)
        sash[build], sash_triangles = gown.sash_points(low, waist, hip, 0.012)
    shares = shares_from_skin(cut.cut_matrix @ (cut.suit_matrix @ bodies["woman"]), rest["woman"], skin.shares)
    low_spine = smoothstep(1.10, 1.04, bodice["woman"][:, 1])[:, None]
    root = np.zeros_like(shares)
    root[:, KEPT_BONES.index("root")] = 1.0
    pieces["bodice"] = Piece(bodice, cut.triangles, shares * (1 - low_spine) + root * low_spine)
    pieces["skirt"] = Piece(skirt, skirt_triangles, bone="root")
    pieces["sash"] = Piece(sash, sash_triangles, bone="root")
    return hidden


def _matched_heights(source: Source, template: np.ndarray, body: np.ndarray, *heights_m: float) -> list[float]:
    names = ("joint-l-knee", "joint-pelvis", "joint-spine-4", "joint-spine-3", "joint-spine-2", "joint-spine-1",
             "joint-neck")  # fmt: skip
    known = [source.joint(template, n)[1] for n in names]
    return [float(np.interp(h, known, [source.joint(body, n)[1] for n in names])) for h in heights_m]


def _packed_sequins(key: str, value: np.ndarray) -> np.ndarray:
    if key == "triangle":
        return np.diff(value, prepend=0).astype(np.uint16)
    if key == "share":
        return np.round(value * 255.0).astype(np.uint8)
    return np.round(value * 4.0).astype(np.int8)
