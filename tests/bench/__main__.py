"""`python -m tests.bench`: measure, print the tables, save the JSON."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from rich.console import Console

from tests.bench.report import FULL, SECTIONS, TINY, json_text, measure, merged, tables

ROOT = Path(__file__).resolve().parents[2]


def main(arguments: list[str] | None = None) -> None:
    """Run the measurements that the command line asks for; first word `sweep`, `room` or `live`: that."""
    given = sys.argv[1:] if arguments is None else arguments
    if given[:1] == ["sweep"]:
        from tests.bench.sweep import main as measure_sweeps

        return measure_sweeps(given[1:])
    if given[:1] == ["room"]:
        from tests.bench.room import main as measure_room

        return measure_room(given[1:])
    if given[:1] == ["live"]:
        from tests.bench.live import main as measure_live

        return measure_live(given[1:])
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Measure speed, side by side.")
    parser.add_argument("--scene", type=Path, default=ROOT / "scenes" / "recital.yaml", help="scene file to measure on")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "bench.json", help="JSON file to write")
    parser.add_argument("--tiny", action="store_true", help="tiny sizes: shows that it runs, measures nothing")
    parser.add_argument("--only", nargs="+", choices=SECTIONS, help="measure these; keep the others in the JSON file")
    asked = parser.parse_args(arguments)
    plan = TINY if asked.tiny else FULL
    record = measure(
        asked.scene, plan, asked.only or tuple(SECTIONS), lambda what: print(what, file=sys.stderr, flush=True)
    )
    if asked.only and asked.out.is_file():
        record = merged(json.loads(asked.out.read_text("utf-8")), record)
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(json_text(record), "utf-8")
    Console(width=120 if not sys.stdout.isatty() else None).print(tables(record))
    print(f"saved in {asked.out}")


if __name__ == "__main__":
    main()
