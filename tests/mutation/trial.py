"""One fault in a copy of the tree, and the tests that must find it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.mutation.draw import Fault

# A fault that makes a test go on without end is found when it has taken so many times what it takes otherwise.
PATIENCE, LEAST_S = 4.0, 60.0


class Copy:
    """A copy of the tree in a folder of its own, in which faults are planted one after the other."""

    def __init__(self, root: Path, folder: Path) -> None:
        self.folder = folder
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=root, capture_output=True, check=True, text=True,
        ).stdout  # fmt: skip
        for name in filter(None, listed.split("\0")):
            if (root / name).is_file():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(root / name, folder / name)
        (folder / ".venv").symlink_to((root / ".venv").resolve())

    def finds(self, fault: Fault, tests: Sequence[str], limit_s: float) -> bool:
        """Whether some test fails, or goes on past the limit, with a fault planted."""
        module = self.folder / fault.module
        sound = module.read_bytes()
        module.write_text(fault.source, "utf-8")
        try:
            return self.passes(tests, limit_s) is None
        finally:
            module.write_bytes(sound)

    def passes(self, tests: Sequence[str], limit_s: float) -> float | None:
        """How many seconds the tests take, or None where one fails or they take longer."""
        # Never take a module compiled from another fault's text.
        environment = os.environ | {
            "PYTHONPATH": str(self.folder), "PYTHONDONTWRITEBYTECODE": "1", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
            "HYPOTHESIS_STORAGE_DIRECTORY": str(self.folder / ".hypothesis"),
        }  # fmt: skip
        started = time.monotonic()
        child = subprocess.Popen(
            [sys.executable, "-P", "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests],
            cwd=self.folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            start_new_session=True,
        )  # fmt: skip
        try:
            said, _ = child.communicate(timeout=limit_s)
        except subprocess.TimeoutExpired:
            os.killpg(child.pid, signal.SIGKILL)
            child.communicate()
            return None
        if child.returncode in (4, 5) and "ImportError while loading conftest" not in said:
            raise SystemExit(f"no tests were run by {' '.join(tests)}: {said[-2000:]}")
        return time.monotonic() - started if child.returncode == 0 else None

    def limit_s(self, tests: Sequence[str], modules: Sequence[str]) -> float:
        """Time to give to tests; stops where they fail without a fault, or because the text is any other at all."""
        for module in modules:
            with (self.folder / module).open("a", encoding="utf-8") as text:
                text.write("# Not a fault.\n")
        took = self.passes(tests, 1800.0)
        if took is None:
            raise SystemExit(f"these tests fail without a fault: {' '.join(tests)}")
        return max(LEAST_S, PATIENCE * took)
