"""A run that is killed outright at any step of writing its folder leaves the old files or the new ones, never a mix.

A child process forks one run for each step: the audit hook of the interpreter stops it, by SIGKILL, just before its
n-th call that touches the file system.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from sim.reports.files import MANIFEST

ROOT = Path(__file__).resolve().parents[2]
RUNS = """
import json, os, signal, sys
from pathlib import Path
from sim.reports.files.folder import ResultFolder

base = Path(sys.argv[1])
WATCHED = ("open", "os.", "fcntl.", "shutil.", "tempfile.")
OLD = {"key.txt": "old key", "fill.txt": "old fill", "gone.txt": "old only", "gone 2.txt": "old only"}
NEW = {"key.txt": "new key", "fill.txt": "new fill", "rim.txt": "new only", "rim 2.txt": "new only"}

def put(folder, texts):
    with ResultFolder(folder) as result:
        for name, text in texts.items():
            result.stage(name).write_text(text)
        result.commit()

def texts_of(folder):
    paths = folder.iterdir()
    return {path.name: path.read_text() for path in paths if path.is_file() and path.name[0] != "."}

def killed_at(step, folder):
    child = os.fork()
    if child == 0:
        calls = 0
        def hook(event, arguments):
            nonlocal calls
            if event.startswith(WATCHED):
                calls += 1
                if calls == step:
                    os.kill(os.getpid(), signal.SIGKILL)
        sys.addaudithook(hook)
        try:
            put(folder, NEW)
        except BaseException:
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])

step, ended = 0, -signal.SIGKILL
while ended == -signal.SIGKILL:
    step += 1
    folder = base / str(step)
    put(folder, OLD)
    (folder / "notes.txt").write_text("mine")
    ended = killed_at(step, folder)
    # The next run that comes to the folder, even one that then is refused, finds one set.
    ResultFolder(folder).require_usable([])
    after = texts_of(folder)
    hidden = sorted(path.name for path in folder.iterdir() if path.name[0] == ".")
    mine = after.pop("notes.txt", "")
    is_old, is_new = after == OLD, after == NEW
    put(folder, {"key.txt": "newest"})
    last = sorted(path.name for path in folder.iterdir())
    print(json.dumps([step, ended, is_old, is_new, mine, hidden, last]), flush=True)
"""


def test_killed_before_every_call_the_folder_holds_the_old_files_or_the_new(tmp_path: Path) -> None:
    child = subprocess.run(
        [sys.executable, "-c", RUNS, str(tmp_path)], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert child.returncode == 0, child.stderr
    rows = [json.loads(line) for line in child.stdout.splitlines()]
    decided = [is_new for _, _, _, is_new, *_ in rows]
    for step, _, is_old, is_new, mine, hidden, last in rows:
        assert is_old != is_new, f"a mix after step {step}"
        assert mine == "mine" and hidden == [MANIFEST], step
        assert last == [MANIFEST, "key.txt", "notes.txt"], step
    # Once the new files are decided, they stay so.
    assert decided == sorted(decided) and decided.count(False) > 15 and decided.count(True) > 15
    assert rows[-1][1] == 0


def test_a_first_run_that_is_killed_leaves_nothing_that_the_next_cannot_take_away(tmp_path: Path) -> None:
    program = (
        "import os, signal, sys; from pathlib import Path; from sim.reports.files import ResultFolder\n"
        "with ResultFolder(Path(sys.argv[1])) as folder:\n"
        "    folder.stage('key.txt').write_text('half')\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    folder = tmp_path / "new"
    child = subprocess.run([sys.executable, "-c", program, str(folder)], cwd=ROOT, timeout=60, check=False)
    assert child.returncode == -9 and len(list(folder.iterdir())) == 1
    from sim.reports.files import ResultFolder

    ResultFolder(folder).require_usable(["key.txt"])
    assert not list(folder.iterdir())
