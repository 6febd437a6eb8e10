"""The floors of the package: who may import whom, read from the source."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import sim

ROOT = Path(__file__).resolve().parent.parent
SIM = ROOT / "sim"

# Module or folder of `sim` -> (floor, neighbours on its own floor that it may import).
FLOORS: dict[str, tuple[int, frozenset[str]]] = {
    "errors": (0, frozenset()),
    "units": (0, frozenset({"errors"})),
    "photometry": (0, frozenset({"errors", "units"})),
    "color": (0, frozenset({"errors", "units"})),
    "profiles": (0, frozenset({"errors", "units"})),
    "ies": (0, frozenset({"errors"})),
    "assets": (0, frozenset({"errors"})),
    "model": (1, frozenset()),
    "scenefile": (1, frozenset({"model"})),
    "figure": (1, frozenset({"model"})),
    "gear": (1, frozenset({"model"})),
    "layout": (1, frozenset({"model", "figure", "gear"})),
    "backdrop": (1, frozenset({"model"})),
    "mix": (1, frozenset({"model", "layout"})),
    "verdicts": (1, frozenset()),
    "lightstack": (1, frozenset()),
    "readings": (1, frozenset()),
    "scene_edit": (1, frozenset({"model", "scenefile", "scene_text"})),
    "scene_text": (1, frozenset({"scenefile"})),
    "engine": (2, frozenset()),
    "stage": (2, frozenset()),
    "transport": (3, frozenset()),
    "develop": (4, frozenset()),
    "metering": (4, frozenset()),
    "analysis": (4, frozenset({"metering"})),
    "meterpoints": (4, frozenset({"metering"})),
    "health": (4, frozenset({"develop", "metering"})),
    "balance": (4, frozenset({"metering", "meterpoints", "scene_edit"})),
    "calibrate": (4, frozenset({"metering"})),
    "layercache": (4, frozenset()),
    "finish": (4, frozenset({"develop"})),
    "savefiles": (5, frozenset()),
    "sheets": (5, frozenset()),
    "meterreport": (5, frozenset({"savefiles", "sheets"})),
    "compare": (5, frozenset({"savefiles", "sheets"})),
    "plan": (5, frozenset()),
    "rigview": (5, frozenset({"plan"})),
    "strips": (5, frozenset({"sheets"})),
    "handout": (5, frozenset({"plan"})),
    "paperwork": (5, frozenset({"handout", "plan", "rigview", "savefiles", "strips"})),
    "checkup": (5, frozenset({"eyes_sheet", "savefiles"})),
    "eyes_sheet": (5, frozenset({"sheets"})),
    "latitude_sheet": (5, frozenset({"savefiles", "sheets"})),
    "doctor": (5, frozenset()),
    "preview": (5, frozenset({"meterreport", "savefiles", "sheets"})),
    "sweep": (5, frozenset({"meterreport", "plan", "preview", "savefiles", "sheets"})),
    "room": (
        5,
        frozenset(
            {"checkup", "compare", "eyes_sheet", "handout", "meterreport", "paperwork", "plan", "preview", "rigview"}
            | {"savefiles", "sheets", "strips"}
        ),
    ),
    "bench": (6, frozenset()),
    "cli": (6, frozenset()),
    "__main__": (6, frozenset({"cli"})),
    "__init__": (6, frozenset()),
}
RENDERER = {"mitsuba", "drjit"}
RENDERER_FLOORS = {2, 3}
MODULES = sorted(SIM.rglob("*.py"))


def owner(path: Path) -> str:
    """Top-level module or folder of `sim` that a file belongs to."""
    return path.relative_to(SIM).with_suffix("").parts[0]


def imports(path: Path) -> list[tuple[int, str]]:
    """Every import of a file as (line, dotted name), relative ones made absolute; type-only ones left out."""
    tree = ast.parse(path.read_text("utf-8"))
    typed = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for statement in node.body
        for inner in ast.walk(statement)
    }
    package = ["sim", *path.relative_to(SIM).parts[:-1]]
    found: list[tuple[int, str]] = []
    for node in ast.walk(tree):
        if id(node) in typed:
            continue
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            found += [(node.lineno, stem)] if stem not in ("sim",) else []
            if stem == "sim":
                found += [(node.lineno, f"sim.{alias.name}") for alias in node.names]
    return found


def faults(path: Path) -> list[str]:
    """Each import of a file that the map forbids, as one line."""
    home = owner(path)
    if home not in FLOORS:
        return [f"sim/{home} is on no floor: add it to FLOORS here and to the map in sim/__init__.py"]
    floor, neighbours = FLOORS[home]
    told = []
    for line, name in imports(path):
        top, *rest = name.split(".")
        where = f"{path.relative_to(SIM.parent)}:{line}"
        if top in RENDERER and floor not in RENDERER_FLOORS:
            told.append(f"{where}: imports the renderer ({top}) on floor {floor}")
        if top != "sim" or not rest or rest[0] == "__version__":
            continue
        if rest[0] not in FLOORS:
            told.append(f"{where}: imports sim.{rest[0]}, which is on no floor")
            continue
        other = FLOORS[rest[0]][0]
        if other > floor:
            told.append(f"{where}: floor {floor} imports sim.{rest[0]} of floor {other}")
        elif other == floor and rest[0] != home and rest[0] not in neighbours:
            told.append(f"{where}: imports its neighbour sim.{rest[0]}")
    return told


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(SIM)))
def test_no_import_goes_up_or_sideways(path: Path) -> None:
    assert not faults(path), "\n".join(faults(path))


@pytest.mark.parametrize(
    ("place", "source", "fault"),
    [
        ("photometry.py", "from sim.model import Scene", "floor 0 imports sim.model of floor 1"),
        ("photometry.py", "from sim import model", "floor 0 imports sim.model of floor 1"),
        ("metering.py", "import mitsuba as mi", "imports the renderer (mitsuba) on floor 4"),
        ("metering.py", "def f():\n    import drjit", "imports the renderer (drjit) on floor 4"),
        ("figure/new.py", "from sim.gear import rig", "imports its neighbour sim.gear"),
        ("figure/new.py", "from ..layout import x", "imports its neighbour sim.layout"),
        ("stage/new.py", "import sim.transport.path", "floor 2 imports sim.transport of floor 3"),
        ("model/new.py", "import sim.misc", "imports sim.misc, which is on no floor"),
        ("misc.py", "", "is on no floor"),
    ],
)
def test_the_check_finds_a_planted_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str, source: str, fault: str
) -> None:
    path = tmp_path / "sim" / place
    path.parent.mkdir(parents=True)
    path.write_text(source, "utf-8")
    monkeypatch.setattr(sys.modules[__name__], "SIM", tmp_path / "sim")
    told = faults(path)
    assert len(told) == 1 and fault in told[0]


def test_the_map_in_the_package_docstring_names_every_module() -> None:
    text = sim.__doc__ or ""
    present = {owner(path) for path in MODULES} - {"__init__"}
    missing = [name for name in sorted(present) if name not in text]
    assert not missing, f"add {missing} to the map in sim/__init__.py"


def test_public_names_are_exact() -> None:
    assert sim.__all__ == ["develop", "load_scene", "read_meter", "render"]
    assert set(sim.__all__) <= set(dir(sim))
    with pytest.raises(AttributeError, match="no attribute 'rendr'"):
        _ = sim.rendr


def test_low_floors_leave_the_renderer_out() -> None:
    # Arithmetic, scene files and the weighing of layers must work, and start fast, without the renderer.
    low = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in MODULES
           if FLOORS[owner(path)][0] <= 1 and path.name != "__init__.py"]  # fmt: skip
    assert "sim.photometry" in low and "sim.scenefile" in low
    code = (
        f"import sys, importlib; [importlib.import_module(name) for name in {[*low, 'sim.develop']!r}]; "
        "sys.exit(', '.join(sorted({'mitsuba', 'drjit'} & set(sys.modules))) or None)"
    )
    child = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert child.returncode == 0, child.stderr


def test_public_functions_survive_the_import_of_their_modules(tmp_path: Path) -> None:
    # `develop` is both a module and a public function: the function must win whatever is imported first.
    code = (
        "import sim.develop, sim; first = sim.develop; import sim.metering, sim.develop; "
        "from sim import develop; assert callable(first) and first is develop is sim.develop, first"
    )
    child = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert child.returncode == 0, child.stderr
