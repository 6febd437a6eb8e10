"""What the worker knows of a set while a hand moves something in it, from the last settled picture's set."""

from __future__ import annotations

from collections.abc import Callable

from sim.render import fingerprint
from sim.render.cache.stage import CachedStage
from sim.room.preview.job import Job
from sim.room.preview.messages import PoseRequest, PreviewRequest, Result
from sim.scene.model import Scene
from sim.session import Rehearsal
from sim.studio.figure import Figure
from sim.studio.layout import layout_elsewhere


def job_from_pose(
    pose: PoseRequest,
    before: Job,
    posed: tuple[Figure, str],
    send: Callable[[Result], None],
    check: Callable[[], None],
) -> Job | None:
    """A job that can be followed, or None where the lamps are not those of `before`.

    Arguments: `posed` the scene's sitter with the key of its surfaces.
    Does not: have keys of whole layers, which no pose is traced for.
    """
    scene = pose.scene
    if lamps_of(scene) != lamps_of(before.scene):
        return None
    layout = layout_elsewhere(before.layout, scene, figure=posed[0])
    known = {id(light.rig): key for light, key in zip(before.layout.lights, before.rigs, strict=True)}
    keys = fingerprint.of_stage(
        scene, layout, figure=posed[1], rig_keys=lambda rig: known.get(id(rig)) or fingerprint.of_rig(rig)
    )
    request = PreviewRequest(pose.serial, pose.revision, "", "", pose.size, pose.look_first, analyse=False)
    stage = CachedStage(scene, layout, keys=keys)
    return Job(request, Rehearsal(scene, layout=layout, stage=stage), {}, send, check)


def lamps_of(scene: Scene) -> list[object]:
    """What decides the lamps of a scene, wherever they stand."""
    lights = [(name, light.source, light.modifier, light.color, light.gels) for name, light in scene.lights.items()]
    return [*lights, *(room.name for room in scene.ambient)]
