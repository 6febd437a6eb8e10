"""The built-in adult sitters: the stand-in asset posed, coloured and dressed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from . import posing, shapes, tint
from .anchors import anchors_from_rest, apex_of_eye
from .asset import Asset, RestPiece, load_asset
from .gestures import gesture
from .parts import Figure, Material, Part
from .posing import Skeleton
from .sewing import sequin_discs

EYES = ("left eye", "right eye")
SKIN_PARTS = ("face", "lips", "ears", "neck", "chest", "arms", "hands")
_REGION = {"lips": "face", "ears": "face"}
# A white cotton shirt (reflectance: common practice, no source).
SHIRT_RGB = (0.68, 0.69, 0.70)
# How far an eye turns in its socket before the head would follow: common practice, no source.
GAZE_LIMIT_DEG = (28.0, 16.0)


@dataclass(frozen=True)
class Look:
    """How a stand-in is built, coloured, dressed and posed."""

    build: str
    skin_rgb: tuple[float, float, float]
    hair_style: str
    hair_rgb: tuple[float, float, float]
    clothing: str
    cloth_rgb: tuple[float, float, float]
    arms: str = "at sides"
    viola: bool = False
    head_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)


EyeTarget = tuple[float, float, float] | None


def standin_figure(look: Look, eye_target: Callable[[float], EyeTarget] = lambda stature_m: None) -> Figure:
    """Build, pose and dress a sitter at the build's own size, standing on the origin and facing +Z.

    `eye_target` is given the build's stature and tells where the eyes look, in body axes (m), or None for ahead.
    """
    body = _body_from_look(look)
    eyes = {name: body.pose.eye(name, eye_target(body.stature_m)) for name in EYES}
    anchors, normals = dict(body.anchors_m), dict(body.anchor_normals)
    for name, (_, points, point_normals) in eyes.items():
        apex = apex_of_eye(body.pose.asset, look.build, name)
        anchors[name], normals[name] = points[apex], point_normals[apex]
    parts = (*body.before_eyes, *(part for part, _, _ in eyes.values()), *body.after_eyes)
    return Figure(parts, (), anchors, normals, 0.0, look.head_deg[0], {"stature": body.stature_m})


@dataclass(frozen=True, eq=False)
class _Body:
    """A stand-in posed and dressed, all but its eyes, which alone follow what they look at."""

    pose: _Pose
    before_eyes: tuple[Part, ...]
    after_eyes: tuple[Part, ...]
    anchors_m: dict[str, np.ndarray]
    anchor_normals: dict[str, np.ndarray]
    stature_m: float


@lru_cache(maxsize=2)
def _body_from_look(look: Look) -> _Body:
    asset = load_asset()
    skeleton = Skeleton(
        asset.bone_names, asset.arrays["bones/parent"], asset.arrays[f"bones/{look.build}/head"].astype(float)
    )
    stature = asset.arrays[f"landmarks/{look.build}/stature"].item()
    turns, prop = gesture(skeleton, look.arms, look.clothing == "dark suit", look.viola, stature / 1.68)
    turns |= posing.head_turns(*look.head_deg)
    pose = _Pose(asset, look, skeleton, skeleton.transforms(turns))
    before, after = pose.skin_parts(), [*pose.head_parts(), *pose.clothes(), *prop]
    for name in EYES:
        _, points, point_normals = pose.eye(name, None)
        pose.posed[name] = points, point_normals
    anchors, normals = anchors_from_rest(asset, look.build, pose.posed)
    return _Body(pose, tuple(before), tuple(after), anchors, normals, stature)


class _Pose:
    """Pieces of one look after bending, with the points kept for anchors."""

    def __init__(self, asset: Asset, look: Look, skeleton: Skeleton, transforms: np.ndarray) -> None:
        self.asset, self.look, self.skeleton, self.transforms = asset, look, skeleton, transforms
        self.posed: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    def moved(self, name: str, bone: str = "") -> tuple[RestPiece, np.ndarray, np.ndarray]:
        """A piece with its posed points and vertex normals."""
        piece = self.asset.piece(name, self.look.build)
        if piece.shares is not None:
            points = posing.bent(piece.points_m, piece.shares, self.transforms)
        else:
            matrix = self.transforms[self.skeleton.index(bone)]
            points = piece.points_m @ matrix[:, :3].T + matrix[:, 3]
        normals = shapes.normals_from_mesh(points, piece.triangles)
        self.posed[name] = points, normals
        return piece, points, normals

    def skin_parts(self) -> list[Part]:
        """Bare skin split into named parts that share normals at their borders."""
        piece, points, normals = self.moved("skin")
        skin, hair = np.array(self.look.skin_rgb), np.array(self.look.hair_rgb)
        channels = (
            piece.channels
            if self.look.hair_style != "none"
            else {**piece.channels, "scalp": 0.0 * piece.channels["scalp"]}
        )
        color = tint.skin_color(channels, skin, hair)
        code = self.asset.arrays["skin/part"]
        bits = self.asset.arrays["skin/bare in suit" if self.look.clothing == "dark suit" else "skin/bare"]
        bare = np.unpackbits(bits)[: len(code)].astype(bool)
        parts = []
        for number, name in enumerate(SKIN_PARTS):
            own = (code == number) & bare
            if not own.any():
                continue
            used, faces = np.unique(piece.triangles[own], return_inverse=True)
            kind, rough = ("lip", 0.36) if name == "lips" else ("skin", 0.48)
            material = Material(kind, self.look.skin_rgb, roughness=rough)
            region = _REGION.get(name, name)
            parts.append(_part(name, region, points[used], faces.reshape(-1, 3), normals[used], material, color[used]))
        return parts

    def eye(self, name: str, target_m: EyeTarget) -> tuple[Part, np.ndarray, np.ndarray]:
        """One eye turned to its target, with its posed points and normals."""
        center = self.asset.arrays[f"landmarks/{self.look.build}/eyes"][EYES.index(name)]
        piece = self.asset.piece(name, self.look.build)
        head = self.transforms[self.skeleton.index("head")]
        gaze = gaze_rotation(head, center.astype(float), target_m)
        points = (center + (piece.points_m - center) @ gaze.T) @ head[:, :3].T + head[:, 3]
        normals = shapes.normals_from_mesh(points, piece.triangles)
        material = Material("iris", (0.5, 0.5, 0.5), roughness=0.06)
        color = tint.eye_color(piece.channels, tint.iris_rgb(np.array(self.look.skin_rgb)))
        return _part(name, "eyes", points, piece.triangles, normals, material, color), points, normals

    def head_parts(self) -> list[Part]:
        """Brows, lashes and hair."""
        look, parts = self.look, []
        hair = np.array(look.hair_rgb)
        brow = Material("brow", tint.brow_color(hair, np.array(look.skin_rgb)), roughness=0.6)
        lash = Material("lash", (0.008, 0.007, 0.006), roughness=0.6)
        for name, material in (("brows", brow), ("lashes", lash)):
            piece, points, normals = self.moved(name, "head")
            parts.append(_part(name, "face", points, piece.triangles, normals, material))
        if look.hair_style == "none":
            return parts
        piece, points, normals = self.moved(look.hair_style, "head")
        color = tint.hair_color(piece.channels, hair, np.array(look.skin_rgb))
        material = Material("hair", look.hair_rgb, roughness=0.5 if look.hair_style == "cropped" else 0.36)
        parts.append(_part("hair", "hair", points, piece.triangles, normals, material, color))
        return parts

    def clothes(self) -> list[Part]:
        """The clothes of the look."""
        return self.suit_parts() if self.look.clothing == "dark suit" else self.gown_parts()

    def suit_parts(self) -> list[Part]:
        """Jacket, shirt, tie, trousers and shoes."""
        wool = Material("matt", self.look.cloth_rgb, roughness=0.85, sheen=0.25)
        made = {
            "jacket": wool, "tails": wool, "lapels": wool, "jacket collar": wool, "trousers": wool,
            "shirt": Material("matt", SHIRT_RGB, roughness=0.8), "collar": Material("matt", SHIRT_RGB, roughness=0.8),
            "tie": Material("satin", scaled_rgb(self.look.cloth_rgb, 0.6), roughness=0.4),
            "shoes": Material("belt", (0.012, 0.011, 0.010), roughness=0.3),
        }  # fmt: skip
        parts = []
        for name, material in made.items():
            bone = "root" if name in ("trousers", "shoes", "tails") else "spine01"
            piece, points, normals = self.moved(name, bone)
            parts.append(_part(name, "suit", points, piece.triangles, normals, material))
        return parts

    def gown_parts(self) -> list[Part]:
        """Bodice, skirt, sash and, on the sequinned gown, its sequins."""
        parts = []
        cloth, sash, sequin = gown_materials(self.look.clothing, self.look.cloth_rgb)
        discs, faces, count = [], [], 0
        for name, material in (("bodice", cloth), ("skirt", cloth), ("sash", sash)):
            piece, points, normals = self.moved(name, "root")
            parts.append(_part(name, "gown", points, piece.triangles, normals, material))
            if sequin and name != "sash":
                sewn = {key: self.asset.arrays[f"sequins/{name}/{key}"] for key in ("triangle", "share", "tilt_deg")}
                disc, face = sequin_discs(points, piece.triangles, normals, sewn)
                discs.append(disc)
                faces.append(face + count)
                count += len(disc)
        if sequin:
            parts.append(_part("sequins", "gown", np.concatenate(discs), np.concatenate(faces), None, sequin))
        return parts


def gaze_rotation(head: np.ndarray, eye_m: np.ndarray, target_m: tuple[float, float, float] | None) -> np.ndarray:
    """Rotation (3, 3) of an eye in the head's axes toward a target, within what the socket allows."""
    if target_m is None:
        return np.eye(3)
    toward = head[:, :3].T @ (np.asarray(target_m) - head[:, :3] @ eye_m - head[:, 3])
    side = np.degrees(np.arctan2(toward[0], toward[2]))
    down = -np.degrees(np.arctan2(toward[1], np.hypot(toward[0], toward[2])))
    side, down = (float(np.clip(a, -b, b)) for a, b in zip((side, down), GAZE_LIMIT_DEG, strict=True))
    rotation: np.ndarray = shapes.rotation_y_from_deg(side) @ shapes.rotation_x_from_deg(down)
    return rotation


