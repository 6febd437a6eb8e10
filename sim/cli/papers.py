"""Commands for what goes to others: plan, handout, finish, calibrate."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sim.cli.app import SceneArgument, app
from sim.quantities.errors import HalfstopError

OutOption = Annotated[Path | None, typer.Option(metavar="DIR", help="Folder for the files.")]
SizeOption = Annotated[
    str | None, typer.Option(metavar="SIZE", help="Pixels: width x height (800x1200), or the long side (1200).")
]
SamplesOption = Annotated[int, typer.Option(metavar="N", help="Rays per pixel.")]
SeedOption = Annotated[int, typer.Option(metavar="N", help="The same seed gives the same picture.")]
LuxOption = Annotated[bool, typer.Option("--lux", help="Also tell lx of continuous light and lx·s of flash.")]
FreshOption = Annotated[bool, typer.Option("--fresh", help="Trace all anew, and keep nothing.")]


@app.command()
def plan(
    scene: SceneArgument,
    out: OutOption = None,
    no_readings: Annotated[bool, typer.Option("--no-readings", help="Leave out the expected readings; quick.")] = False,
    no_views: Annotated[bool, typer.Option("--no-views", help="Leave out the views in three dimensions.")] = False,
    lux: LuxOption = False,
    fresh: FreshOption = False,
) -> None:
    """Write the rig plan for the crew: drawings to scale, kit, power, build-up, cautions.

    One HTML page, and one PDF each for A4 and Letter.
    """
    from sim.cli.progress import shown_progress
    from sim.reports.plan_files import run_plan

    with shown_progress() as on_progress:
        files = run_plan(
            scene, _folder(scene, out, "plan"), readings=not no_readings, views=not no_views, lux=lux, fresh=fresh,
            on_progress=on_progress,
        )  # fmt: skip
    _print_files(files, "plan.html")


@app.command()
def handout(
    scene: SceneArgument,
    out: OutOption = None,
    size: SizeOption = None,
    samples: SamplesOption = 64,
    seed: SeedOption = 0,
    lux: LuxOption = False,
    fresh: FreshOption = False,
) -> None:
    """Write the teaching handout: one HTML file with faders for every light, and the strips.

    The file opens offline in any browser, and works without JavaScript as a static sheet.
    """
    from sim.cli.progress import shown_progress
    from sim.reports.handout_files import run_handout
    from sim.reports.preview import require_samples, require_seed

    pixels = _size(scene, size, 1200)
    with shown_progress() as on_progress:
        files = run_handout(
            scene, _folder(scene, out, "handout"), size=pixels, samples=require_samples(samples),
            seed=require_seed(seed), lux=lux, fresh=fresh, on_progress=on_progress,
        )  # fmt: skip
    _print_files(files, "handout.html")


@app.command()
def finish(
    scene: SceneArgument,
    out: OutOption = None,
    curve: Annotated[str, typer.Option(metavar="CURVE", help="neutral, or film: a matter of taste.")] = "neutral",
    black_and_white: Annotated[
        str | None, typer.Option(metavar="FILTER", help="luminance, film, yellow, orange, red or green.")
    ] = None,
    burn: Annotated[float, typer.Option(metavar="STOPS", help="Darken the edges, by so much in the corners.")] = 0.0,
    crop: Annotated[str | None, typer.Option(metavar="SHAPE", help="2:3, 4:5, 5:7, 1:1, A or 16:9.")] = None,
    exposure: Annotated[float, typer.Option(metavar="STOPS", help="Brighten or darken.")] = 0.0,
    size: SizeOption = None,
    samples: SamplesOption = 64,
    seed: SeedOption = 0,
    fresh: FreshOption = False,
) -> None:
    """Write the finished picture for print and share: 16-bit TIFF, PNG, JPEG, and a table of print sizes."""
    from sim.cli.progress import shown_progress
    from sim.light.finish import ASPECTS, CURVES, FILTERS, Finish
    from sim.reports.finish_files import run_finish
    from sim.reports.preview import require_samples, require_seed

    _require("--curve", curve, CURVES)
    _require("--black-and-white", black_and_white, FILTERS)
    _require("--crop", crop, tuple(ASPECTS))
    for option, value, most in (("--burn", burn, 4.0), ("--exposure", exposure, 6.0)):
        if not abs(value) <= most:
            raise HalfstopError(f"{option} {value}: expected up to {most:g} stops; write {option} 0.7")
    how = Finish(curve, black_and_white, burn, crop, exposure)
    pixels = _size(scene, size, 1800)
    with shown_progress() as on_progress:
        files = run_finish(
            scene, _folder(scene, out, "finished"), how, size=pixels, samples=require_samples(samples),
            seed=require_seed(seed), fresh=fresh, on_progress=on_progress,
        )  # fmt: skip
    _print_files(files, "finished.tif")


@app.command()
def calibrate(
    scene: SceneArgument,
    readings: Annotated[Path, typer.Argument(metavar="READINGS", help="File of the crew's meter readings.")],
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Corrected scene; default beside the scene, -calibrated.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")] = False,
    fresh: FreshOption = False,
) -> None:
    """Correct a scene by real meter readings: fits how much light each head gives, names readings that are off.

    A readings file: `readings:` and below it lines such as `- {at: face, facing: key, lights: key, reads: f/8}`.
    """
    from sim.cli.progress import shown_progress
    from sim.reports.calibrated_scene import run_calibrate

    target = out or scene.with_name(f"{scene.stem}-calibrated{scene.suffix or '.yaml'}")
    with shown_progress() as on_progress:
        lines = run_calibrate(scene, readings, target, replace=force, fresh=fresh, on_progress=on_progress)
    print("\n".join(lines))


def _folder(scene: Path, out: Path | None, name: str) -> Path:
    return out or Path("out") / scene.stem / name


def _size(scene_file: Path, text: str | None, long_side_px: int) -> tuple[int, int]:
    from sim.reports.preview.quality import size_from_text
    from sim.session import Rehearsal

    rehearsal = Rehearsal(scene_file)
    return rehearsal.picture_size(long_side_px) if text is None else size_from_text(text, rehearsal.aspect)


def _require(option: str, value: str | None, names: tuple[str, ...]) -> None:
    if value is not None and value not in names:
        raise HalfstopError(f'{option} {value}: expected one of {", ".join(names)}; write "{option} {names[-1]}"')


def _print_files(files: list[Path], first: str) -> None:
    print(f"{len(files)} files in {files[0].parent}: see {first}")
