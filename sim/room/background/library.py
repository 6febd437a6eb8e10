"""The library of modifiers: what each makes of light, as a small rendered picture of a mid-grey sphere.

Every picture has the same lamp position, 1.5 m from the sphere, and is brightened to the same level, so that what
differs is the shape of the light alone: the edge of the shade on the sphere, its shadow on
the wall behind, and where the light ends.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import trimesh
from PIL import Image

from sim.light.develop import denoised, encoded
from sim.light.stack import LightStack
from sim.quantities import color
from sim.quantities.plain import Plain, PlainDict
from sim.quantities.units import shortest
from sim.render import fingerprint
from sim.render.cache.disk import LayerStore
from sim.render.cache.stage import CachedStage
from sim.scene.model import Scene
from sim.scene.read import scene_from_text
from sim.studio.figure import Figure, Material, Part
from sim.studio.gear.rig import rig_from_light
from sim.studio.layout import CameraView, Layout, PlacedLight, frame_from_aim, point_from_bearing

SIDE_PX, SAMPLES, DEPTH = 128, 64, 3
# The sphere is as high and as large as a head, 21 cm before the wall.
CENTRE_M, RADIUS_M, GREY = np.array([0.0, 1.4, -0.39]), 0.12, 0.18
# From camera left and above, as a key often stands: common practice, no source.
LIGHT_BEARING_DEG, LIGHT_RISE_DEG, LIGHT_DISTANCE_M = -40.0, 30.0, 1.5
CAMERA_DISTANCE_M, FRAME_M, FRONT_M = 2.6, 0.45, 4.4
# The camera looks between the sphere and its shadow on the wall.
AIM_M = CENTRE_M + [0.075, -0.065, 0.0]
# Luminance of the brightest part of the sphere in the picture, 1.0 is white: a stop over middle grey.
LEVEL, LEVEL_PERCENTILE = 0.36, 99.0
GROUPS = ("Hard", "Pools", "Dishes", "Boxes", "Strips", "Octaboxes", "Umbrellas", "Lenses")


@dataclass(frozen=True)
class Entry:
    """A modifier of the library: `id` for addresses, `group`, `title`, and its YAML `block`."""

    id: str
    group: str
    title: str
    text: str
    block: PlainDict


def entries() -> tuple[Entry, ...]:
    """All modifiers of the library, in the order they are shown."""
    return _ENTRIES


def entry_by_id(name: str) -> Entry | None:
    """The modifier with this id, or None."""
    return next((entry for entry in _ENTRIES if entry.id == name), None)


def _all() -> Iterator[Entry]:
    def entry(group: str, title: str, text: str, **block: Plain) -> Entry:
        name = "".join(c if c.isalnum() else "-" for c in title.lower().replace("°", "deg"))
        return Entry("-".join(filter(None, name.split("-"))), group, title, text, block)

    hard, pools, dishes, boxes, strips, octas, umbrellas, lenses = GROUPS
    yield entry(hard, "Bare bulb", "lights all round; hard edges", kind="bare", bulb_diameter="6 cm")
    plain = {"kind": "reflector", "diameter": "18 cm", "beam": "65°"}
    yield entry(hard, "Reflector 18 cm", "hard, a beam of 65°", **plain)
    yield entry(hard, "Wide reflector 21 cm", "hard, a beam of 100°", kind="reflector", diameter="21 cm", beam="100°")
    yield entry(hard, "Narrow reflector 33 cm", "hard, a beam of 40°", kind="reflector", diameter="33 cm", beam="40°")
    for angle in (40, 30, 20, 10, 5):
        yield entry(pools, f"Reflector 18 cm, {angle}° grid", f"a pool with a soft edge, {angle}° across",
                    **plain, grid=f"{angle}°")  # fmt: skip
    snoot = {"kind": "snoot", "length": "20 cm", "diameter": "7 cm"}
    yield entry(pools, "Snoot 7 cm", "hard, a wide round pool", **snoot)
    yield entry(pools, "Snoot 7 cm, 20° grid", "a round pool with a soft edge", **snoot, grid="20°")
    for size in (42, 55, 70):
        dish = {"kind": "beauty dish", "diameter": f"{size} cm"}
        yield entry(dishes, f"Beauty dish {size} cm", "crisp but not hard", **dish)
        if size != 42:
            yield entry(dishes, f"Beauty dish {size} cm, 25° grid", "crisp, kept off the surroundings",
                        **dish, grid="25°")  # fmt: skip
            yield entry(dishes, f"Beauty dish {size} cm, sock", "even and softer", **dish, sock=True)
    for width, height in ((60, 60), (60, 90), (90, 120), (100, 140), (120, 180)):
        box = {"kind": "softbox", "width": f"{width} cm", "height": f"{height} cm"}
        yield entry(boxes, f"Softbox {width} × {height} cm", "soft; the nearer the softer", **box)
        if (width, height) in ((60, 90), (90, 120), (120, 180)):
            yield entry(boxes, f"Softbox {width} × {height} cm, 40° grid", "soft, kept off the surroundings",
                        **box, recess="5 cm", grid="40°")  # fmt: skip
    for width, height in ((30, 120), (40, 180)):
        strip = {"kind": "strip", "width": f"{width} cm", "height": f"{height} cm"}
        yield entry(strips, f"Strip {width} × {height} cm", "soft along, hard across", **strip)
        for angle in (40, 20):
            yield entry(strips, f"Strip {width} × {height} cm, {angle}° grid", "an edge light that stays on the edge",
                        **strip, recess="5 cm", grid=f"{angle}°")  # fmt: skip
    for size in (90, 120, 150):
        octa = {"kind": "octabox", "diameter": f"{size} cm"}
        yield entry(octas, f"Octabox {size} cm", "soft, round in the eyes", **octa)
        yield entry(octas, f"Octabox {size} cm, 40° grid", "soft, kept off the surroundings",
                    **octa, recess="5 cm", grid="40°")  # fmt: skip
    for surface in ("white", "silver"):
        for size in (85, 105, 150):
            yield entry(umbrellas, f"Umbrella {size} cm, {surface}",
                        "soft and wide" if surface == "white" else "wide, brighter and crisper",
                        kind="umbrella", diameter=f"{size} cm", surface=surface)  # fmt: skip
    for size in (85, 105):
        yield entry(umbrellas, f"Shoot-through {size} cm", "soft; much spill behind it",
                    kind="shoot-through", diameter=f"{size} cm")  # fmt: skip
    for surface in ("white", "silver"):
        yield entry(umbrellas, f"Covered umbrella 150 cm, {surface}", "very soft and even",
                    kind="covered umbrella", diameter="150 cm", surface=surface)  # fmt: skip
    for beam in (12, 25, 45):
        yield entry(lenses, f"Spot 15 cm, {beam}°", "hard, with a clean fall to the dark",
                    kind="spot", lens="15 cm", beam=f"{beam}°")  # fmt: skip


_ENTRIES = tuple(_all())


# -- the picture ---------------------------------------------------------------------------------


def thumbnail_scene(block: PlainDict) -> Scene:
    """A black room with a grey wall close behind the sphere, and one lamp with a modifier."""
    from sim.scene.edit import flow_text

    lamp = ", ".join(f"{shortest(round(float(x), 4))} m" for x in _lamp_m())
    return scene_from_text(
        "halfstop: 1\ntitle: sphere\n"
        f"room: {{size: {{width: 6 m, height: 4 m, length: 5 m}}, front: {FRONT_M:g} m, walls: 0, ceiling: 0, "
        "floor: 0}\n"
        f"camera: {{place: {{at: [0 m, {CENTRE_M[1]} m, {CAMERA_DISTANCE_M} m]}}, aim: face, focal_length: 85 mm, "
        "sensor: {width: 36 mm, height: 24 mm}, orientation: portrait, aperture: f/8, shutter: 1/160 s, iso: 100, "
        "focus: face, white_balance: 5600 K}\n"
        f"sitter: {{figure: simple}}\nbackdrop: {{kind: wall, reflectance: {GREY}}}\n"
        f"lights:\n  lamp: {{source: {{kind: flash, energy: 100 W·s}}, power: 1/1, modifier: {flow_text(block)}, "
        f"place: {{at: [{lamp}]}}, aim: face, stand: none}}\n",
        "sphere",
    )


def thumbnail_layout(scene: Scene) -> Layout:
    """The sphere in the sitter's place, the camera close on it, the lamp aimed at it."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=RADIUS_M)
    points = mesh.vertices + CENTRE_M
    normals = mesh.vertices / np.linalg.norm(mesh.vertices, axis=1, keepdims=True)
    sphere = Part("sphere", "face", points, mesh.faces, normals, None, Material("plain", (GREY, GREY, GREY)))
    light = scene.lights["lamp"]
    camera_m = AIM_M + [0.0, 0.0, CAMERA_DISTANCE_M]
    fov_deg = float(np.degrees(2 * np.arctan(FRAME_M / 2 / CAMERA_DISTANCE_M)))
    placed = PlacedLight("lamp", rig_from_light(light), frame_from_aim(_lamp_m(), CENTRE_M), CENTRE_M, "none")
    return Layout(
        figure=Figure((sphere,), (), {"face": CENTRE_M}, {"face": np.array([0.0, 0.0, 1.0])}),
        lights=(placed,),
        even_ambients=(),
        panels=(),
        camera=CameraView(camera_m, AIM_M, fov_deg, 1.0, CENTRE_M, CAMERA_DISTANCE_M, 0.001),
        anchors_m={"face": CENTRE_M},
        anchor_normals={"face": np.array([0.0, 0.0, 1.0])},
        room_low_m=np.array(scene.room.low_corner_m),
        room_high_m=np.array(scene.room.high_corner_m),
    )


