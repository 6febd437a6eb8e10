"""Where everything of the scene stands, found anew after every edit within a few milliseconds.

What an edit leaves alone is kept: the posed figure, each light's rig, the drawn outlines. Keys over plain data tell
which layers have to be traced again; two placements with the same number need the same layers, also after undo.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from sim.light.mix import Mix, mix_from_scene
from sim.render import fingerprint
from sim.render.fingerprint import RigKeys
from sim.render.stage.solids import mesh_from_body
from sim.reports.plan.facts import LightFacts, facts_from_scene
from sim.reports.plan.outlines import face_points_m
from sim.scene.model import IesSource, Light, Scene, WindowPanel
from sim.studio.figure import Figure, figure_from_sitter
from sim.studio.gear.rig import BuiltLight, rig_from_light, rig_from_window
from sim.studio.layout import Layout, PlacedLight, PlacedPanel, layout_from_scene

Points = list[list[float]]
T = TypeVar("T")
MOST_KEPT = 256
BANDS = 72
# What of the sitter turns and moves with it but has no part in its outline.
TRIMMINGS = ("sequins", "left eye", "right eye", "brows", "lashes", "lips")


@dataclass(frozen=True, eq=False)
class SitterShape:
    """The sitter's outline in its own axes (m), before turn and step: rows of points by height, and bands from above.

    `rows` (y, points (n, 2) of x and z); `tops` name and hull (n, 2) of skirt, shoulders and head.
    """

    rows: tuple[tuple[float, np.ndarray], ...]
    tops: tuple[tuple[str, np.ndarray], ...]


@dataclass(frozen=True, eq=False)
class LightShape:
    """A light's housing and faces around its place (m): outlines from above (x, z), the side (z, y), the front (x, y).

    The last outline of each is a luminous face.
    """

    top: tuple[Points, ...]
    side: tuple[Points, ...]
    front: tuple[Points, ...]


@dataclass(frozen=True, eq=False)
class Placed:
    """A scene with all its places.

    `geometry` counts the sets of layers there have been: equal numbers need equal layers. `layers` the same for each
    light's own layer by its name.
    """

    scene: Scene
    layout: Layout
    mix: Mix
    facts: tuple[LightFacts, ...]
    geometry: int
    layers: dict[str, int]
    sitter_shape: SitterShape
    light_shapes: dict[str, LightShape]


class PlacementCache:
    """Finds `Placed` for one scene after another and keeps what they share.

    Does not: serve two threads at once.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._figure: tuple[Hashable, Figure] | None = None
        self._shape: tuple[Hashable, SitterShape] | None = None
        self._numbers: dict[str, int] = {}

    def placed(self, scene: Scene) -> Placed:
        """The scene with all its places; raises `HalfstopError` where a file it names cannot be used."""
        folder = scene.file_path(".")
        sitter_key = fingerprint.of_sitter(scene)
        figure = self._figure_of(scene, folder, sitter_key)
        layout = layout_from_scene(scene, folder, figure=figure, rig_of=self._rig_of, window_rig_of=self._window_rig_of)
        set_key, layer_keys = self._keys(scene, layout, sitter_key)
        return Placed(
            scene=scene,
            layout=layout,
            mix=mix_from_scene(scene, layout),
            facts=facts_from_scene(scene, layout),
            geometry=self._number(fingerprint.of(set_key, sorted(layer_keys.items()))),
            layers={name: self._number(key) for name, key in layer_keys.items()},
            sitter_shape=self._shape_of(scene, figure),
            light_shapes={light.name: self._drawn(light) for light in layout.lights},
        )

    def _keys(self, scene: Scene, layout: Layout, sitter_key: str) -> tuple[str, dict[str, str]]:
        keys = fingerprint.of_stage(scene, layout, figure=sitter_key, rig_keys=self._keys_of)
        shared = fingerprint.of(keys.surfaces, keys.lens)
        return shared, {name: fingerprint.of(shared, own) for name, own in keys.own().items()}

    def _number(self, key: str) -> int:
        return self._numbers.setdefault(key, len(self._numbers) + 1)

    def _keys_of(self, rig: BuiltLight) -> RigKeys:
        return self._remember(("keys", id(rig)), lambda: (rig, fingerprint.of_rig(rig)))[1]

    def _figure_of(self, scene: Scene, folder: Path, key: Hashable) -> Figure:
        if self._figure is None or self._figure[0] != key:
            self._figure = key, figure_from_sitter(scene.sitter, scene.camera.place.position_m, folder)
        return self._figure[1]

    def _rig_of(self, light: Light, folder: Path) -> BuiltLight:
        file = fingerprint.of_file(folder / light.source.file) if isinstance(light.source, IesSource) else None
        key = ("rig", light.source, light.modifier, light.color, light.gels, file)
        return self._remember(key, lambda: rig_from_light(light, folder))

    def _window_rig_of(self, window: WindowPanel, distance_m: float) -> BuiltLight:
        key = ("window", window, distance_m)
        return self._remember(key, lambda: rig_from_window(window, distance_m))

    def _drawn(self, light: PlacedLight) -> LightShape:
        turn = light.world_from_light[:3, :3]
        solids = self._remember(("solids", id(light.rig)), lambda: (light.rig, light_solids(light.rig)))[1]
        key = ("drawn", id(light.rig), turn.tobytes())
        return self._remember(key, lambda: (light.rig, outlines_from_solids(solids, turn)))[1]

    def _shape_of(self, scene: Scene, figure: Figure) -> SitterShape:
        sitter = scene.sitter
        plain = sitter.model_copy(update={"turn_deg": 0.0, "step_m": (0.0, 0.0), "eyes": "ahead"})
        own = fingerprint.of_sitter(scene.model_copy(update={"sitter": plain}))
        if self._shape is None or self._shape[0] != own:
            self._shape = own, sitter_shape_from_figure(figure, sitter.turn_deg, sitter.step_m)
        return self._shape[1]

    def _remember(self, key: Hashable, make: Callable[[], T]) -> T:
        if key in self._kept:
            self._kept.move_to_end(key)
            kept: T = self._kept[key]
            return kept
        made = self._kept[key] = make()
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        return made


