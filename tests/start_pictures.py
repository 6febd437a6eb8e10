"""Make the pictures of the starts anew: `python -m tests.start_pictures` in the project's folder.

Writes one WebP of a few kilobytes for each set-up that comes with the program into `sim/room/page/home/pictures`, at
seed 0. Each bears the digest of what its scene says, and is shown for that state alone; those of
earlier states are taken away.
"""

from __future__ import annotations

import sys

from PIL import Image

from sim.light.develop import denoised, develop
from sim.quantities.assets import asset_path
from sim.room.home.starts import PICTURES, Start, starts
from sim.session import Rehearsal, size_from_long_side

LONG_SIDE_PX, TRACED_PX, SAMPLES = 360, 540, 32
LARGEST_BYTES = 16_000


def main() -> None:
    """Trace every start whose picture is missing, or all of them with `--all`."""
    PICTURES.mkdir(exist_ok=True)
    lit = [start for start in starts() if start.is_lit]
    wanted = {start.picture for start in lit}
    for left in set(PICTURES.glob("*.webp")) - wanted:
        left.unlink()
    for start in lit:
        if "--all" in sys.argv[1:] or not start.picture.is_file():
            _keep(start)


def _keep(start: Start) -> None:
    picture = picture_of(start, TRACED_PX, SAMPLES)
    picture.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX), Image.Resampling.LANCZOS)
    picture.save(start.picture, "WEBP", quality=80, method=6)
    size = start.picture.stat().st_size
    if size > LARGEST_BYTES:
        sys.exit(f"{start.picture} has {size} bytes; at most {LARGEST_BYTES} belong in a repository")
    print(f"{start.picture.name}: {picture.width} x {picture.height}, {size} bytes")


def picture_of(start: Start, long_side_px: int, samples: int) -> Image.Image:
    """The combined picture of a start; starts the renderer."""
    rehearsal = Rehearsal(asset_path(start.name), fresh=True)
    size = size_from_long_side(long_side_px, rehearsal.layout.camera.aspect)
    stack = denoised(rehearsal.stack(size=size, samples=samples))
    return Image.fromarray(develop(stack, rehearsal.mix, rehearsal.scene.camera))


if __name__ == "__main__":
    main()
