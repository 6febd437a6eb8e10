"""The points that a report and a wish may name, and the probes that read them.

At every point a dome is held 4 cm off the surface and turned to the camera, and a spot meter looks at the point from
the camera, at the backdrop from just in front of it, past the sitter. Each cheek also has flat receptors, one turned to
the camera and one to every light. Which light is the key and which cheek is its side is read, not assumed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sim.light.readings import Probe, ProbeId
from sim.metering.points import PointReadings, probe_at, scene_probes
from sim.quantities.errors import UnitError, quoted
from sim.scene.model import Scene
from sim.studio.layout import Layout

KEY_CHEEK, SHADOW_CHEEK = "key-side cheek", "shadow-side cheek"
CHEEKS = ("left cheek", "right cheek")
# Where the camera sees skin, to find the light that models the face.
SKIN_PARTS = ("face", "forehead", "chin", *CHEEKS)
# Name in the report: part that the meter is held at. The cheeks are added once it is known which is which, and who
# wears no gown has the points of what is worn.
POINTS = {
    "face": "face", "forehead": "forehead", "chin": "chin", "hair": "hair",
    "left shoulder": "left shoulder", "right shoulder": "right shoulder",
    "upper gown": "gown", "lower gown": "gown lower", "hip": "hip",
    "backdrop centre": "backdrop centre", "backdrop behind head": "backdrop head",
    "backdrop top left": "backdrop top left", "backdrop top right": "backdrop top right",
    "backdrop bottom left": "backdrop bottom left", "backdrop bottom right": "backdrop bottom right",
}  # fmt: skip
_POINT_OF_PART = {part: name for name, part in POINTS.items()}
# Other words for points, as people say them.
ALIASES = {
    "key cheek": KEY_CHEEK, "key side cheek": KEY_CHEEK, "key side": KEY_CHEEK,
    "shadow cheek": SHADOW_CHEEK, "shadow side cheek": SHADOW_CHEEK, "shadow side": SHADOW_CHEEK,
    "gown": "upper gown", "gown upper": "upper gown", "gown lower": "lower gown",
    "backdrop": "backdrop centre", "backdrop center": "backdrop centre", "backdrop head": "backdrop behind head",
    "behind head": "backdrop behind head",
}  # fmt: skip
GARMENTS = ("gown", "suit", "dress", "clothes")
# Two cheeks that differ by less than this are lit alike.
ALIKE_STOPS = 0.2


@dataclass(frozen=True)
class KeySide:
    """Which light is the key, and the cheeks as it sees them; `alike` when it lights both within a fifth of a stop."""

    light: str
    lit_cheek: str
    shadow_cheek: str
    alike: bool
    chosen_by_user: bool


def report_probes(scene: Scene, layout: Layout) -> list[Probe]:
    """All probes of a report, for one reading: domes, spots, flat receptors on the cheeks, the scene's own meters."""
    camera_m = layout.camera.position_m
    parts = [*CHEEKS, *points_of_set(scene, layout).values()]
    probes = [probe_at(layout, ProbeId("dome", part), camera_m) for part in parts]
    # Where nobody is there is nothing that a spot meter could look at.
    seen = [part for part in parts if layout.has_sitter or part.startswith("backdrop")]
    probes += [probe_at(layout, ProbeId("spot", part), _spot_eye_m(layout, part)) for part in seen]
    for cheek in CHEEKS:
        probes.append(probe_at(layout, ProbeId("flat", cheek), camera_m))
        for name, toward_m in _metered_toward_m(layout).items():
            probes.append(probe_at(layout, ProbeId("flat", cheek, name), toward_m))
    return probes + scene_probes(scene, layout)


def _metered_toward_m(layout: Layout) -> dict[str, np.ndarray]:
    """What a flat receptor is turned to for each light: its place; the camera for the even light of a set without."""
    if layout.lights:
        return {light.name: light.position_m for light in layout.lights}
    return dict.fromkeys(layout.light_names, layout.camera.position_m)


def lights_to_model(layout: Layout) -> list[str]:
    """Names of the lights that may be the key: those that have a place, or else the even ones."""
    return list(_metered_toward_m(layout))


def probes_of_points(probes: Sequence[Probe], part_by_point: Mapping[str, str], points: Sequence[str]) -> list[Probe]:
    """Those of a report's probes that read the points of these names; both cheeks where one is asked for.

    Arguments: `part_by_point` as `points_of_set`.
    """
    parts = {part_by_point.get(point, point) for point in points}
    if parts & {KEY_CHEEK, SHADOW_CHEEK}:
        parts |= set(CHEEKS)
    return [probe for probe in probes if probe.id.part in parts]


def _spot_eye_m(layout: Layout, part: str) -> np.ndarray:
    """Where a spot meter stands: at the camera, or on its line of sight half-way from the sitter to the backdrop."""
    camera_m = layout.camera.position_m
    if not part.startswith("backdrop"):
        return camera_m
    point = layout.anchors_m[part]
    behind = np.concatenate([p.points_m[:, 2] for p in layout.figure.parts]).min() if layout.figure.parts else 0.0
    stands_at = (point[2] + max(float(behind), point[2])) / 2
    share = (stands_at - point[2]) / (camera_m[2] - point[2])
    eye_m: np.ndarray = point + max(share, 0.02) * (camera_m - point)
    return eye_m


