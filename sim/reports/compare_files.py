"""From scene files, or one scene file and its swaps, to a sheet of alternatives and their figures."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sim.advice.compare.figures import Figures, compare, record_from_figures, rows_from_figures
from sim.advice.compare.swaps import Alternative, alternative_from_text, alternatives_from_swaps
from sim.quantities.errors import HalfstopError
from sim.reports.files import ResultFolder, png_bytes
from sim.reports.sheets.alternatives import Column, alternatives_sheet
from sim.scene.edit import scene_text_from_file
from sim.session import Progress, size_from_long_side, store_unless

FILES = ("alternatives.png", "alternatives.json")
MOST = 12
NOTE = (
    "Every picture at the first one's face exposure; parts in stops against the first. Edge: 10 to 90 % across the "
    "nose's shadow. Lights that stay keep the first picture's layers."
)


@dataclass(frozen=True)
class Comparison:
    """What was found and written."""

    figures: tuple[Figures, ...]
    files: tuple[Path, ...]


def run_compare(
    scene_files: Sequence[Path], swaps: Sequence[str], out: Path, *, long_side_px: int, samples: int, seed: int = 0,
    key: str | None = None, fresh: bool = False, on_progress: Progress | None = None,
) -> Comparison:  # fmt: skip
    """Compare scene files, or one file with its swaps, and write the sheet and the figures into `out`.

    Arguments: `fresh` traces anew what is kept.
    Raises HalfstopError with one plain line; nothing is written then.
    """
    tell = on_progress or (lambda step, part: None)
    items = _alternatives(scene_files, swaps)
    ResultFolder(out).require_usable(list(FILES))
    size = size_from_long_side(long_side_px, items[0].layout.camera.aspect)
    tell("trace", 0.0)
    labels = {"trace": "trace", "measure": "denoise"}
    figures = compare(
        items,
        size=size,
        samples=samples,
        seed=seed,
        key=key,
        store=store_unless(fresh),
        on_progress=lambda step, part: tell(labels[step], part),
    )
    title, made = items[0].scene.title, f"{size[0]} x {size[1]}, {samples} samples, seed {seed}"
    columns = [
        Column(figure.picture, figure.label, rows_from_figures(figure, figures[0]), figure.nose_shadow)
        for figure in figures
    ]
    record = {"scenes": [str(path) for path in scene_files], "swaps": list(swaps), "size": size, "samples": samples,
              "seed": seed, "note": NOTE, "alternatives": record_from_figures(figures)}  # fmt: skip
    with ResultFolder(out) as folder:
        sheet = alternatives_sheet(title, columns, NOTE, made)
        folder.stage(FILES[0]).write_bytes(png_bytes(sheet, {"Title": f"{title}: alternatives", "Comment": made}))
        text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        folder.stage(FILES[1]).write_text(text, "utf-8")
        tell("files", 1.0)
        return Comparison(tuple(figures), tuple(folder.commit()))


def _alternatives(scene_files: Sequence[Path], swaps: Sequence[str]) -> list[Alternative]:
    if swaps and len(scene_files) > 1:
        raise HalfstopError("--swap changes one scene; name one scene file, or leave --swap out")
    if not swaps and len(scene_files) < 2:
        raise HalfstopError('one scene has no alternative; name a second one, or add --swap "key.power=1/8"')
    sources = [scene_text_from_file(path) for path in scene_files]
    sources_by_label = (
        alternatives_from_swaps(sources[0], swaps, "as it is")
        if swaps
        else [(path.stem, source) for path, source in zip(scene_files, sources, strict=True)]
    )
    if len(sources_by_label) > MOST:
        raise HalfstopError(f"{len(sources_by_label)} alternatives are too many for a sheet; name {MOST} at most")
    items = [alternative_from_text(label, source) for label, source in sources_by_label]
    for item in items[1:]:
        if abs(item.layout.camera.aspect - items[0].layout.camera.aspect) > 1e-6:
            raise HalfstopError(f'"{item.label}": its picture has another shape; give both cameras one orientation')
    return items
