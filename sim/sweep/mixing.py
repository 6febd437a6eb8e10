"""One variation's picture, readings and checks from its group's traced light."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from sim.light.develop import encoded, exposed, picture_scale_rgb
from sim.light.mix import Mix
from sim.light.readings import ProbeReadings
from sim.light.stack import LightStack
from sim.metering.health import health_from_stack
from sim.metering.points import readings_by_probe
from sim.metering.report import report_from_probes
from sim.quantities.errors import HalfstopError, one_line
from sim.reports.files import png_bytes, write_layers
from sim.reports.sheets import settings_text
from sim.scene.model import Scene
from sim.session import Rehearsal
from sim.studio.layout import CameraView, PlacedLight
from sim.sweep.columns import check_columns, flats_of, reading_columns, scene_columns
from sim.sweep.setup import Group, GroupRequest, Result, Row, VariationJob
from sim.sweep.tracing import Traced, layers_of, readings_of, rehearsal_of, scene_folder, stack_of, stage_of

if TYPE_CHECKING:
    from sim.advice.checks.flare import ShadingFlag
    from sim.advice.checks.frame import ImageFrame

LONGEST_REASON = 300


def mix_variations(
    request: GroupRequest, traced: Traced, group: Group, variations: Sequence[VariationJob]
) -> list[Result]:
    """Make some variations of a traced group; one that fails is recorded with its reason and stops no other."""
    from sim.render.engine import start_engine

    start_engine()
    with scene_folder(group.files) as folder:
        return [_made(request, traced, group, variation, folder) for variation in variations]


def _made(request: GroupRequest, traced: Traced, group: Group, variation: VariationJob, folder: Path) -> Result:
    try:
        return mixed(request, traced, group, variation, folder)
    except OSError:
        # A full disk is no fault of the variation's.
        raise
    except Exception as error:
        return Result(variation.id, reason=reason_from(error))


def reason_from(error: BaseException) -> str:
    """Why a variation failed, as one line."""
    text = one_line(str(error))
    plain = text if isinstance(error, HalfstopError) else f"{type(error).__name__}: {text}" if text else repr(error)
    return plain[:LONGEST_REASON]


def mixed(request: GroupRequest, traced: Traced, group: Group, variation: VariationJob, folder: Path) -> Result:
    """One variation: its row of the table and its files."""
    member = rehearsal_of(variation, group.file, folder)
    scene, layout, mix = member.scene, member.layout, member.mix
    measured = readings_of(traced, layout, variation)
    report = report_from_probes(scene, layout, measured, seed=request.seed, mix=mix)
    row = scene_columns(scene)
    if "readings" in request.keep:
        row |= reading_columns(report, flats_of(report, readings_by_probe(measured, mix, scene.camera)))
    files: dict[str, bytes] = {}
    if {"pictures", "layers", "checks"} & set(request.keep):
        stack = stack_of(traced, layout, variation, request, scene.render.depth)
        if "checks" in request.keep:
            row |= _checks(request, traced, group, variation, member, stack)
        if "pictures" in request.keep:
            files["picture"] = _picture(request, scene, stack, mix, variation)
        if "layers" in request.keep:
            files["layers"] = _layers(scene, stack, mix)
    for kind, data in files.items():
        row[f"{kind}_sha256"] = hashlib.sha256(data).hexdigest()
    return Result(variation.id, row, files)


def _picture(request: GroupRequest, scene: Scene, stack: LightStack, mix: Mix, variation: VariationJob) -> bytes:
    from sim import __version__

    made = f"{stack.size[0]} x {stack.size[1]}, {stack.samples} samples, seed {request.seed}"
    texts = {"Title": f"variation {variation.id}", "Description": settings_text(scene.camera),
             "Software": f"halfstop {__version__}", "Comment": made}  # fmt: skip
    return png_bytes(encoded(exposed(stack, mix, scene.camera)), texts)


def _layers(scene: Scene, stack: LightStack, mix: Mix) -> bytes:
    camera = scene.camera
    with tempfile.TemporaryDirectory(prefix="halfstop-sweep-") as name:
        path = Path(name) / "layers.exr"
        write_layers(
            path, stack, mix, combined=exposed(stack, mix, camera, for_viewing=False),
            picture_scale_rgb=picture_scale_rgb(camera),
            shutter_s=camera.shutter_s,
            notes={"camera": settings_text(camera), "engine": stack.engine,
                   "made": stack.made},
        )  # fmt: skip
        return path.read_bytes()


def _checks(
    request: GroupRequest,
    traced: Traced,
    group: Group,
    variation: VariationJob,
    member: Rehearsal,
    stack: LightStack,
) -> Row:
    """Columns of the checks; spill is left out, which needs rays of its own for every light."""
    from sim.advice.checks.burnout import burnouts
    from sim.advice.checks.catchlights import catchlights
    from sim.advice.checks.duties import duties
    from sim.advice.checks.flare import LensLight, flares
    from sim.advice.checks.focus import focus_check
    from sim.advice.checks.report import CheckReport
    from sim.advice.checks.separation import separation
    from sim.advice.checks.sparkle import SequinLight, sparkle

    scene, layout, mix = member.scene, member.layout, member.mix
    camera, layers = scene.camera, layers_of(traced, layout, variation)
    stage = replace(stage_of(traced.group, member), layout=layout)
    lens = np.stack([layer.lens for layer in layers if layer.lens is not None])
    read = ProbeReadings(
        traced.duty_probes, layout.light_names, layout.is_flash,
        np.stack([layer.duties for layer in layers if layer.duties is not None], axis=1),
        np.stack([layer.duties_error for layer in layers if layer.duties_error is not None], axis=1),
        (0,) * len(traced.duty_probes),
    )  # fmt: skip
    parted = separation(stack, mix, camera)
    sequins = [layer.sequins for layer in layers if layer.sequins is not None]
    glints = sparkle(SequinLight.joined(sequins) if sequins else None, mix, camera)
    report = CheckReport(
        focus=focus_check(scene, layout),
        intrusions=traced.intrusions,
        flares=flares(
            stage,
            mix,
            camera.shutter_s,
            seed=request.seed,
            light=LensLight(lens[:, 0], lens[:, 1:]),
            flag_of=_Flags(traced.group),
        ),
        separation=parted,
        burnouts=burnouts(stack, mix, camera, sequins=bool(sequins)),
        catchlights=catchlights(stage, mix, camera),
        spills=(),
        sparkle=glints,
        duties=duties(stack, layout, mix, camera, read, parted, glints),
        garment=scene.sitter.garment,
        size=stack.size,
        samples=stack.samples,
        seed=request.seed,
    )
    return check_columns(report, health_from_stack(stack, mix, camera, None))


class _Flags:
    """Smallest flags of a group's lights, each worked out once: they depend on geometry alone."""

    kept: ClassVar[dict[tuple[str, str, float], ShadingFlag | None]] = {}

    def __init__(self, group: str) -> None:
        self.group = group

    def __call__(
        self, camera: CameraView, frame: ImageFrame, light: PlacedLight, *, least_m: float = 0.0
    ) -> ShadingFlag | None:
        from sim.advice.checks.flare import smallest_flag

        key = (self.group, light.name, least_m)
        if key not in self.kept:
            for old in [other for other in self.kept if other[0] != self.group]:
                del self.kept[old]
            self.kept[key] = smallest_flag(camera, frame, light, least_m=least_m)
        return self.kept[key]
