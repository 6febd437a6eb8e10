"""Every combination of a study as a scene, with the name of its content and of what it shares with others."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from sim.quantities.errors import HalfstopError, SceneError, UnitError
from sim.quantities.open_file import MOST_BYTES_OF_ANY, bytes_from_file
from sim.render import fingerprint
from sim.scene.model import FigureFile, IesSource, ImageBackdrop, Light, Scene
from sim.scene.read import scene_from_text
from sim.studio.gear.rig import rig_from_light
from sim.sweep.axes import Axis, AxisValue, changes_from_values, combinations, count_of_combinations
from sim.sweep.setup import GroupRequest
from sim.sweep.study import Study

MOST_VARIATIONS = 10_000
ID_DIGITS = 20
# What of the camera is applied after tracing.
EXPOSURE = ("shutter_s", "sync_s", "iso", "white_balance_K")
# Makes variations from traced light: what it imports decides what they show and read.
MAKER = "sim.sweep.mixing"


@dataclass(frozen=True)
class Variation:
    """One combination of a study: its `number` from 1, the `values` of the axes, and the `id` of its content.

    `group` names the geometry that it shares with others, `emissions` what each light sends out. `refused` is the
    reason why it is no scene, else empty.
    """

    number: int
    values: tuple[AxisValue, ...]
    id: str
    text: str = ""
    group: str = ""
    emissions: tuple[str, ...] = ()
    files: tuple[tuple[str, bytes], ...] = ()
    refused: str = ""


def variations_of(
    study: Study, request: GroupRequest, on_progress: Callable[[float], None] | None = None
) -> list[Variation]:
    """Every variation of a study that its conditions let through, in order.

    Raises `SceneError` where the study is at fault: a value that the scene can never hold, or nothing left to do.
    A combination that cannot stand, such as a light inside the sitter, is told in its `refused`.
    """
    tell = on_progress or (lambda part: None)
    count = count_of_combinations(study.groups)
    if count > 20 * MOST_VARIATIONS:
        raise study.fault(("axes",), _too_many(count))
    wanted = list(_wanted(study))
    if not wanted:
        cure = UnitError("the conditions leave no variation", "at least one", "loosen only or skip")
        raise study.fault(("only",) if study.only else ("skip",), cure)
    if len(wanted) > MOST_VARIATIONS:
        raise study.fault(("axes",), _too_many(len(wanted)))
    _require_each_value_alone(study)
    variations = []
    for number, values in enumerate(wanted, start=1):
        variations.append(_variation(study, request, number, values))
        tell(number / len(wanted))
    if all(variation.refused for variation in variations):
        what = f"no variation can stand; the first: {variations[0].refused}"
        raise study.fault(("axes",), UnitError(what, "at least one that can", "change the values"))
    return variations


def _too_many(count: int) -> UnitError:
    return UnitError(f"the axes make {count} variations", f"at most {MOST_VARIATIONS}", "shorten a list, or split it")


def _wanted(study: Study) -> Iterator[tuple[AxisValue, ...]]:
    """Combinations that the conditions let through."""
    for values in combinations(study.groups):
        named = {axis.name: value for axis, value in zip(study.axes, values, strict=True)}
        for condition in (*study.only, *study.skip):
            try:
                holds = condition.holds(named)
            except UnitError as error:
                raise study.fault(condition.place, error) from None
            if holds != (condition in study.only):
                break
        else:
            yield values


def _require_each_value_alone(study: Study) -> None:
    """Refuse a value that is no value of its key: a wrong unit, a word that means nothing, a key that is not there.

    Does not: refuse what only cannot stand together with the rest of the scene, or needs another axis's value.
    """
    for axis in study.axes:
        for value in axis.values:
            fault = _fault_of(study, [axis], [value])
            if fault is not None and not fault.between_blocks and not _cured_by_others(study, axis, value):
                what = fault.what if _inside(fault.key, axis) else f"{fault.key}: {fault.what}"
                raise study.fault(value.place, UnitError(what, fault.expected, fault.cure))


def _cured_by_others(study: Study, axis: Axis, value: AxisValue) -> bool:
    """Whether some combination can hold a value that the base scene alone cannot."""
    axes = study.axes
    if not any(_related(other, axis) for other in axes if other is not axis):
        return False
    place, tried = next(index for index, other in enumerate(axes) if other is axis), 0
    for values in _wanted(study):
        if values[place] is value:
            fault = _fault_of(study, study.axes, values)
            tried += 1
            if fault is None or fault.between_blocks:
                return True
            if tried >= 50:
                break
    return False


def _related(one: Axis, other: Axis) -> bool:
    return one.path[:2] == other.path[:2]


def _inside(key: str, axis: Axis) -> bool:
    path = ".".join(map(str, axis.path))
    return key.startswith(path) or path.startswith(key)


def _fault_of(study: Study, axes: Sequence[Axis], values: Sequence[AxisValue]) -> SceneError | None:
    try:
        study.base.changed(changes_from_values(axes, values))
    except SceneError as fault:
        return fault
    return None


def _variation(study: Study, request: GroupRequest, number: int, values: tuple[AxisValue, ...]) -> Variation:
    labels = [(axis.name, value.text) for axis, value in zip(study.axes, values, strict=True)]
    try:
        made = study.base.changed(changes_from_values(study.axes, values))
        scene, folder = made.scene, study.base.path.parent
        files = files_of_scene(scene)
        emissions = tuple(emission_key(light, folder) for light in scene.lights.values())
        group = group_key(scene, folder, request, files)
    except SceneError as fault:
        reason = "; ".join(p for p in (f"{fault.key}: {fault.what}" if fault.key else fault.what, fault.cure) if p)
        return Variation(number, values, fingerprint.of("refused", labels, reason)[:ID_DIGITS], refused=reason)
    except HalfstopError as fault:
        return Variation(number, values, fingerprint.of("refused", labels, str(fault))[:ID_DIGITS], refused=str(fault))
    return Variation(
        number, values, variation_id(scene, folder, request, group, emissions), made.text, group, emissions, files
    )


# -- names of content ----------------------------------------------------------------------------


def group_key(scene: Scene, folder: Path, request: GroupRequest, files: tuple[tuple[str, bytes], ...]) -> str:
    """Key over all that a group shares: the set, the sitter, every light's housing and place, camera, making."""
    camera = {name: getattr(scene.camera, name) for name in type(scene.camera).model_fields if name not in EXPOSURE}
    lights = []
    for name, light in scene.lights.items():
        rig = rig_from_light(light, folder)
        lights.append((name, light.place, light.aim, light.stand, fingerprint.of_shape(rig)))
    return fingerprint.of(
        request.maker, request.size, request.samples, request.seed, request.meter_rays, request.denoiser, request.keep,
        scene.room, camera, scene.sitter, scene.backdrop, scene.panels, scene.ambient, scene.meters, scene.render,
        lights, files,
    )[:32]  # fmt: skip


