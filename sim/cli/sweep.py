"""The command for many variations: sweep."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sim.quantities.errors import one_line

if TYPE_CHECKING:
    from sim.sweep.run import Sweep

BEST_SHOWN = 5


def add_commands(app: typer.Typer) -> None:
    """Register the command of this module."""
    app.command()(sweep)


def sweep(
    study: Annotated[Path, typer.Argument(metavar="STUDY", help="Study file, such as scenes/studies/modifiers.yaml.")],
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the results; default out/ and the study's name.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option(metavar="N", help="Worker processes here; default: as cores and memory allow.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="A scheduler that is already there: tls://HOST:PORT.")
    ] = None,
    cluster_security: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="YAML with ca, cert and key: the PEM files that a tls:// address takes."),
    ] = None,
    insecure_cluster: Annotated[
        bool, typer.Option("--insecure-cluster", help="Allow tcp:// beyond this machine: all who reach it run code.")
    ] = False,
    dashboard: Annotated[
        bool, typer.Option("--dashboard", help="Serve a page on what the workers here do, to this machine alone.")
    ] = False,
    retry: Annotated[bool, typer.Option("--retry", help="Make variations again that failed before.")] = False,
) -> None:
    """Make every variation of a study: one table of readings and checks, ranked, with a picture of each.

    It may be ended at any time: run it again, and what is finished is not made twice.
    """
    from sim.cli.progress import shown_progress
    from sim.sweep.run import SweepRequest, run_sweep

    request = SweepRequest(
        out or Path("out") / study.stem, workers, cluster, retry, cluster_security, insecure_cluster, dashboard
    )
    with shown_progress(time_left=True) as show:
        made = run_sweep(study, request, show, lambda line: print(one_line(line), file=sys.stderr, flush=True))
    for line in summary_lines(made):
        print(one_line(line))
    print(one_line(f"table.parquet, table.csv and {made.page.name} in {request.out}: see {made.page.name}"))


def summary_lines(made: Sweep) -> list[str]:
    """What came of it: counts, failures by reason, and the best by rank."""
    rows = made.table.num_rows
    lines = [f"{rows} variations: {made.made} made now, {made.kept} kept, {made.failed} failed"]
    reasons = [reason for reason in made.table.column("reason").to_pylist() if reason]
    for reason in list(dict.fromkeys(reasons))[:BEST_SHOWN]:
        lines.append(f"failed ({reasons.count(reason)}): {reason}")
    if "rank" in made.table.column_names:
        wishes = ", ".join(wish.text for wish in made.study.wishes)
        lines.append(f"Nearest to {wishes} (stops count from {made.study.reference}):")
        ranked = made.table.select(["rank", "score", "variation"]).to_pylist()
        best = sorted((row for row in ranked if row["rank"]), key=lambda row: row["rank"])[:BEST_SHOWN]
        for row in best:
            values = "; ".join(
                f"{axis.name} {made.table.column(f'axis.{axis.name}')[row['variation'] - 1].as_py()}"
                for axis in made.study.axes
            )
            lines.append(f"{row['rank']}. off by {row['score']:.2f} stops: variation {row['variation']}: {values}")
    return lines
