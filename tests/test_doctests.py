"""The worked numbers in docstrings: each is run, so none can drift from the code."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

from sim.render.engine import Engine

ROOT = Path(__file__).resolve().parent.parent
MODULES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "sim").rglob("*.py")
    if path.name != "__main__.py" and ">>> " in path.read_text("utf-8")
)


@pytest.mark.parametrize("name", MODULES)
def test_worked_numbers_hold(name: str, engine: Engine) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.attempted > 0 and result.failed == 0
