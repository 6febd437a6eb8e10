"""The small picture by which a set is known on the start page: the last one that was traced of what its file holds."""

from __future__ import annotations

import io
from contextlib import suppress

import numpy as np
from PIL import Image

from sim.light.develop import encoded, picture_scale_rgb
from sim.quantities.atomic_write import write_whole
from sim.room.document.state_folder import stem_from_path
from sim.room.home.shelf import Shelf
from sim.room.home.starts import digest_from_scene
from sim.room.open_scene import Snapshot
from sim.room.preview.frame import PreviewFrame

LONG_SIDE_PX, QUALITY = 360, 80


def keep_picture(shelf: Shelf, snapshot: Snapshot, frame: PreviewFrame) -> None:
    """Keep the picture of a set in place of the one before; it is shown as long as the file says what it says now.

    Does not: raise where it cannot be written; the card only has no picture then.
    """
    place = shelf.kept_picture(snapshot.path, digest_from_scene(snapshot.scene))
    if place.is_file():
        return
    with suppress(OSError):
        shelf.pictures.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(place, _webp(snapshot, frame), private=True)
        for earlier in shelf.pictures.glob(f"{stem_from_path(snapshot.path)}.*.webp"):
            if earlier != place:
                earlier.unlink()


def _webp(snapshot: Snapshot, frame: PreviewFrame) -> bytes:
    facts = snapshot.version_facts
    linear = np.zeros((*frame.size[::-1], 3), np.float32)
    for name in frame.names:
        if name not in facts["muted"]:
            linear += frame.layer(name) * np.array(facts["weights"][name], np.float32)
    picture = Image.fromarray(encoded(linear * picture_scale_rgb(snapshot.scene.camera).astype(np.float32)))
    picture.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX), Image.Resampling.LANCZOS)
    stream = io.BytesIO()
    picture.save(stream, "WEBP", quality=QUALITY, method=4)
    return stream.getvalue()
