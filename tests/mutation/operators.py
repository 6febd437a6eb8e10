"""Faults beside those of the mutation tool: what a tired hand leaves out."""

from __future__ import annotations

from collections.abc import Iterator

from cosmic_ray.operators.operator import Example, Operator
from parso.python.tree import Keyword
from parso.tree import BaseNode, NodeOrLeaf

Place = tuple[tuple[int, int], tuple[int, int]]


class ItemLeftOut(Operator):
    """Leaves out one of three or more items of a tuple, list, set or mapping, or a named argument of a call."""

    def mutation_positions(self, node: NodeOrLeaf) -> list[Place]:
        # All at once: the tool goes on counting after it has mutated.
        return [(node.children[start].start_pos, node.children[end - 1].end_pos) for start, end in _items(node)]

    def mutate(self, node: BaseNode, index: int) -> BaseNode:
        start, end = list(_items(node))[index]
        # Take the comma behind along, where there is one.
        del node.children[start : end + 1]
        return node

    @classmethod
    def examples(cls) -> tuple[Example, ...]:
        return (Example("(a, b, c)", "( b, c)"), Example("f(a, b, key=c)", "f(a, b,)"))


class StatementLeftOut(Operator):
    """Leaves out a call whose result nobody takes, a raise, or a change of a value in its place."""

    def mutation_positions(self, node: NodeOrLeaf) -> Iterator[Place]:
        if node.type == "simple_stmt" and _does_something(node.children[0]):
            yield node.start_pos, node.end_pos

    def mutate(self, node: BaseNode, index: int) -> BaseNode:
        first = node.children[0].get_first_leaf()
        node.children[0] = Keyword("pass", first.start_pos, first.prefix)
        return node

    @classmethod
    def examples(cls) -> tuple[Example, ...]:
        return (Example("os.fsync(handle)\n", "pass\n"),)


def _items(node: NodeOrLeaf) -> Iterator[tuple[int, int]]:
    """Where among its children the items of a row lie, start and end."""
    if node.type not in ("testlist_comp", "dictorsetmaker", "arglist"):
        return
    commas = [place for place, child in enumerate(node.children) if child.type == "operator" and child.value == ","]
    if len(commas) < 2 and node.type != "arglist":
        return
    starts, ends = [0, *(place + 1 for place in commas)], [*commas, len(node.children)]
    for start, end in zip(starts, ends, strict=True):
        if start < end and (node.type != "arglist" or _is_named(node.children[start])):
            yield start, end


def _is_named(argument: NodeOrLeaf) -> bool:
    return argument.type == "argument" and argument.children[1].type == "operator" and argument.children[1].value == "="


def _does_something(statement: NodeOrLeaf) -> bool:
    match statement.type:
        case "raise_stmt":
            return True
        case "atom_expr":
            return statement.children[-1].type == "trailer" and statement.children[-1].children[0].value == "("
        case "expr_stmt":
            return statement.children[1].type == "operator" and statement.children[1].value != "="
    return False
