"""A process killed outright as it writes one file leaves the old file, and what it left goes with the next that comes.

Each writer runs in a fork that ends by SIGKILL where the half-written file would get its name.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = """
import json, os, shutil, signal, sys
from pathlib import Path
from sim.quantities.assets import asset_path
from sim.render.verdicts import Verdict, VerdictStore
from sim.room.document.scene_document import SceneDocument
from sim.room.home.starts import copied_start
from sim.room.open_scene import OpenScene
from sim.room.versions import Versions
from sim.scene.edit import scene_text_from_file, write_scene_text

EXAMPLE = "classic_two.yaml"

def killed(write):
    child = os.fork()
    if child == 0:
        def kill(*names):
            os.kill(os.getpid(), signal.SIGKILL)
        os.replace = os.link = kill
        write()
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])

def files(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}

class Place:
    def __init__(self, folder):
        self.folder, self.scene, self.state = folder, folder / "scenes" / "set.yaml", folder / "state"
        self.scene.parent.mkdir(parents=True)
        self.state.mkdir()
        shutil.copy(asset_path(EXAMPLE), self.scene)

    def save(self):
        document = SceneDocument.open(self.scene, self.state)
        document.replace(document.text.replace("title: ", "title: Another "), "a title")
        document.save()

    def change(self):
        document = SceneDocument.open(self.scene, self.state)
        document.replace(document.text.replace("title: ", "title: Another "), "a title")

    def open(self):
        SceneDocument.open(self.scene, self.state).close()

    def keep(self):
        opened = OpenScene(self.scene, self.state, "")
        Versions(opened.versions_file).keep("one", "text", opened.snapshot().version_facts, None, None, None)

    def edit(self):
        write_scene_text(scene_text_from_file(self.scene), self.scene.with_name("other.yaml"))

    def copy(self):
        copied_start(EXAMPLE, self.scene.with_name("copy.yaml"))

    def judge(self):
        VerdictStore([self.state / "engines.json"]).put("llvm", Verdict(True, "passed the trial"))

for write, next_use in (("save", "open"), ("save", "save"), ("change", "open"), ("keep", "open"), ("edit", "edit"),
                        ("copy", "copy"), ("judge", "judge")):
    place = Place(Path(sys.argv[1]) / f"{write} {next_use}")
    before = files(place.folder)
    ended = killed(getattr(place, write))
    left = files(place.folder)
    getattr(place, next_use)()
    after = files(place.folder)
    print(json.dumps([write, next_use, ended, all(left[name] == before[name] for name in before),
                      sorted(set(left) - set(before)), sorted(set(after) - set(before))]), flush=True)
"""
# What stays after each next use: the room's lock of a scene is a file that is never removed.
WRITERS = ["save", "save", "change", "keep", "edit", "copy", "judge"]


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> list[list[object]]:
    folder = tmp_path_factory.mktemp("killed")
    child = subprocess.run(
        [sys.executable, "-P", "-c", f"import sys; sys.path.insert(0, {str(ROOT)!r})\n{PROGRAM}", str(folder)],
        cwd=folder, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert child.returncode == 0, child.stderr
    return [json.loads(line) for line in child.stdout.splitlines()]


def test_a_killed_writer_leaves_the_old_file_and_nothing_that_stays(rows: list[list[object]]) -> None:
    assert [row[0] for row in rows] == WRITERS
    for write, next_use, ended, old_is_whole, left, stays in rows:
        what = f"{write}, then {next_use}"
        assert ended == -9 and old_is_whole, what
        assert isinstance(left, list) and any("/.halfstop-pending-" in name for name in left), (what, left)
        assert isinstance(stays, list) and not [name for name in stays if "/." in name], (what, stays)
