"""Give damaged files to their reader in this process: `python -m tests.fuzz.child KIND FIRST COUNT FOLDER`.

Prints one line of JSON: how many were taken and refused, the slowest in CPU seconds, and the peak memory in MB. A
fault ends it with the case's number and a traceback; the file of that case stays in FOLDER.
"""

from __future__ import annotations

import json
import random
import resource
import signal
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import numpy as np

from sim.quantities.errors import HalfstopError
from tests.fuzz.seeds import Seed, base_scenes, mesh_seeds, picture_seeds, scene_seeds, study_seeds

# No file may keep a reader busy for longer.
LONGEST_CPU_S = 2.0


class TooSlow(BaseException):
    """A reader that does not come back."""


def mesh(path: Path) -> None:
    from sim.studio.figure.usermesh import figure_from_file

    tones = {"skin": (0.5, 0.4, 0.3), "hair": (0.1, 0.1, 0.1), "cloth": (0.2, 0.2, 0.2)}
    figure = figure_from_file(path, "cm", {}, None, tones)
    for part in figure.parts:
        assert part.triangles.max() < len(part.points_m) and np.isfinite(part.points_m).all()
        assert part.normals is not None and np.isfinite(part.normals).all()
    assert all(np.isfinite(anchor).all() for anchor in figure.anchors_m.values())


def picture(path: Path) -> None:
    from sim.scene.model.sitter import ImageBackdrop
    from sim.studio.backdrop import backdrop_texture

    hung = {"kind": "image", "size": {"width": "1 m", "height": "1.2 m"}, "distance": "2 m", "file": "a.png"}
    texture = backdrop_texture(ImageBackdrop.model_validate(hung).model_copy(update={"file": str(path)}), 10)
    assert np.isfinite(texture).all() and texture.min() >= 0 and texture.max() <= 0.9001


def scene(path: Path) -> None:
    from sim.scene.model.checks import scene_warnings
    from sim.scene.read import load_scene

    scene_warnings(load_scene(path))


def study(path: Path) -> None:
    from sim.sweep.study import load_study

    load_study(path)


KINDS: dict[str, tuple[Callable[[Path], None], Callable[[], list[Seed]]]] = {
    "mesh": (mesh, mesh_seeds),
    "picture": (picture, picture_seeds),
    "scene": (scene, scene_seeds),
    "study": (study, study_seeds),
}


def main(kind: str, first: int, count: int, folder: Path) -> None:
    """Try cases `first` to before `first + count`."""
    read, make_seeds = KINDS[kind]
    seeds = make_seeds()
    base_scenes(folder)
    # Every sound file is taken; what it imports is no time of a case's.
    for name, data, _ in seeds:
        (folder / name).write_bytes(data)
        read(folder / name)
    signal.signal(signal.SIGPROF, _stop)
    warnings.simplefilter("error")
    taken, slowest_s, began = 0, 0.0, time.process_time()
    for case in range(first, first + count):
        rng = random.Random(f"{kind} {case}")
        name, data, ways = seeds[case % len(seeds)]
        path = folder / name
        path.write_bytes(rng.choice(ways)(data, rng))
        (folder / "case").write_text(f"{case} {name}", "utf-8")
        start = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, LONGEST_CPU_S)
        try:
            read(path)
            taken += 1
        except HalfstopError as error:
            assert "\n" not in str(error) and len(str(error)) < 1000, str(error)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
        slowest_s = max(slowest_s, time.process_time() - start)
    result = {"taken": taken, "refused": count - taken, "slowest_s": round(slowest_s, 3),
              "cpu_s": round(time.process_time() - began, 1), "peak_mb": round(peak_mb())}  # fmt: skip
    print(json.dumps(result))


def _stop(signal_number: int, frame: FrameType | None) -> None:
    raise TooSlow


def peak_mb() -> float:
    """Peak memory of this process in MB, since it began where the system tells."""
    status = Path("/proc/self/status")
    if status.exists():
        return int(status.read_text("utf-8").split("VmHWM:")[1].split()[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