# -- outlines ---------------------------------------------------------------------------------


def sitter_shape_from_figure(figure: Figure, turn_deg: float, step_m: tuple[float, float]) -> SitterShape:
    """Outline of a posed figure in its own axes, taken back from its turn (deg) and step (x, z in m)."""
    # A few thousand points of each part draw it as well as all.
    shown = [np.asarray(part.points_m, float) for part in figure.parts if part.name not in TRIMMINGS]
    parts = [points[:: 1 + len(points) // 6000] for points in shown]
    parts += [np.asarray(strands.points_m, float).reshape(-1, 3)[::7] for strands in figure.strands]
    points = np.concatenate(parts) if parts else np.zeros((1, 3))
    chin_m, hip_m = (float(figure.anchors_m[name][1]) for name in ("chin", "hip"))
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, z = points[:, 0] - step_m[0], points[:, 2] - step_m[1]
    flat, y = np.column_stack([c * x - s * z, s * x + c * z]), points[:, 1]
    edges = np.linspace(y.min(), y.max() + 1e-9, BANDS + 1)
    band = np.clip(np.searchsorted(edges, y, "right") - 1, 0, BANDS - 1)
    order = np.argsort(band, kind="stable")
    cuts = np.searchsorted(band[order], np.arange(BANDS + 1))
    rows = []
    for index in range(BANDS):
        # With its neighbours, so that a band whose widest point was left out makes no notch.
        own = flat[order[cuts[max(index - 1, 0)] : cuts[min(index + 2, BANDS)]]]
        if len(own):
            at = {0: 0.0, BANDS - 1: 1.0}.get(index, 0.5)
            rows.append((float(edges[index] + at * (edges[index + 1] - edges[index])), _hull(own)))
    tops = []
    for name, low, high in (("skirt", -np.inf, hip_m), ("shoulders", hip_m, chin_m - 0.03), ("head", chin_m, np.inf)):
        inside = [row for height, row in rows if low <= height < high]
        if inside:
            tops.append((name, _hull(np.concatenate(inside))))
    return SitterShape(tuple(rows), tuple(tops))


def _hull(points: np.ndarray) -> np.ndarray:
    """Corners of the convex hull of points (m, 2) or (m, 3); flat ones stay as they are, or a line's two ends."""
    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except (QhullError, ValueError):
        if points.shape[1] > 2:
            return points
    along = points @ np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    return np.asarray(points[[along.argmin(), along.argmax()]])


def light_solids(rig: BuiltLight) -> tuple[np.ndarray, ...]:
    """Corner points (n, 3) of a rig's housing and then of its luminous faces, in the light's own frame."""
    still = PlacedLight("", rig, np.eye(4), np.array([0.0, 0.0, 1.0]), "none")
    solids = [mesh_from_body(body, np.eye(4)).vertices for body in rig.body]
    faces = [face_points_m(still, emitter) for emitter in rig.emitters if not emitter.axis_flip]
    return tuple(_hull(np.asarray(points, float)) for points in (*solids, *faces))


def outlines_from_solids(solids: Iterable[np.ndarray], turn: np.ndarray) -> LightShape:
    """Outlines of solids (n, 3) turned by a rotation (3, 3) and seen from above, the side and the front."""
    turned = [points @ turn.T for points in solids]

    def seen(first: int, second: int) -> tuple[Points, ...]:
        return tuple(rounded(_hull(points[:, [first, second]])) for points in turned)

    return LightShape(top=seen(0, 2), side=seen(2, 1), front=seen(0, 1))


def panel_outlines(wings: list[PlacedPanel], at_m: np.ndarray) -> LightShape:
    """Outlines of a panel's wings around its place, as of a light."""

    def seen(first: int, second: int) -> tuple[Points, ...]:
        outlines: list[Points] = []
        for wing in wings:
            x, y = wing.width_m / 2, wing.height_m / 2
            corners = np.array([[-x, -y, 0], [x, -y, 0], [x, y, 0], [-x, y, 0]])
            world = corners @ wing.world_from_panel[:3, :3].T + wing.world_from_panel[:3, 3]
            outlines.append(rounded(_hull((world - at_m)[:, [first, second]])))
        return tuple(outlines)

    return LightShape(top=seen(0, 2), side=seen(2, 1), front=seen(0, 1))


def rounded(points: np.ndarray) -> Points:
    """Points (n, 2) or (n, 3) as lists, to a tenth of a millimetre."""
    rows: Points = (np.round(np.asarray(points, float), 4) + 0.0).tolist()
    return rows
