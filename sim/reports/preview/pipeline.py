"""From a scene file to a folder of results: the steps of a preview in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from threading import Event

from sim.advice.checks.burnout import burnouts
from sim.advice.checks.findings import findings_from_burnouts, findings_from_intrusions
from sim.advice.checks.intrusions import intrusions
from sim.advice.checks.noseshadow import rehearsed_key_shadow
from sim.advice.checks.sentences import sentence_from_finding
from sim.advice.checks.sparkle import sequin_middles
from sim.light.develop import denoised
from sim.light.mix import Mix
from sim.light.stack import LightStack
from sim.metering.points import readings_from_probes, readings_from_regions, scene_probes, standard_probes
from sim.metering.report import report_from_probes
from sim.metering.report_points import report_probes
from sim.quantities.errors import HalfstopError, quoted
from sim.reports.files import ResultFolder
from sim.reports.preview.quality import Quality, size_from_text
from sim.reports.preview.writing import Preview, file_names, picture_names, write_preview
from sim.scene.model.checks import scene_warnings
from sim.session import Progress, Rehearsal, enabled_lights, require_light


@dataclass(frozen=True)
class PreviewOrder:
    """What to make: `size` (width, height) in pixels, None for the quality's own; `lights` to enable, None for all.

    `fresh` traces everything anew and keeps nothing.
    """

    quality: Quality
    out: Path
    size_text: str | None = None
    samples: int | None = None
    seed: int = 0
    lights: tuple[str, ...] | None = None
    fresh: bool = False


def run_preview(scene_file: Path, order: PreviewOrder, on_progress: Progress | None = None) -> Preview:
    """Render a scene file and write its pictures, layers and readings into `order.out`.

    Raises HalfstopError with one plain line; nothing is written then.
    Does not: print anything.
    """
    tell = on_progress or (lambda step, part: None)
    rehearsal = Rehearsal(scene_file, fresh=order.fresh)
    scene, layout = rehearsal.scene, rehearsal.layout
    require_light(layout)
    mix = mix_of_lights(rehearsal.mix, order.lights)
    size = _size(order, rehearsal)
    pictures = picture_names(enabled_lights(mix))
    # Refuse a folder that cannot take the files before the long work.
    ResultFolder(order.out).require_usable(file_names(pictures))

    probes = standard_probes(layout) + scene_probes(scene, layout)
    # Clean the pictures while the meters are read.
    with _Cleaning(order.quality.denoiser) as cleaning:
        stack = rehearsal.stack(
            size=size, samples=order.samples or order.quality.samples, seed=order.seed, on_progress=on_progress
        )
        cleaning.begin(stack)
        measured = rehearsal.readings(
            probes + report_probes(scene, layout), seed=order.seed, most_rays=order.quality.meter_rays,
            target_stderr_stops=order.quality.meter_stderr_stops, on_progress=on_progress,
        )  # fmt: skip
        every_point = measured.between(len(probes), len(measured.probes))
        report = report_from_probes(scene, layout, every_point, seed=order.seed, mix=mix)
        preview = Preview(
            scene=scene,
            mix=mix,
            stack=stack,
            points=tuple(readings_from_probes(measured.between(0, len(probes)), mix, scene.camera)),
            parts=tuple(readings_from_regions(stack, mix, scene.camera, part_regions(stack))),
            report=report,
            nose_shadow=rehearsed_key_shadow(rehearsal, report.key.light),
            warnings=(
                *scene_warnings(scene, enabled_lights(mix)),
                *intrusion_warnings(rehearsal),
                *burnout_warnings(rehearsal, stack, mix),
            ),
            probes=tuple(probes),
            pictures=pictures,
        )

        def cleaned() -> LightStack:
            return cleaning.end(lambda part: tell("denoise", part))

        stack, files = write_preview(preview, scene_file.name, order.out, cleaned, tell)
    return replace(preview, stack=stack, files=tuple(files))


class _Cleaning:
    """Denoising in a thread of its own; leaving the block by an error ends it after the layer under way."""

    def __init__(self, quality: str) -> None:
        self.quality = quality
        self.pool = ThreadPoolExecutor(1)
        self.unwanted = Event()
        self.part = 0.0
        self.cleaned: Future[LightStack] | None = None

    def __enter__(self) -> _Cleaning:
        return self

    def begin(self, stack: LightStack) -> None:
        self.cleaned = self.pool.submit(denoised, stack, self._note, quality=self.quality)

    def end(self, tell: Callable[[float], None]) -> LightStack:
        """The cleaned stack; `tell` hears of its progress until then."""
        assert self.cleaned is not None
        while not self.cleaned.done():
            tell(min(self.part, 0.99))
            wait([self.cleaned], timeout=0.1)
        tell(1.0)
        return self.cleaned.result()

    def __exit__(self, *error: object) -> None:
        self.unwanted.set()
        self.pool.shutdown()

    def _note(self, part: float) -> None:
        if self.unwanted.is_set():
            raise CancelledError
        self.part = part


def mix_of_lights(mix: Mix, lights: Sequence[str] | None) -> Mix:
    """The mix with only the named lights enabled; all of the scene's when None.

    Does not: take the bodies of the other lights out of the set.
    """
    if lights is not None:
        for name in lights:
            if name not in mix.names:
                near = get_close_matches(name.lower(), mix.names, 1, 0.5)
                cure = f'did you mean "{near[0]}"?' if near else "name some of these"
                raise HalfstopError(
                    f"--lights: there is no light {quoted(name)} in the scene; {cure} (it has {', '.join(mix.names)})"
                )
        mix = mix.only(lights)
    if mix.names and not enabled_lights(mix):
        raise HalfstopError(
            f"no light is on: every one of {', '.join(mix.names)} is muted; remove a mute, or choose with --lights"
        )
    return mix


def intrusion_warnings(rehearsal: Rehearsal) -> tuple[str, ...]:
    """A line for every light, stand and panel that shows in the picture."""
    findings = findings_from_intrusions(intrusions(rehearsal.stage))
    return tuple(f"in the picture: {sentence_from_finding(finding)}" for finding in findings)


def burnout_warnings(rehearsal: Rehearsal, stack: LightStack, mix: Mix) -> tuple[str, ...]:
    """A line for every part of the sitter that burns out."""
    sequins = len(sequin_middles(rehearsal.layout.figure)) > 0
    findings = findings_from_burnouts(burnouts(stack, mix, rehearsal.scene.camera, sequins=sequins))
    return tuple(f"burnt out: {sentence_from_finding(finding)}" for finding in findings)


def part_regions(stack: LightStack) -> list[str]:
    """Parts whose reflected light is read: face, gown (or the suit in its place), backdrop."""
    cloth = "gown" if stack.mask("gown").any() or not stack.mask("suit").any() else "suit"
    return ["face", cloth, "backdrop"]


def _size(order: PreviewOrder, rehearsal: Rehearsal) -> tuple[int, int]:
    if order.size_text is None:
        return rehearsal.picture_size(order.quality.long_side_px)
    return size_from_text(order.size_text, rehearsal.aspect)
