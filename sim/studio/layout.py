"""Where everything stands: a scene's placements turned into world positions and directions, without a renderer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sim.quantities import color
from sim.scene.model import Flag, Light, Panel, PaperBackdrop, Point, Scene, UniformAmbient, VFlat, WindowPanel
from sim.studio.backdrop import sweep_front
from sim.studio.figure import Figure, figure_from_sitter
from sim.studio.gear.rig import BuiltLight, require_held, rig_from_light, rig_from_window

UP = np.array([0.0, 1.0, 0.0])
# An eye that looks more steeply than this (about 82 degrees) has its top along +z.
STEEP = 0.99


@dataclass(frozen=True)
class PlacedLight:
    """A light in the world: `world_from_light` (4, 4), +z along its aim, origin at its luminous face's centre."""

    name: str
    rig: BuiltLight
    world_from_light: np.ndarray
    aim_m: np.ndarray
    stand: str

    @property
    def position_m(self) -> np.ndarray:
        """Centre of the luminous face, (3,) world metres."""
        return self.world_from_light[:3, 3]

    @property
    def axis(self) -> np.ndarray:
        """Unit direction (3,) the light points along."""
        return self.world_from_light[:3, 2]


@dataclass(frozen=True)
class PlacedEvenAmbient:
    """Even light from all around, by the luminance (cd/m2) of the surround."""

    name: str
    luminance_cd_m2: float
    color_rgb: tuple[float, float, float]


@dataclass(frozen=True)
class PlacedPanel:
    """A flag, reflector, scrim or v-flat wing in the world: a rectangle facing +z of its frame.

    `reflectance` of its front, 0..0.95; None: as its surface is.
    """

    name: str
    kind: str
    surface: str
    width_m: float
    height_m: float
    world_from_panel: np.ndarray
    transmission: float = 0.0
    reflectance: float | None = None


