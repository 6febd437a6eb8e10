"""Commands that look a set-up over: how far the sitter may move, and all other checks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SceneArgument = Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file, such as scenes/recital.yaml.")]
KeyOption = Annotated[
    str | None, typer.Option(metavar="NAME", help="The light to take for the key; found when left out.")
]
FreshOption = Annotated[bool, typer.Option("--fresh", help="Trace all anew, and keep nothing.")]
OutOption = Annotated[Path | None, typer.Option(metavar="DIR", help="Folder for the files.")]


def add_commands(app: typer.Typer) -> None:
    """Register the commands of this module."""
    app.command()(latitude)
    app.command()(checks)


def latitude(scene: SceneArgument, key: KeyOption = None, fresh: FreshOption = False, out: OutOption = None) -> None:
    """Say how far the sitter may turn, nod or step before the light on the face changes.

    Sweeps head turn, nod, body turn and steps with the lights left where they are; writes curves with small pictures.
    """
    from sim.cli.progress import shown_progress
    from sim.reports.latitude_files import run_latitude

    folder = out or Path("out") / scene.stem / "latitude"
    with shown_progress() as on_progress:
        made = run_latitude(scene, folder, key=key, fresh=fresh, on_progress=on_progress)
    _show([(made.key_line, []), *made.lines])
    print(f"{len(made.files)} files in {folder}: see latitude.png")


def checks(
    scene: SceneArgument,
    size: Annotated[
        int, typer.Option(metavar="PIXELS", min=120, max=2400, help="Long side of the picture read.")
    ] = 480,
    samples: Annotated[int, typer.Option(metavar="N", min=4, max=4096, help="Rays per pixel.")] = 32,
    seed: Annotated[
        int, typer.Option(metavar="N", min=0, max=1 << 19, help="The same seed gives the same values.")
    ] = 0,
    fresh: FreshOption = False,
    out: OutOption = None,
) -> None:
    """Look it over: duties, nose shadow, separation, burnout, catchlights, focus, frame, flare, spill, sparkle."""
    from sim.cli.progress import shown_progress
    from sim.reports.check_files import run_checks

    folder = out or Path("out") / scene.stem / "checks"
    with shown_progress() as on_progress:
        made = run_checks(
            scene, folder, long_side_px=size, samples=samples, seed=seed, fresh=fresh, on_progress=on_progress
        )
    _show(made.lines)
    print(f"{len(made.files)} files in {folder}: see separation.png")


def _show(sections: list[tuple[str, list[str]]] | tuple[tuple[str, list[str]], ...]) -> None:
    """Print headings and their lines."""
    for heading, lines in sections:
        print("\n".join([heading, *(f"  {line}" for line in lines)]))