def gown_materials(style: str, rgb: tuple[float, float, float]) -> tuple[Material, Material, Material | None]:
    """Cloth, sash and sequin materials of a gown style; sequins are metal tinted by the cloth's hue."""
    sash = Material("satin", scaled_rgb(rgb, 0.8), roughness=0.32, sheen=0.2)
    if style == "velvet gown":
        return Material("velvet", rgb, roughness=0.9, sheen=1.0), sash, None
    if style == "satin gown":
        return Material("satin", rgb, roughness=0.40, sheen=0.2), sash, None
    most = max(max(rgb), 1e-4)
    red, green, blue = (0.20 + 0.30 * channel / most for channel in rgb)
    metal = Material("sequin", (red, green, blue), roughness=0.30)
    return Material("satin", scaled_rgb(rgb, 0.7), roughness=0.5, sheen=0.3), sash, metal


def scaled_rgb(rgb: tuple[float, float, float], factor: float) -> tuple[float, float, float]:
    """Colour times a factor."""
    return factor * rgb[0], factor * rgb[1], factor * rgb[2]


def _part(name: str, region: str, points: np.ndarray, triangles: np.ndarray, normals: np.ndarray | None,
          material: Material, color: np.ndarray | None = None) -> Part:  # fmt: skip
    normals = None if normals is None else normals.astype(np.float32)
    return Part(name, region, points.astype(np.float32), triangles.astype(np.uint32), normals, color, material)
