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

# The rooms of `sim`, one floor a line, lowest first. A module belongs to the longest name that leads to it.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("quantities", "__init__"),
    ("scene/model",),
    ("scene/light_words", "scene/numbers"),
    ("scene/read",),
    ("scene/text",),
    ("scene/edit", "scene/comments"),
    ("studio/figure", "studio/gear", "studio/picture_file"),
    ("studio/backdrop",),
    ("studio/layout", "studio/own_files"),
    ("light/stack", "light/readings"),
    ("light/mix",),
    ("light/develop",),
    ("light/finish",),
    ("render/verdicts",),
    ("render/engine",),
    ("render/sources",),
    ("render/fingerprint",),
    ("render/stage",),
    ("render/transport",),
    ("render/live",),
    ("render/cache",),
    ("metering/points",),
    ("metering/report_points", "metering/health", "metering/calibrate"),
    ("metering/lighting_ratio",),
    ("metering/report",),
    ("session", "advice/finding"),
    ("advice/checks",),
    ("advice/balance", "advice/compare"),
    ("web",),
    ("reports/fonts", "reports/faces"),
    ("reports/files", "reports/plan"),
    ("reports/sheets", "reports/handout", "reports/rig_view", "reports/meter_tables"),
    ("reports/eyes_sheet", "reports/strips", "reports/meter_files", "reports/latitude_files", "reports/compare_files"),
    ("reports/check_files", "reports/plan_files", "reports/handout_files", "reports/finish_files"),
    ("reports/calibrated_scene", "reports/preview"),
    ("room/document", "room/timed_connection"),
    ("room/way_back",),
    ("room/gate",),
    ("room/home",),
    ("room/protocol",),
    ("room/clients", "room/background", "room/snapshot", "room/preview", "room/targets"),
    ("room/open_scene", "room/versions", "room/table"),
    ("room/set_pictures", "room/coordinator", "room/balancing"),
    ("room/hands",),
    ("room/session",),
    ("room/handlers", "room/entrance"),
    ("room/app",),
    ("sweep",),
    ("cli",),
    ("__main__",),
)
RENDERER = {"mitsuba", "drjit"}
WITH_RENDERER = ("render/engine", "render/stage", "render/transport", "render/live")
MODULES = sorted(SIM.rglob("*.py"))


LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}


def room_of(parts: tuple[str, ...]) -> str | None:
    """The room that a module or folder of `sim` belongs to, by the parts of its place; None where it has none."""
    for length in range(len(parts), 0, -1):
        if "/".join(parts[:length]) in LEVEL:
            return "/".join(parts[:length])
    return None


def parts_of(path: Path) -> tuple[str, ...]:
    """Parts of a file's place below `sim`; a package's own file stands for the package."""
    parts = path.relative_to(SIM).with_suffix("").parts
    return parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts


def _room(name: str) -> str | None:
    return room_of(tuple(name.split(".")[1:]))


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
            # A name taken from a package may be a module or room below it.
            deeper = [f"{stem}.{alias.name}" for alias in node.names]
            known = [name for name in deeper if _room(name) != _room(stem)]
            found += [(node.lineno, name) for name in known]
            found += [(node.lineno, stem)] if len(known) < len(deeper) and stem != "sim" else []
            found += [(node.lineno, name) for name in deeper if stem == "sim" and name not in known]
    return found


