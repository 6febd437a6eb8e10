"""Damaged meshes, pictures, scenes and studies: no traceback, no wait, little memory; the same cases every time."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
# Cases of the short form; the slow one tries ten times as many others.
COUNTS = {"mesh": 2000, "picture": 1000, "scene": 2000, "study": 500}
SLOW_FACTOR = 10
# CPU seconds that one file may take, and all of the short form together, on one core.
LONGEST_S, ALL_SHORT_S = 2.0, 60.0
# Of the whole process with all that it imports; small files must not ask for more.
MOST_MB = 300


def tried(kind: str, first: int, count: int, folder: Path) -> dict[str, float]:
    """What a process of its own says of so many cases; a fault shows its traceback and case."""
    command = [sys.executable, "-m", "tests.fuzz.child", kind, str(first), str(count), str(folder)]
    child = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, errors="replace", timeout=1500)
    case = folder / "case"
    place = case.read_text("utf-8") if case.exists() else "the sound files"
    assert child.returncode == 0, f"{kind}, case {place}: {child.stdout[-300:]}\n{child.stderr[-2500:]}"
    result: dict[str, float] = json.loads(child.stdout.splitlines()[-1])
    print(f"{kind}: {result}")
    assert result["slowest_s"] < LONGEST_S
    assert result["peak_mb"] < MOST_MB
    # A mutator that breaks every file, or none, tests little.
    assert result["taken"] > count // 100 and result["refused"] > count // 10
    return result


@pytest.mark.parametrize("kind", COUNTS)
def test_damaged_files_end_in_a_result_or_one_line(kind: str, tmp_path: Path) -> None:
    result = tried(kind, 0, COUNTS[kind], tmp_path)
    assert result["cpu_s"] < ALL_SHORT_S / len(COUNTS)


@pytest.mark.slow
@pytest.mark.parametrize("kind", COUNTS)
def test_ten_times_as_many_damaged_files(kind: str, tmp_path: Path) -> None:
    tried(kind, COUNTS[kind], SLOW_FACTOR * COUNTS[kind], tmp_path)
