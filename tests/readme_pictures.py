"""Make the pictures of README.md anew: `python -m tests.readme_pictures` in the project's folder.

Writes `out/readme/contact-sheet.webp` from the demo scene at standard quality, seed 0.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from PIL import Image

from sim.cli.progress import shown_progress
from sim.preview import QUALITIES, PreviewOrder, run_preview

ROOT = Path(__file__).resolve().parent.parent
WIDTH_PX = 1600
LARGEST_BYTES = 400_000


def main() -> None:
    """Render the demo scene and keep its contact sheet as a small picture."""
    folder = ROOT / "out" / "readme"
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch, shown_progress() as on_progress:
        order = PreviewOrder(quality=QUALITIES["standard"], out=Path(scratch))
        run_preview(ROOT / "scenes" / "recital.yaml", order, on_progress)
        with Image.open(Path(scratch) / "contact-sheet.png") as sheet:
            height_px = round(sheet.height * WIDTH_PX / sheet.width)
            small = sheet.resize((WIDTH_PX, height_px), Image.Resampling.LANCZOS)
    target = folder / "contact-sheet.webp"
    small.save(target, "WEBP", quality=88, method=6)
    if target.stat().st_size > LARGEST_BYTES:
        sys.exit(f"{target} has {target.stat().st_size} bytes; at most {LARGEST_BYTES} belong in a repository")
    print(f"{target.relative_to(ROOT)}: {WIDTH_PX} x {height_px}, {target.stat().st_size} bytes")


if __name__ == "__main__":
    main()