def emission_key(light: Light, folder: Path) -> str:
    """Key over what a light sends out at full dial."""
    return fingerprint.of_emission(rig_from_light(light, folder))[:32]


def variation_id(scene: Scene, folder: Path, request: GroupRequest, group: str, emissions: tuple[str, ...]) -> str:
    """Name of a variation's content: two that show and read the same have the same, whatever their study says."""
    exposure = [getattr(scene.camera, name) for name in EXPOSURE]
    weights = []
    for light in scene.lights.values():
        rig = rig_from_light(light, folder)
        weights.append((light.power_stops, light.mute, rig.is_flash, rig.color_rgb, rig.gel_rgb))
    return fingerprint.of("variation", request.maker, group, emissions, exposure, weights)[:ID_DIGITS]


def files_of_scene(scene: Scene) -> tuple[tuple[str, bytes], ...]:
    """Files that a scene names, with their bytes."""
    names = []
    if isinstance(scene.sitter.figure, FigureFile):
        names.append(scene.sitter.figure.file)
    if isinstance(scene.backdrop, ImageBackdrop):
        names.append(scene.backdrop.file)
    names += [light.source.file for light in scene.lights.values() if isinstance(light.source, IesSource)]
    paths = {name: scene.file_path(name) for name in names}
    return tuple((name, _bytes(path, fingerprint.of_file(path))) for name, path in paths.items())


@lru_cache(maxsize=64)
def _bytes(path: Path, key: str) -> bytes:
    return bytes_from_file(path, MOST_BYTES_OF_ANY)


def maker(variant: str) -> tuple[str, ...]:
    """What made a variation: libraries with their versions, the engine's variant, and this package's own source."""
    return fingerprint.made_by(MAKER, variant)


def scene_of(text: str, name: str, folder: Path) -> Scene:
    """The scene of a variation's text, its files found in `folder`."""
    return scene_from_text(text.removeprefix("\ufeff"), name, folder)