def key_side_from_readings(
    readings: Mapping[ProbeId, PointReadings], lights: Sequence[str], wanted: str | None = None
) -> KeySide:
    """Find the key and its side of the face from readings of `report_probes`.

    The key is the light that gives most of what the camera sees on the face; its side is the cheek where a flat
    receptor turned to it reads more. Arguments: `lights` that have a place; `wanted` the user's own choice of key.
    """
    if wanted is not None and wanted not in lights:
        raise UnitError(f"there is no light {quoted(wanted)}", f"one of {', '.join(lights)}", f'write "{lights[0]}"')

    def read(light: str, cheek: str) -> float:
        return readings[ProbeId("flat", cheek, light)].by_light[light].exposure

    def seen(light: str) -> float:
        spots = [readings[probe] for part in SKIN_PARTS if (probe := ProbeId("spot", part)) in readings]
        # Where nobody is the key is the light that gives most where cheeks would be.
        if not spots:
            return sum(read(light, cheek) for cheek in CHEEKS)
        return sum(spot.by_light[light].exposure for spot in spots)

    key = wanted or max(lights, key=seen)
    lit, shadow = sorted(CHEEKS, key=lambda cheek: -read(key, cheek))
    high, low = read(key, lit), read(key, shadow)
    alike = bool(high > 0 and low > 0 and np.log2(high / low) < ALIKE_STOPS)
    return KeySide(key, lit, shadow, alike, wanted is not None)


def contrast_probes(key: KeySide) -> tuple[ProbeId, ProbeId]:
    """What the cheeks' contrast is read from: the lit one's flat receptor toward the key, the other's to the camera."""
    return ProbeId("flat", key.lit_cheek, key.light), ProbeId("flat", key.shadow_cheek)


def points_of_set(scene: Scene, layout: Layout) -> dict[str, str]:
    """Part under each point that a set has, but the cheeks, by the name that fits what the sitter wears."""
    worn = scene.sitter.garment
    return {worn_name(name, worn): part for name, part in POINTS.items() if part in layout.anchors_m}


def worn_name(point: str, garment: str) -> str:
    """The name of a point on one who wears this.

    >>> worn_name("upper gown", "suit"), worn_name("face", "suit")
    ('upper suit', 'face')
    """
    return " ".join(garment if word == "gown" else word for word in point.split(" "))


def point_of_part(part: str, garment: str) -> str:
    """The name of the point that is read at a part of the set.

    >>> point_of_part("backdrop head", "gown"), point_of_part("gown", "suit"), point_of_part("left cheek", "suit")
    ('backdrop behind head', 'upper suit', 'left cheek')
    """
    return worn_name(_POINT_OF_PART.get(part, part), garment)


def name_from_probe(probe: ProbeId, garment: str) -> str:
    """What people call a meter's place, wherever it is told; a part of the picture goes by its own name.

    >>> name_from_probe(ProbeId("dome", "gown"), "suit"), name_from_probe(ProbeId("own", "lapel"), "suit")
    ('upper suit', 'lapel')
    """
    return probe.part if probe.kind in ("own", "part") else point_of_part(probe.part, garment)


def held_text(kind: str, facing: object) -> str:
    """How a meter is held where that is no dome toward the camera, so that its number is not taken for that.

    >>> held_text("flat", "key"), held_text("dome", "up"), held_text("spot", "camera"), held_text("dome", "camera")
    ('flat to key', 'dome up', 'spot from camera', '')
    """
    if (kind, facing) == ("dome", "camera"):
        return ""
    toward = facing if isinstance(facing, str) else "a point"
    return f"{kind} up" if toward == "up" else f"{kind} {'from' if kind == 'spot' else 'to'} {toward}"


def label_from_probe(probe: ProbeId, scene: Scene) -> str:
    """The name of a meter's place, and how the meter is held where that is no dome toward the camera."""
    name = name_from_probe(probe, scene.sitter.garment)
    if probe.kind == "own":
        meter = scene.meters.get(probe.part)
        held = held_text(meter.kind, meter.facing) if meter else ""
    else:
        held = held_text(probe.kind, probe.toward) if probe.kind != "part" else ""
    return f"{name}, {held}" if held else name


def parts_by_name(key: KeySide, scene: Scene, layout: Layout) -> dict[str, str]:
    """Part under each point of the report, the cheeks first."""
    return {KEY_CHEEK: key.lit_cheek, SHADOW_CHEEK: key.shadow_cheek, **points_of_set(scene, layout)}


def point_from_text(text: str, names: Sequence[str]) -> str:
    """The point that a person means: a point's name, another word for it, underscores or dashes for spaces.

    Arguments: `names` of the points that there are, the scene's own meters among them.
    """
    plain = " ".join(text.lower().replace("_", " ").replace("-", " ").split())
    table = {name.replace("-", " ").replace("_", " "): name for name in names}
    alias = ALIASES.get(plain)
    # A meter of the scene's own goes before another word for a point.
    point = table.get(plain) or (alias if alias in names else None)
    if point is None:
        # Whatever the sitter is said to wear, it is what is worn.
        said = " ".join("gown" if word in GARMENTS else word for word in plain.split())
        meant = ALIASES.get(said, said)
        point = next((name for worn in GARMENTS if (name := worn_name(meant, worn)) in names), None)
    if point is None:
        raise UnitError(f"there is no meter point {quoted(text)}", f"one of {', '.join(names)}", 'write "face"')
    return point
