"""One script from modules that import one another, for a page that is one file and loads nothing.

Each module becomes a function that is called once, in the order of its imports, and gives what it exports; so names of
different modules never meet. Only what the pages use is understood, anything else is refused: `import { a, b as c }`
from a relative path; `export` before `const`, `function`, `async function` or `class`, each of a single name.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

_IMPORT = re.compile(r'^import \{([^}]*)\} from "(\.[^"\n]*)";$', re.MULTILINE)
_EXPORT = re.compile(r"^export (const|(?:async )?function|class) ([A-Za-z_]\w*)", re.MULTILINE)
_LEFT_OVER = re.compile(r"^[ \t]*(?:import|export)\b[^\n]*|\bimport(?:\.meta|\()[^\n]*", re.MULTILINE)
# What a module says of itself to those who read it there.
_DOCUMENTATION = re.compile(r"^[ \t]*/\*\*.*?\*/[ \t]*\n", re.MULTILINE | re.DOTALL)
# What would end a script element, or hide its end, inside a string or a pattern of the script.
_TAG = re.compile(r"<(?=/script|!--|script)", re.IGNORECASE)


class BundleError(ValueError):
    """Modules that cannot become one script: a fault of the source, not of the user."""


def script_from_module(entry: Path) -> str:
    """The script that does what loading the module `entry` would do.

    Does not: hold `export let` or a circle of imports, whose values change after they were given. Raises `BundleError`.
    """
    imports: dict[Path, list[Path]] = {}
    waiting = [entry.resolve()]
    while waiting:
        path = waiting.pop()
        if path not in imports:
            imports[path] = imported_by(path)
            waiting += imports[path]
    try:
        order = list(TopologicalSorter(imports).static_order())
    except CycleError as error:
        raise BundleError(f"a circle of imports: {' -> '.join(path.name for path in error.args[1])}") from None
    # Equal imports give equal scripts, wherever the folder lies.
    bodies = [_function_from_module(path, order) for path in order]
    return _TAG.sub(r"\\x3c", "(() => {\n" + "".join(bodies) + "})();\n")


def imported_by(path: Path) -> list[Path]:
    """The modules that a module imports, in its order. Raises `BundleError`."""
    modules = [(path.parent / place).resolve() for _, place in _IMPORT.findall(path.read_text("utf-8"))]
    missing = [module.name for module in modules if not module.is_file()]
    if missing:
        raise BundleError(f"{path.name} imports {', '.join(missing)}, which is not there")
    return modules


def _function_from_module(path: Path, order: Sequence[Path]) -> str:
    """A module as a constant of the script: what its function gives."""
    text = path.read_text("utf-8")
    if "$module" in text:
        raise BundleError(f"{path.name} uses the name $module, which the script keeps for itself")

    def from_constant(match: re.Match[str]) -> str:
        names = ", ".join(name.strip().replace(" as ", ": ") for name in match[1].split(",") if name.strip())
        return f"const {{ {names} }} = $module{order.index((path.parent / match[2]).resolve())};"

    exports = [name for _, name in _EXPORT.findall(text)]
    body = _DOCUMENTATION.sub("", _EXPORT.sub(r"\1 \2", _IMPORT.sub(from_constant, text)))
    if left_over := _LEFT_OVER.search(body):
        raise BundleError(f"{path.name}: not understood: {left_over[0].strip()}")
    gives = f"return {{ {', '.join(exports)} }};\n" if exports else ""
    return f'const $module{order.index(path)} = (() => {{\n"use strict";\n{body.rstrip()}\n{gives}}})();\n'
