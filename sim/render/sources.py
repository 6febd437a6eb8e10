"""What a result is computed by: the source of this package that it rests on, and the libraries that shape it.

The source is the import closure of a module: itself and every module of `sim` that it imports, those inside functions
too, and theirs in turn. Imports for the type checker alone run nothing and are left out.
"""

from __future__ import annotations

import ast
import importlib.metadata
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HOME = Path(__file__).resolve().parents[1]
PACKAGE = "sim"

# Bytes of a module's source by its dotted name, None where there is no such module.
Reader = Callable[[str], bytes | None]


@dataclass(frozen=True)
class Closure:
    """Modules of `sim` by dotted name with their bytes, and the libraries that they import, by import name."""

    modules: dict[str, bytes]
    libraries: tuple[str, ...]


def read_module(name: str) -> bytes | None:
    """Source of a module or package of `sim`, None where there is none of this name."""
    way = HOME.joinpath(*name.split(".")[1:])
    for path in (way / "__init__.py", way.with_suffix(".py")):
        if path.is_file() and (path.name == "__init__.py" or way != HOME):
            return path.read_bytes()
    return None


def closure_of(*roots: str, read: Reader = read_module) -> Closure:
    """All that these modules import, directly or not; packages on the way count, since they run first."""
    modules: dict[str, bytes] = {}
    libraries: set[str] = set()
    known: set[str] = set()
    waiting = list(roots)
    while waiting:
        name = waiting.pop()
        if name in known:
            continue
        known.add(name)
        top, _, rest = name.partition(".")
        if top != PACKAGE:
            libraries.add(top)
            continue
        source = read(name)
        if source is None:
            continue
        modules[name] = source
        if rest:
            waiting.append(name.rpartition(".")[0])
        waiting += _imported(source, name if _is_package(name) else name.rpartition(".")[0])
    outside = libraries - sys.stdlib_module_names
    return Closure(dict(sorted(modules.items())), tuple(sorted(outside)))


def versions_of(libraries: tuple[str, ...]) -> tuple[str, ...]:
    """The distributions that hold these libraries, each with its version: `numpy 2.3.1`."""
    return tuple(sorted({f"{name} {importlib.metadata.version(name)}" for name in map(_distribution, libraries)}))


def _distribution(library: str) -> str:
    try:
        return importlib.metadata.distribution(library).metadata["Name"]
    except importlib.metadata.PackageNotFoundError:
        return _holders()[library][0]


@cache
def _holders() -> dict[str, list[str]]:
    return {name: list(holders) for name, holders in importlib.metadata.packages_distributions().items()}


def _is_package(name: str) -> bool:
    return HOME.joinpath(*name.split(".")[1:]).is_dir()


@cache
def _imported(source: bytes, package: str) -> tuple[str, ...]:
    """Every name that a module imports, made absolute; a name taken from a module may be a module itself."""
    names: list[str] = []
    for node in _statements(ast.parse(source).body):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            names.append(stem)
            if stem.partition(".")[0] == PACKAGE:
                names += [f"{stem}.{alias.name}" for alias in node.names]
    return tuple(names)


def _statements(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    """Statements and those inside them; imports are statements, so expressions need no look."""
    for node in body:
        yield node
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            yield from _statements(node.orelse)
            continue
        for field in ("body", "orelse", "finalbody"):
            yield from _statements(getattr(node, field, []))
        for field in ("handlers", "cases"):
            for inner in getattr(node, field, []):
                yield from _statements(inner.body)
