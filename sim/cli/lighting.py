"""Commands on the light itself: meter it, balance it, compare alternatives."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sim.quantities import phrases
from sim.quantities.errors import HalfstopError, UnitError

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from sim.advice.balance import Balance
    from sim.reports.meter_files import Care
    from sim.scene.edit import SceneText

SceneArgument = Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file, such as scenes/recital.yaml.")]
KeyOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="The light to take for the key; found when left out.")
]
FreshOption = Annotated[bool, typer.Option("--fresh", help="Trace all anew, and keep nothing.")]
SeedOption = Annotated[int, typer.Option(metavar="N", help="The same seed gives the same readings.")]
PIPED_WIDTH = 100
# Rays of one reading: fewest that a reading takes at all, most in a minute or so.
LEAST_RAYS, MOST_RAYS = 1 << 12, 1 << 26
# Exit code of a balance that does not meet every wish.
NOT_MET = 3


def add_commands(app: typer.Typer) -> None:
    """Register the commands of this module."""
    app.command()(meter)
    app.command()(balance)
    app.command()(compare)


def meter(
    scene: SceneArgument,
    key: KeyOption = None,
    reference: Annotated[
        str, typer.Option(metavar="POINT", help="Meter point that the suggested f-number is for.")
    ] = "face",
    sensor: Annotated[
        float, typer.Option("--range", metavar="STOPS", help="Sensor: stops from saturation down to black.")
    ] = 12.0,
    only: Annotated[
        str | None, typer.Option(metavar="POINTS", help='Only these points, such as "face, shadow-side cheek".')
    ] = None,
    precision: Annotated[
        float | None, typer.Option(metavar="STOPS", help="Read on until each light's error is no larger; usual: 0.03.")
    ] = None,
    rays: Annotated[int | None, typer.Option(metavar="N", help="Most rays of one reading, however sure it is.")] = None,
    lux: Annotated[bool, typer.Option("--lux", help="Also tell lx of continuous light and lx·s of flash.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the readings as JSON.")] = False,
    seed: SeedOption = 0,
    fresh: FreshOption = False,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write meter.json, false tones and histograms here.")
    ] = None,
) -> None:
    """Read every point of the set-up, by light and combined, and judge the exposure."""
    import json

    from sim.cli.progress import shown_progress
    from sim.metering.health import health_lines
    from sim.reports.meter_files import record_from_run, run_meter
    from sim.reports.meter_tables import tables_from_report

    if not 1 <= sensor <= 20:
        raise HalfstopError(f'--range {sensor:g}: expected 1 to 20 stops; write "--range 12"')
    with shown_progress() as on_progress:
        made = run_meter(
            scene, key=key, reference=reference, range_stops=sensor, seed=_seed(seed), out=out, fresh=fresh,
            care=_care(only, precision, rays), on_progress=on_progress,
        )  # fmt: skip
    if as_json:
        print(json.dumps(record_from_run(made), indent=1, ensure_ascii=False, allow_nan=False))
        return
    _show(tables_from_report(made.report, made.nose_shadow, lux=lux), *health_lines(made.health, made.camera))
    if made.files:
        _show(f"{len(made.files)} files in {made.files[0].parent}: see false-tones.png")


def balance(
    scene: SceneArgument,
    want: Annotated[
        list[str] | None,
        typer.Option(metavar="POINT=VALUE", help='Wish, repeatable: "face=f/5.6", or stops: "backdrop=-3".'),
    ] = None,
    lock: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Leave this light as it is; repeatable.")
    ] = None,
    reference: Annotated[
        str, typer.Option(metavar="POINT", help='What stops are counted from: a meter point, or "camera".')
    ] = "face",
    key: KeyOption = None,
    seed: SeedOption = 0,
    fresh: FreshOption = False,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="New scene file; default: the scene's name with -balanced.")
    ] = None,
    in_place: Annotated[bool, typer.Option("--in-place", help="Change the scene file itself.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only tell; write no file.")] = False,
    anyway: Annotated[bool, typer.Option("--anyway", help="Write also where a wish is not met.")] = False,
) -> None:
    """Find the least change of the dials that gives wanted readings, show it, and write it into a new scene file.

    Comments are kept. Muted lights stay out; dials move in their own steps, within their range and never below 1/32
    for a wish. Where a wish is not met nothing is written without --anyway, and the exit code is 3.
    """
    from sim.advice.balance import definition, scene_with_balance
    from sim.scene.edit import write_scene_text

    if in_place and out is not None:
        raise HalfstopError("--in-place and --out ask for two things at once; keep one of them")
    target = scene if in_place else out or scene.with_name(f"{scene.stem}-balanced.yaml")
    if not in_place and not dry_run and target.exists():
        same = target.resolve() == scene.resolve()
        cure = "add --in-place to change it" if same else "name another with --out"
        raise HalfstopError(f"{target}: there is a file of this name; nothing was done; {cure}")
    source, result = _balanced(scene, want or [], lock or [], reference, key, _seed(seed), fresh)
    _show(_wish_table(result), *_reason_lines(result), _move_table(result), definition(result.reference))
    if dry_run or not (result.met or anyway):
        if not dry_run:
            _show("Nothing was written: not every wish is met; --anyway writes the nearest.")
        raise typer.Exit(0 if result.met else NOT_MET)
    # What is shown above is asked about where somebody is there to answer.
    if sys.stdin.isatty() and sys.stdout.isatty():
        typer.confirm(f"Write {target}?", default=True, abort=True)
    changed = scene_with_balance(source, result)
    write_scene_text(changed, target, replace=in_place)
    _show(f"{'changed' if in_place else 'wrote'} {target}")
    if not result.met:
        raise typer.Exit(NOT_MET)


def compare(
    scenes: Annotated[list[Path], typer.Argument(metavar="SCENE...", help="Scene files; one with --swap.")],
    swap: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=VALUE",
            help='An alternative, repeatable: "key.modifier=octabox 120 cm", "key.place.distance=2 m; key.power=1/2".',
        ),
    ] = None,
    key: KeyOption = None,
    size: Annotated[int, typer.Option(metavar="N", help="Long side of each picture in pixels.")] = 600,
    samples: Annotated[int, typer.Option(metavar="N", help="Rays per pixel.")] = 16,
    seed: SeedOption = 0,
    fresh: FreshOption = False,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the sheet; default out/ and the scene's name.")
    ] = None,
) -> None:
    """Set alternatives side by side at the same face exposure; only lights that changed are traced again."""
    from sim.advice.checks.shadow_words import line_from_shadow
    from sim.advice.compare import rows_from_figures
    from sim.cli.progress import shown_progress
    from sim.reports.compare_files import run_compare
    from sim.reports.preview import require_samples

    if not 64 <= size <= 4000:
        raise HalfstopError(f'--size {size}: expected 64 to 4000 pixels; write "--size 600"')
    folder = out or Path("out") / f"{scenes[0].stem}-alternatives"
    with shown_progress() as on_progress:
        made = run_compare(
            scenes, swap or [], folder, long_side_px=size, samples=require_samples(samples), seed=_seed(seed), key=key,
            fresh=fresh, on_progress=on_progress,
        )  # fmt: skip
    for figures in made.figures:
        rows = [f"  {label}: {figure}" for label, figure in rows_from_figures(figures, made.figures[0]) if label]
        if figures.nose_shadow is not None:
            rows.append(f"  {line_from_shadow(figures.nose_shadow)}")
        traced = ", ".join(figures.traced) if figures.traced else "nothing"
        _show(figures.label, *rows, f"  traced: {traced}")
    _show(f"{len(made.files)} files in {folder}: see alternatives.png")


def _balanced(
    scene: Path, want: list[str], lock: list[str], reference: str, key: str | None, seed: int, fresh: bool
) -> tuple[SceneText, Balance]:
    from sim.advice.balance import balance_from_readings, want_points, wishes_from_texts
    from sim.metering.report_points import KEY_CHEEK, SHADOW_CHEEK, point_from_text, points_of_set, report_probes
    from sim.scene.edit import scene_text_from_file
    from sim.session import Rehearsal

    source = scene_text_from_file(scene)
    rehearsal = Rehearsal(source.scene, fresh=fresh)
    layout = rehearsal.layout

    # Refuse words that mean nothing before the long work.
    names = [KEY_CHEEK, SHADOW_CHEEK, *points_of_set(source.scene, layout), *source.scene.meters]
    try:
        if reference != "camera":
            reference = point_from_text(reference, names)
        wishes = wishes_from_texts(want, names, reference)
    except UnitError as error:
        raise HalfstopError(f"--want: {error}") from None
    for name in lock:
        if name not in source.scene.lights:
            raise HalfstopError(f'--lock: there is no light "{name}"; the scene has {", ".join(source.scene.lights)}')
    if key is not None and key not in [light.name for light in layout.lights]:
        raise HalfstopError(f'--key: there is no light "{key}"; the scene has {", ".join(source.scene.lights)}')
    measured = rehearsal.readings(report_probes(source.scene, layout), seed=seed)
    points = want_points(source.scene, layout, measured, key)
    return source, balance_from_readings(
        source.scene, layout, measured, wishes, points=points, reference=reference, locked=lock, seed=seed
    )


def _wish_table(result: Balance) -> Table:
    table = _table(f"Wishes, reference {result.reference} at {phrases.reading_short(result.reference_f_number)}")
    table.add_column("point", no_wrap=True)
    for title in ("wanted", "reads then", "off by", "error", "off before"):
        table.add_column(title, justify="right", no_wrap=True)
    for outcome in result.wishes:
        wish = outcome.wish
        table.add_row(
            wish.point, wish.wanted, phrases.reading_short(outcome.f_number),
            phrases.signed_stops(outcome.residual_stops, 2),
            f"{outcome.stderr_stops:.2f}", phrases.signed_stops(outcome.before_stops),
        )  # fmt: skip
    return table


def _reason_lines(result: Balance) -> list[str]:
    unmet = [outcome for outcome in result.wishes if not outcome.met]
    if not unmet:
        return ["Every wish is met within a tenth of a stop.", ""]
    return [*(f"Not met: {o.wish.text}: {'; '.join(o.reasons)}." for o in unmet), ""]


def _move_table(result: Balance) -> Table:
    table = _table("Dials")
    table.add_column("light", no_wrap=True)
    for title in ("before", "after", "change"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("")
    for move in result.moves:
        before, after = map(phrases.power_short, (move.before_stops, move.after_stops))
        turned = abs(move.change_stops) > 1e-9
        table.add_row(
            move.light, before, after if turned else "", phrases.change(move.change_stops) if turned else "",
            move.why_fixed or ("" if turned else "stays"),
        )  # fmt: skip
    return table


def _table(title: str) -> Table:
    from rich import box
    from rich.table import Table

    return Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)


def _show(*lines: RenderableType) -> None:
    """Print lines and tables; in plain ASCII where the output is no terminal that knows more."""
    from rich.console import Console

    pretty = sys.stdout.isatty() and "utf" in (sys.stdout.encoding or "").lower()
    console = Console(width=None if sys.stdout.isatty() else PIPED_WIDTH, highlight=False)
    for line in lines:
        if pretty:
            console.print(line, markup=False, soft_wrap=isinstance(line, str))
            continue
        with console.capture() as captured:
            console.print(line, markup=False, soft_wrap=isinstance(line, str))
        print("\n".join(text.rstrip() for text in captured.get().translate(phrases.PLAIN_SIGNS).splitlines()))


def _care(only: str | None, precision: float | None, rays: int | None) -> Care:
    """How the meters are to be read, from the command line."""
    from sim.reports.meter_files import Care

    if precision is not None and not 0.001 <= precision <= 1:
        raise HalfstopError(f'--precision {precision:g}: expected 0.001 to 1 stop; write "--precision 0.01"')
    if rays is not None and not LEAST_RAYS <= rays <= MOST_RAYS:
        raise HalfstopError(f'--rays {rays}: expected {LEAST_RAYS} to {MOST_RAYS}; write "--rays 1000000"')
    names = None if only is None else tuple(name.strip() for name in only.split(",") if name.strip())
    if names == ():
        raise HalfstopError('--only names no point; write "--only face", or several with commas between')
    return Care(names, precision, rays)


def _seed(seed: int) -> int:
    from sim.reports.preview import require_seed

    return require_seed(seed)
