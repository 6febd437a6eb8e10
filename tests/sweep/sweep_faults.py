"""Work of a sweep that traces nothing: it gives rows that follow from a variation's id, and fails as it is told to.

Worker processes import this module by its name.
"""

from __future__ import annotations

import hashlib
import os
import signal
import time
from collections.abc import Collection, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from sim.reports.files import png_bytes
from sim.sweep.chunks import FOLDERS, SweepFolder
from sim.sweep.scheduler import Work
from sim.sweep.setup import Group, GroupRequest, Result, VariationJob

SCENE = """\
halfstop: 1
title: Two lights to vary
room: {size: {width: 5 m, height: 3 m, length: 8 m}, walls: 0.4}
camera: {place: {at: [0 m, 1.4 m, 3.5 m]}, aim: chest, focal_length: 85 mm, aperture: f/8, shutter: 1/160 s, iso: 100}
sitter: {figure: simple, turn: 20°}
backdrop: {kind: paper, size: {width: 2.7 m, height: 2.9 m}, distance: 1.8 m}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: softbox, width: 90 cm, height: 120 cm, grid: 40°}
    place: {bearing: -40°, distance: 1.8 m, height: 1.9 m}
  rim:
    source: {kind: flash, energy: 400 W·s}
    modifier: {kind: bare}
    place: {bearing: 140°, distance: 1.3 m, height: 2.2 m}
render: {depth: 2}
"""


def write_study(folder: Path, axes: str, more: str = "") -> Path:
    """A study of the scene above with 16 x 24 pixels and 4 samples; `axes` and `more` are YAML."""
    (folder / "set.yaml").write_text(SCENE, "utf-8")
    path = folder / "study.yaml"
    head = "halfstop_study: 1\ntitle: A small study\nscene: set.yaml\nsize: 24\nsamples: 4\n"
    path.write_text(f"{head}{more}axes:\n{axes}", "utf-8")
    return path


def distances(count: int, powers: Sequence[str] = ("-1 stop", "-2 stops")) -> str:
    """Axes of `count` set-ups, each at some powers."""
    return (
        f"  - {{key: key.place.distance, name: far, range: {{from: 1.5 m, to: 1.9 m, count: {count}}}}}\n"
        f"  - {{key: key.power, name: power, values: [{', '.join(powers)}]}}\n"
    )


def quick_work(
    *, wait_s: float = 0.0, killers: Collection[str] = (), faulty: Collection[str] = (), log: Path | None = None,
    faulty_groups: Collection[str] = (),
) -> Work:  # fmt: skip
    """Work without light: `killers` are ids that end their worker, `faulty` ones that raise; `log` notes every mix."""
    return Work(
        partial(_trace, wait_s=wait_s, faulty_groups=frozenset(faulty_groups)),
        partial(_mix, wait_s=wait_s, killers=frozenset(killers), faulty=frozenset(faulty), log=log),
    )


def _trace(request: GroupRequest, group: Group, *, wait_s: float, faulty_groups: frozenset[str]) -> Any:
    time.sleep(wait_s)
    if faulty_groups & {variation.id for variation in group.variations}:
        raise ValueError("no such light")
    return np.zeros(1 << 16, np.uint8)


def _mix(
    request: GroupRequest, traced: Any, group: Group, variations: Sequence[VariationJob], *, wait_s: float,
    killers: frozenset[str], faulty: frozenset[str], log: Path | None,
) -> list[Result]:  # fmt: skip
    made = []
    for variation in variations:
        if log is not None:
            (log / f"{variation.id}-{os.getpid()}-{time.monotonic_ns()}").touch()
        time.sleep(wait_s)
        if variation.id in killers:
            os.kill(os.getpid(), signal.SIGKILL)
        made.append(Result(variation.id, reason="no light") if variation.id in faulty else result_from_id(variation.id))
    return made


def result_from_id(name: str) -> Result:
    """What a variation of this id always gives."""
    rng = np.random.default_rng(int(name[:12], 16))
    stops = float(rng.normal())
    picture = png_bytes(rng.integers(0, 256, (24, 16, 3), dtype=np.uint8), {})
    row = {
        "f_number": 8.0, "shutter_s": 1 / 160, "iso": 100.0, "incident.face.key": stops, "incident.face.rim": None,
        "incident.face.combined": stops, "incident_error.face": 0.01,
        "picture_sha256": hashlib.sha256(picture).hexdigest(),
    }  # fmt: skip
    return Result(name, row, {"picture": picture})


def damaged_files(home: SweepFolder) -> list[str]:
    """Files that a chunk names and whose bytes do not have its checksum."""
    rows = [row for _, table in home.chunks() for row in table.to_pylist()]
    named = [(row[kind], row[f"{kind}_sha256"]) for row in rows for kind in FOLDERS if row.get(kind) is not None]
    return [name for name, sha256 in named if _sha256(home.path / name) != sha256]


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
