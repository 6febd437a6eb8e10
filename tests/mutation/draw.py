"""Every fault that could be planted in a module, and a sample of them.

Left out are faults that no module could hold for long: those that do not compile, and those that nothing could meet or
everything would, such as `is` for `==` or a shift in place of a sum. So the share found is of plausible mistakes.
A place in the text is drawn first and then one of its faults, so that a place with many faults counts no more. The
draw goes by a digest of what stands there, so that a change elsewhere leaves most of a sample as it was.
"""

from __future__ import annotations

import difflib
import hashlib
import random
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import parso
from cosmic_ray import plugins
from cosmic_ray.ast import ast_nodes
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from parso.tree import NodeOrLeaf

from tests.mutation.operators import ItemLeftOut, StatementLeftOut

ARITHMETIC = {"Add", "Sub", "Mul", "Div", "FloorDiv", "Mod", "Pow"}
BITS = {"BitOr", "BitAnd", "BitXor"}
IDENTITY = {"Is", "IsNot"}
# An operator by name, and which of its places in the module.
Planted = tuple[str, Operator, int]


@dataclass(frozen=True)
class Fault:
    """A fault in a module: `before` and `after` are the lines that differ, `source` the whole text with it."""

    module: str
    line: int
    operator: str
    before: str
    after: str
    source: str


def plausible_operators() -> dict[str, Operator]:
    """The tool's operators that make plausible mistakes, and our own."""
    operators: dict[str, Operator] = {"ItemLeftOut": ItemLeftOut(), "StatementLeftOut": StatementLeftOut()}
    for full_name in plugins.operator_names():
        made, name = plugins.get_operator(full_name), full_name.partition("/")[2]
        if made.arguments():
            continue
        kind, _, words = name.partition("_")
        ends = set(words.split("_"))
        if kind == "ReplaceBinaryOperator" and not (ends <= ARITHMETIC or ends <= BITS):
            continue
        if kind == "ReplaceComparisonOperator" and len(ends & IDENTITY) == 1:
            continue
        operators[name] = made()
    return operators


def drawn(root: Path, modules: Sequence[str], count: int, seed: str) -> list[Fault]:
    """So many faults of some modules, at places drawn at random from all their places alike."""
    places = sorted(
        (digest([seed, module, *place]), module, faults)
        for module in modules for place, faults in _places(root, module).items()
    )  # fmt: skip
    chosen: list[Fault] = []
    for order, module, faults in places:
        if len(chosen) == count:
            break
        # Try the place's faults in a random order until one compiles.
        for name, operator, occurrence in random.Random(order).sample(faults, len(faults)):
            fault = _fault(root, module, name, operator, occurrence)
            if fault is not None:
                chosen.append(fault)
                break
    return chosen


def _places(root: Path, module: str) -> dict[tuple[str, ...], list[Planted]]:
    """What can be planted at each place of a module: its line and which of that line, its column, the kind of fault."""
    text = (root / module).read_text("utf-8")
    nodes, lines = list(ast_nodes(parso.parse(text))), text.splitlines()
    faults: dict[tuple[str, ...], list[Planted]] = {}
    for name, operator in plausible_operators().items():
        positions = [(node, start) for node in nodes for start, _ in operator.mutation_positions(node)]
        for occurrence, (node, (line, column)) in enumerate(positions):
            if not _is_mark(node, name):
                stands = lines[line - 1]
                place = (stands, str(lines[:line].count(stands)), str(column), name.partition("_")[0])
                faults.setdefault(place, []).append((name, operator, occurrence))
    return faults


def digest(words: Sequence[str]) -> str:
    """A number in hex that is as good as drawn, and always the same for the same words."""
    return hashlib.blake2b("\0".join(words).encode(), digest_size=16).hexdigest()


def _is_mark(node: NodeOrLeaf, operator: str) -> bool:
    """Whether an operator's sign only marks something: a type's alternative, or the end of positional arguments."""
    if not operator.startswith("ReplaceBinaryOperator"):
        return False
    above: NodeOrLeaf | None = node
    while above is not None:
        if above.parent is not None and above.parent.type in ("parameters", "tfpdef", "annassign"):
            return True
        if above.parent is not None and above.parent.type == "funcdef" and above is above.parent.annotation:
            return True
        above = above.parent
        if above is not None and above.type in ("suite", "arglist", "file_input"):
            return False
    return False


def _fault(root: Path, module: str, name: str, operator: Operator, occurrence: int) -> Fault | None:
    """The fault, or None where it cannot be or changes nothing but blanks."""
    before = (root / module).read_text("utf-8")
    after = mutate_code(before, operator, occurrence)
    if after is None:
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            compile(after, module, "exec")
    except SyntaxError:
        return None
    old, new = before.splitlines(), after.splitlines()
    steps = [step for step in difflib.SequenceMatcher(None, old, new, False).get_opcodes() if step[0] != "equal"]
    if not steps:
        return None
    first, last = steps[0], steps[-1]
    old_text, new_text = _text(old[first[1] : last[2]]), _text(new[first[3] : last[4]])
    return Fault(module, first[1] + 1, name, old_text, new_text, after)


def _text(lines: list[str]) -> str:
    return re.sub(r"\s+", " ", " ".join(lines)).strip()