@dataclass(frozen=True)
class CameraView:
    """The camera in the world and what its lens sees, a thin lens focused as at infinity for its angle of view."""

    position_m: np.ndarray
    aim_m: np.ndarray
    horizontal_fov_deg: float
    aspect: float
    focus_m: np.ndarray
    focus_distance_m: float
    lens_radius_m: float

    @property
    def forward(self) -> np.ndarray:
        """Unit direction (3,) of the optical axis."""
        return unit(self.aim_m - self.position_m)

    @property
    def axes(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Unit vectors (3,) to the right of the picture, to its top, and along the optical axis."""
        return axes_from_direction(self.forward)


@dataclass(frozen=True)
class Layout:
    """Everything of a scene in world metres; `anchors_m` named points (3,) and `anchor_normals` unit (3,).

    `is_open`: outdoors, where `room_low_m` and `room_high_m` are only the ends of the ground.
    """

    figure: Figure
    lights: tuple[PlacedLight, ...]
    even_ambients: tuple[PlacedEvenAmbient, ...]
    panels: tuple[PlacedPanel, ...]
    camera: CameraView
    anchors_m: dict[str, np.ndarray]
    anchor_normals: dict[str, np.ndarray]
    room_low_m: np.ndarray
    room_high_m: np.ndarray
    is_open: bool = False

    @property
    def light_names(self) -> tuple[str, ...]:
        """Every light's name in layer order: the scene's lights, windows, then even surrounds."""
        return (*(light.name for light in self.lights), *(even.name for even in self.even_ambients))

    @property
    def is_flash(self) -> tuple[bool, ...]:
        """Whether each layer's light is flash, in layer order."""
        return (*(light.rig.is_flash for light in self.lights), *(False for _ in self.even_ambients))

    @property
    def has_sitter(self) -> bool:
        """Whether somebody is there; if not, the anchors of a sitter are places in the air."""
        return bool(self.figure.parts)

    @property
    def panel_names(self) -> tuple[str, ...]:
        """Every panel's name once, in the scene's order."""
        return tuple(dict.fromkeys(panel.name for panel in self.panels))

    def panel_centre_m(self, name: str) -> np.ndarray:
        """Middle (3,) of a panel's front, of a v-flat between the middles of its boards."""
        middles = [panel.world_from_panel[:3, 3] for panel in self.panels if panel.name == name]
        centre_m: np.ndarray = np.mean(middles, axis=0)
        return centre_m

    def light(self, name: str) -> PlacedLight:
        """The placed light called `name`."""
        return next(light for light in self.lights if light.name == name)


def unit(vector: np.ndarray) -> np.ndarray:
    """The vector scaled to length 1.

    >>> unit(np.array([0.0, 3.0, 4.0])).tolist()
    [0.0, 0.6, 0.8]
    """
    direction: np.ndarray = np.asarray(vector, float) / np.linalg.norm(vector)
    return direction


def up_beside(direction: np.ndarray) -> np.ndarray:
    """What counts as up (3,) for an eye that looks along a unit direction: +y, or +z where it looks steeply.

    >>> up_beside(np.array([0.0, -1.0, 0.0])).tolist(), up_beside(np.array([0.0, 0.0, -1.0])).tolist()
    ([0.0, 0.0, 1.0], [0.0, 1.0, 0.0])
    """
    return UP if abs(direction[1]) < STEEP else np.array([0.0, 0.0, 1.0])


def axes_from_direction(forward: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit vectors (3,) to the right and to the top of what an eye sees along a unit direction, and that direction.

    >>> [axis.tolist() for axis in axes_from_direction(np.array([0.0, -1.0, 0.0]))[:2]]
    [[-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    right = unit(np.cross(forward, up_beside(forward)))
    return right, np.cross(right, forward), forward


def point_from_bearing(bearing_deg: float, distance_m: float, height_m: float) -> np.ndarray:
    """World point (3,) at a bearing around the mark (0 toward +z, positive toward +x), a floor distance and a height.

    >>> point_from_bearing(90.0, 2.0, 1.5).round(6).tolist()
    [2.0, 1.5, 0.0]
    """
    b = np.radians(bearing_deg)
    return np.array([distance_m * np.sin(b), height_m, distance_m * np.cos(b)])


def frame_from_aim(position_m: np.ndarray, aim_m: np.ndarray) -> np.ndarray:
    """Rigid transform (4, 4) of a frame at `position_m` whose +z points at `aim_m`, y as near to up as can be.

    Straight up or down, y points away from the camera side (-z). Does not: turn over near the vertical as an eye's
    axes do (`axes_from_direction`): a light that is drawn over the sitter's head must not roll.
    """
    z = unit(np.asarray(aim_m, float) - position_m)
    up = UP if abs(z[1]) < 1 - 1e-9 else np.array([0.0, 0.0, -1.0])
    x = unit(np.cross(up, z))
    frame = np.eye(4)
    frame[:3, 0], frame[:3, 1], frame[:3, 2], frame[:3, 3] = x, np.cross(z, x), z, position_m
    return frame


def layout_from_scene(
    scene: Scene,
    folder: str | Path | None = None,
    *,
    figure: Figure | None = None,
    rig_of: Callable[[Light, Path], BuiltLight] = rig_from_light,
    window_rig_of: Callable[[WindowPanel, float], BuiltLight] = rig_from_window,
) -> Layout:
    """Resolve every placement of a scene into world metres.

    Arguments: `folder` that the scene's files are found in; by default the one its own file was read from. `figure`
    the scene's sitter posed before, `rig_of` and `window_rig_of` what finds a rig, for those who keep them.
    Does not: check the scene (the model did), or need a renderer.
    """
    folder = scene.file_path(".") if folder is None else Path(folder)
    if figure is None:
        figure = figure_from_sitter(scene.sitter, scene.camera.place.position_m, folder)
    camera_m = np.array(scene.camera.place.position_m)
    anchors, normals = _anchors(scene, figure, camera_m)

    def resolved(target: str | Point) -> np.ndarray:
        return anchors[target] if isinstance(target, str) else np.array(target.position_m)

    rigs = {name: rig_of(light, folder) for name, light in scene.lights.items()}
    for name, rig in rigs.items():
        require_held(name, rig, scene.room)
    lights = tuple(
        PlacedLight(
            name=name,
            rig=rigs[name],
            world_from_light=frame_from_aim(np.array(light.place.position_m), resolved(light.aim)),
            aim_m=resolved(light.aim),
            stand=light.stand,
        )
        for name, light in scene.lights.items()
    )
    windows = tuple(
        _window(ambient, np.array(ambient.place.position_m), resolved(ambient.aim), window_rig_of)
        for ambient in scene.ambient
        if ambient.kind == "window"
    )
    panels = tuple(
        wing
        for name, panel in scene.panels.items()
        for wing in _wings(name, panel, frame_from_aim(np.array(panel.place.position_m), resolved(panel.aim)))
    )
    return Layout(
        figure=figure,
        lights=lights + windows,
        even_ambients=tuple(
            PlacedEvenAmbient(ambient.name, ambient.illuminance_lx / np.pi, _color_rgb(ambient))
            for ambient in scene.ambient
            if ambient.kind == "uniform"
        ),
        panels=panels,
        camera=_camera_view(scene, camera_m, resolved(scene.camera.aim), resolved),
        anchors_m=anchors,
        anchor_normals=normals,
        room_low_m=np.array(scene.room.low_corner_m),
        room_high_m=np.array(scene.room.high_corner_m),
        is_open=scene.room.is_open,
    )


def layout_elsewhere(before: Layout, scene: Scene, *, figure: Figure | None = None) -> Layout:
    """The layout of a scene whose lamps are those of another layout, standing elsewhere.

    Arguments: `figure` the scene's sitter posed; by default the one of before.
    Does not: look whether the lamps are the same.
    """
    rigs = iter(light.rig for light in before.lights)
    return layout_from_scene(scene, figure=figure or before.figure, rig_of=lambda light, folder: next(rigs))


def _anchors(scene: Scene, figure: Figure, camera_m: np.ndarray) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Named points of sitter and backdrop with their outward normals."""
    anchors = {name: np.asarray(point, float) for name, point in figure.anchors_m.items()}
    normals = {name: unit(normal) for name, normal in figure.anchor_normals.items()}
    # Name the eyes by their distance from the camera.
    eyes = sorted(("left eye", "right eye"), key=lambda eye: float(np.linalg.norm(anchors[eye] - camera_m)))
    for name, eye in zip(("near eye", "far eye"), eyes, strict=True):
        anchors[name], normals[name] = anchors[eye], normals[eye]

    plane = scene.backdrop_plane_m
    if plane is None and scene.room.is_open:
        return anchors, normals
    if plane is None:
        # Without a backdrop its names stand for the wall behind the sitter.
        low, high = scene.room.low_corner_m, scene.room.high_corner_m
        plane = (0.0, high[1] / 2, low[2]), high[0] - low[0], high[1]
    centre, width_m, height_m = np.array(plane[0]), plane[1], plane[2]
    anchors["backdrop centre"] = centre
    # Follow the camera's line of sight past the head to the backdrop.
    sight = anchors["face"] - camera_m
    reach = (centre[2] - camera_m[2]) / sight[2] if abs(sight[2]) > 1e-6 else 0.0
    behind = camera_m + reach * sight
    anchors["backdrop head"] = np.array([
        np.clip(behind[0], -0.98 * width_m / 2, 0.98 * width_m / 2),
        np.clip(behind[1], centre[1] - 0.49 * height_m, centre[1] + 0.49 * height_m),
        centre[2],
    ])  # fmt: skip
    for vertical, up in (("top", 1), ("bottom", -1)):
        for side, right in (("left", -1), ("right", 1)):
            corner = np.array([right * 0.45 * width_m, up * 0.45 * height_m, 0.0])
            anchors[f"backdrop {vertical} {side}"] = centre + corner
    for name in [name for name in anchors if name.startswith("backdrop")]:
        normals[name] = np.array([0.0, 0.0, 1.0])
        if isinstance(scene.backdrop, PaperBackdrop) and scene.backdrop.sweeps:
            # Stay on the lit side where the paper bends onto the floor.
            forward_m, normals[name] = sweep_front(anchors[name][1])
            anchors[name] = anchors[name] + [0.0, 0.0, forward_m]
    return anchors, normals


def _color_rgb(ambient: UniformAmbient) -> tuple[float, float, float]:
    """Colour of an even surround as linear RGB of luminance 1."""
    if ambient.color_hex is not None:
        rgb = color.light_rgb_from_hex(ambient.color_hex)
    else:
        rgb = color.rgb_from_temperature(ambient.temperature_K or 5600.0)
    return float(rgb[0]), float(rgb[1]), float(rgb[2])


def _window(
    window: WindowPanel, position_m: np.ndarray, aim_m: np.ndarray, rig_of: Callable[[WindowPanel, float], BuiltLight]
) -> PlacedLight:
    rig = rig_of(window, float(np.linalg.norm(aim_m - position_m)))
    return PlacedLight(window.name, rig, frame_from_aim(position_m, aim_m), aim_m, stand="none")


def _wings(name: str, panel: Panel, frame: np.ndarray) -> list[PlacedPanel]:
    """One rectangle for a flat panel, two hinged ones for a v-flat."""
    width_m, height_m = panel.size.width_m, panel.size.height_m
    frame = frame @ _rolled(panel.roll_deg)
    reflectance = getattr(panel, "reflectance", None)
    if not isinstance(panel, VFlat):
        surface = "black" if isinstance(panel, Flag) else getattr(panel, "surface", "white")
        transmission = getattr(panel, "transmission", 0.0)
        return [PlacedPanel(name, panel.kind, surface, width_m, height_m, frame, transmission, reflectance)]
    wings = []
    for side in (-1, 1):
        # Swing each wing out from the hinge by half the opening angle.
        swing = np.radians(90 - panel.angle_deg / 2) * side
        turn = np.eye(4)
        turn[0, 0], turn[0, 2], turn[2, 0], turn[2, 2] = np.cos(swing), -np.sin(swing), np.sin(swing), np.cos(swing)
        shift = np.eye(4)
        shift[0, 3] = side * width_m / 2
        world = frame @ turn @ shift
        wings.append(PlacedPanel(name, panel.kind, panel.surface, width_m, height_m, world, reflectance=reflectance))
    return wings


def _rolled(roll_deg: float) -> np.ndarray:
    """Turn (4, 4) about +z, clockwise for an eye in front of it, which has x to its right.

    >>> (_rolled(90.0) @ [0.0, 1.0, 0.0, 1.0]).round(6).tolist()
    [1.0, 0.0, 0.0, 1.0]
    """
    roll = np.radians(roll_deg)
    turn = np.eye(4)
    turn[0, 0], turn[0, 1], turn[1, 0], turn[1, 1] = np.cos(roll), np.sin(roll), -np.sin(roll), np.cos(roll)
    return turn


def _camera_view(
    scene: Scene, position_m: np.ndarray, aim_m: np.ndarray, resolved: Callable[[str | Point], np.ndarray]
) -> CameraView:
    camera = scene.camera
    width_m, height_m = camera.picture_m
    forward = unit(aim_m - position_m)
    if camera.focus_part is not None:
        focus_m = resolved(camera.focus_part)
        distance_m = float(np.dot(focus_m - position_m, forward))
    else:
        distance_m = float(camera.focus_distance_m or 0)
        focus_m = position_m + distance_m * forward
    return CameraView(
        position_m=position_m,
        aim_m=aim_m,
        horizontal_fov_deg=float(np.degrees(2 * np.arctan(width_m / (2 * camera.focal_length_m)))),
        aspect=width_m / height_m,
        focus_m=focus_m,
        focus_distance_m=max(distance_m, 0.1),
        lens_radius_m=camera.focal_length_m / (2 * camera.f_number),
    )