def faults(path: Path) -> list[str]:
    """Each import of a file that the map forbids, as one line."""
    parts = parts_of(path)
    home = room_of(parts)
    holds_rooms = any(room.startswith("/".join(parts) + "/") for room in LEVEL)
    told = []
    if home is None and not holds_rooms:
        told.append(f"sim/{'/'.join(parts)} is in no room: add it to FLOORS here and to the map in sim/__init__.py")
        return told
    for line, name in imports(path):
        top, *rest = name.split(".")
        where = f"{path.relative_to(SIM.parent)}:{line}"
        if top in RENDERER and home not in WITH_RENDERER:
            told.append(f"{where}: {home} imports the renderer ({top})")
        if top != "sim" or not rest or rest[0] == "__version__":
            continue
        other = room_of(tuple(rest))
        if home is None:
            told.append(f"{where}: a package that only holds rooms imports sim.{'.'.join(rest)}")
        elif other is None:
            told.append(f"{where}: imports sim.{'.'.join(rest)}, which is in no room")
        elif other != home and LEVEL[other] >= LEVEL[home]:
            told.append(f"{where}: {home} imports {other}, which is not below it")
    return told


def lines_of_map() -> list[str]:
    """The map, topmost floor first, as lines to print."""
    return [f"{level:2}  {'  '.join(rooms)}" for level, rooms in reversed(list(enumerate(FLOORS)))]


def test_the_map_is_printed_and_every_room_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print("\n" + "\n".join(lines_of_map()))
    missing = [room for room in LEVEL if not ((SIM / room).is_dir() or (SIM / f"{room}.py").is_file())]
    assert not missing


def test_the_house_stays_small() -> None:
    # Few doors at the top, and no room so full that a reader must search it.
    assert len([p for p in SIM.iterdir() if p.name != "__pycache__"]) <= 16
    crowded = {d: n for d in SIM.rglob("*") if d.is_dir() and d.name != "__pycache__"
               and (n := sum(p.is_file() for p in d.iterdir())) > 25}  # fmt: skip
    assert not crowded


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(SIM)))
def test_no_import_goes_up_or_sideways(path: Path) -> None:
    assert not faults(path), "\n".join(faults(path))


@pytest.mark.parametrize(
    ("place", "source", "fault"),
    [
        ("quantities/units.py", "from sim.scene.model import Scene", "quantities imports scene/model"),
        ("quantities/units.py", "from sim.scene import model", "quantities imports scene/model"),
        ("metering/points.py", "import mitsuba as mi", "imports the renderer (mitsuba)"),
        ("metering/points.py", "def f():\n    import drjit", "imports the renderer (drjit)"),
        ("studio/figure/new.py", "from sim.studio.gear import rig", "studio/figure imports studio/gear"),
        ("studio/figure/new.py", "from ..layout import x", "studio/figure imports studio/layout"),
        ("render/stage/new.py", "import sim.render.transport.path", "render/stage imports render/transport"),
        ("scene/model/new.py", "import sim.misc", "imports sim.misc, which is in no room"),
        ("scene/__init__.py", "import sim.scene.read", "a package that only holds rooms imports"),
        ("misc.py", "", "is in no room"),
        ("room/misc.py", "", "is in no room"),
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
    present = {parts_of(path)[0] for path in MODULES} - {"__init__", "__main__"}
    missing = [name for name in sorted(present) if f"    {name}" not in text]
    assert not missing, f"add {missing} to the map in sim/__init__.py"


def test_public_names_are_exact() -> None:
    assert sim.__all__ == ["Rehearsal", "develop", "load_scene", "read_meter", "render"]
    assert set(sim.__all__) <= set(dir(sim))
    with pytest.raises(AttributeError, match="no attribute 'rendr'"):
        _ = sim.rendr


def test_low_floors_leave_the_renderer_out() -> None:
    # Arithmetic, scene files and the weighing of layers must work, and start fast, without the renderer.
    low = [
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in MODULES
        if parts_of(path)[0] in ("quantities", "scene", "studio", "light") and path.name != "__init__.py"
    ]
    assert "sim.quantities.photometry" in low and "sim.scene.read" in low
    code = (
        f"import sys, importlib; [importlib.import_module(name) for name in {low!r}]; "
        "sys.exit(', '.join(sorted({'mitsuba', 'drjit'} & set(sys.modules))) or None)"
    )
    child = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert child.returncode == 0, child.stderr
