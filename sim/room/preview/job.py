"""A request at work: what it asks for, the keys of what decides its pictures, and the picture sent before it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sim.light.readings import ProbeReadings
from sim.light.stack import LightStack
from sim.metering.points import readings_by_probe
from sim.metering.report_points import key_side_from_readings
from sim.render import fingerprint
from sim.render.fingerprint import RigKeys
from sim.room.preview.messages import PreviewRequest, Progress, Result
from sim.room.preview.upsample import Guides
from sim.scene.model import Scene
from sim.session import Rehearsal
from sim.studio.layout import Layout


class Replaced(Exception):
    """A newer request waits."""


@dataclass
class Shown:
    """The picture that was sent last, as the ground of the next first picture.

    `sight`, `panels` and `lights` as in `Job`, each light's as it stood when its layer was traced; `view`, `raw`
    (h, w, 3) and `samples` by light; `coarse` the layers that are from a first picture; `guides` of the camera.
    """

    sight: str
    panels: str
    lights: dict[str, str]
    view: dict[str, np.ndarray]
    raw: dict[str, np.ndarray]
    samples: dict[str, int]
    coarse: frozenset[str]
    guides: Guides


@dataclass
class Job:
    """A request and what is known about it.

    `rehearsal` of its scene; `keys` of its layers by light; `send` takes results, `check` raises Replaced when a newer
    request waits.
    """

    request: PreviewRequest
    rehearsal: Rehearsal
    keys: dict[str, str]
    send: Callable[[Result], None]
    check: Callable[[], None]

    @property
    def scene(self) -> Scene:
        """The request's scene."""
        return self.rehearsal.scene

    @property
    def layout(self) -> Layout:
        """Where everything of it stands."""
        return self.rehearsal.layout

    @cached_property
    def sight(self) -> str:
        """Key of all that decides what the camera sees apart from lights and panels."""
        keys = self.rehearsal.stage.keys
        return fingerprint.of(keys.ground, keys.lens, tuple(self.request.size))

    @property
    def panels(self) -> str:
        """Key of the panels."""
        return self.rehearsal.stage.keys.panels

    @cached_property
    def lights(self) -> dict[str, str]:
        """Key of each light as it stands, by its name."""
        return self.rehearsal.stage.keys.lights()

    @cached_property
    def rigs(self) -> tuple[RigKeys, ...]:
        """Keys of the rigs of lamps and windows, in their order."""
        return tuple(fingerprint.of_rig(light.rig) for light in self.layout.lights)

    @property
    def names(self) -> tuple[str, ...]:
        """Every light's name in layer order."""
        return self.layout.light_names

    def tell(self, pass_name: str, part: float) -> None:
        """Send progress, unless a newer request waits."""
        self.check()
        self.send(Progress(self.request.serial, self.request.revision, pass_name, part))


def key_of_readings(job: Job, report: ProbeReadings) -> str:
    """The key as the report's meters find it at the job's dials."""
    readings = readings_by_probe(report, job.rehearsal.mix, job.scene.camera)
    return key_side_from_readings(readings, [light.name for light in job.layout.lights]).light


def kinds_of(layout: Layout) -> str:
    """Key of what a kernel is compiled for: the number of lights, and the kinds of their faces."""
    faces = [[(face.surface, face.profile is None) for face in light.rig.emitters] for light in layout.lights]
    return fingerprint.of(faces, len(layout.even_ambients))


def rows_of(job: Job, names: tuple[str, ...]) -> frozenset[int] | None:
    """Layers of these lights, None for all."""
    return None if len(names) == len(job.names) else frozenset(job.names.index(name) for name in names)


def view_key(job: Job, name: str) -> str:
    """Key of a light's layer cleaned for viewing."""
    return fingerprint.of(job.keys[name], "view")


def guides_of(stack: LightStack) -> Guides:
    """What the camera rays of a stack met."""
    return Guides(stack.albedo, stack.normal, stack.distance_m, stack.region)
