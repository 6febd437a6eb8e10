"""From a scene file and the crew's readings to the corrected scene file."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from sim.metering import calibrate
from sim.quantities.errors import HalfstopError, SceneError
from sim.scene.edit import KeyPath, SceneText, scene_text_from_file, write_scene_text
from sim.session import METER_RAYS, Progress, Rehearsal


def run_calibrate(
    scene_file: Path, readings_file: Path, out: Path, *, replace: bool = False, fresh: bool = False,
    on_progress: Progress | None = None,
) -> list[str]:  # fmt: skip
    """Fit the heads to a file of readings and write the corrected scene; returns the report's lines.

    Arguments: `replace` a file that is there; `fresh` traces anew what is kept.
    """
    before = scene_text_from_file(scene_file)
    if out.exists() and not replace:
        raise HalfstopError(f"{out}: there is a file of this name; nothing was written; name another with --out")
    rehearsal = Rehearsal(before.scene, fresh=fresh)
    scene, layout = rehearsal.scene, rehearsal.layout
    readings = calibrate.load_readings(readings_file, scene, layout)
    measured = rehearsal.readings(readings.probes, most_rays=METER_RAYS, on_progress=on_progress)
    fitted = calibrate.calibration_from_probes(readings, measured, rehearsal.mix, scene, layout)
    changes, refused = _takeable(before, calibrate.changes_from_calibration(scene, layout, fitted))
    lines = calibrate.report_lines(readings, fitted, scene, refused)
    write_scene_text(before.changed(changes, out), out, replace=replace)
    return [*lines, f"{len(changes)} head{'' if len(changes) == 1 else 's'} corrected in {out}"]


def _takeable(before: SceneText, changes: Mapping[KeyPath, str]) -> tuple[dict[KeyPath, str], dict[str, str]]:
    """The changes that a scene file may hold, and by light why the others are not made."""
    taken: dict[KeyPath, str] = {}
    refused: dict[str, str] = {}
    for where, value in changes.items():
        try:
            before.changed({where: value})
        except SceneError as error:
            # Leave this head as it is and correct the rest.
            refused[str(where[1])] = f"{error.what}; expected {error.expected}"
        else:
            taken[where] = value
    return taken, refused