def _lamp_m() -> np.ndarray:
    """Where the lamp's luminous face stands, (3,) world metres."""
    rise = np.radians(LIGHT_RISE_DEG)
    along_m, up_m = LIGHT_DISTANCE_M * np.cos(rise), LIGHT_DISTANCE_M * np.sin(rise)
    place_m: np.ndarray = CENTRE_M + point_from_bearing(LIGHT_BEARING_DEG, float(along_m), float(up_m))
    return place_m


def thumbnail_linear(block: PlainDict, *, side_px: int = SIDE_PX, samples: int = SAMPLES, seed: int = 0) -> LightStack:
    """The sphere's light stack, one layer; starts the renderer."""
    scene = thumbnail_scene(block)
    layout = thumbnail_layout(scene)
    return CachedStage(scene, layout).render(size=(side_px, side_px), samples=samples, seed=seed, depth=DEPTH)


def thumbnail_png(block: PlainDict, *, side_px: int = SIDE_PX, samples: int = SAMPLES, seed: int = 0) -> bytes:
    """The picture of a modifier's light as PNG; starts the renderer."""
    stack = denoised(thumbnail_linear(block, side_px=side_px, samples=samples, seed=seed), quality="balanced")
    linear = stack.mixed(np.ones((1, 3)), for_viewing=True)
    # Bring the brightest part of the sphere to the same level for every modifier.
    level = float(np.percentile(color.luminance(linear[stack.mask("face")]), LEVEL_PERCENTILE))
    picture = encoded(linear * np.float32(LEVEL / level if level > 0 else 1.0))
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "PNG", compress_level=6)
    return stream.getvalue()


# -- what is kept --------------------------------------------------------------------------------


def thumbnail_key(entry: Entry) -> str:
    """Key of a kept picture: the modifier, the library's own source and what that rests on."""
    return fingerprint.of("sphere", entry.block, fingerprint.made_by(__name__), SIDE_PX, SAMPLES)


def kept_png(store: LayerStore | None, entry: Entry) -> bytes | None:
    """A picture made earlier, or None."""
    arrays = store.get(thumbnail_key(entry)) if store else None
    return None if arrays is None else arrays["png"].tobytes()


def keep_png(store: LayerStore | None, entry: Entry, png: bytes) -> None:
    """Keep a picture in the user's cache."""
    if store:
        store.put(thumbnail_key(entry), {"png": np.frombuffer(png, np.uint8)})
