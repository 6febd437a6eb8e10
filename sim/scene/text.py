"""The text of a scene file, changed in one place with every other character left alone: comments, order, line ends.

The YAML library tells where a value stands in the text; the new value is written into that place.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence

import yaml
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from sim.quantities import units
from sim.quantities.errors import SceneError
from sim.quantities.plain import Plain, Tree
from sim.scene.read import QUICK_LOADER, key_text

KeyPath = tuple[str | int, ...]
_PLAIN = re.compile(r"(?!-(?:[ \t]|$)|---|\.\.\.)[A-Za-z0-9+\-.][\w .+\-/°·%²'()×]*")
_NOT_TEXT = re.compile(r"true|false|null|~|[+-]?[0-9]+|[+-]?([0-9]+\.[0-9]*|\.?[0-9]+)([eE][+-]?[0-9]+)?", re.I)


class SharedBlock(SceneError):
    """What should be changed stands in more than one place, through an alias."""


def text_with_value(text: str, path: KeyPath, value: object, name: str = "scene") -> str:
    """YAML text with the value at a key path replaced, or added to the block that should hold it.

    Arguments: `value` text, number, bool, dict or list in the YAML form; missing blocks on the way are made.
    Does not: check the result as a scene, or change what several places share through an alias.

    >>> text_with_value("a: {b: 1 m}  # note", ("a", "b"), "2 m")
    'a: {b: 2 m}  # note'
    """
    body = text.removeprefix("\ufeff")
    root = _root(body)
    shared = _shared_nodes(root)
    node = root
    for depth, part in enumerate(path):
        _require_own(node, shared, path[:depth], name)
        child = _child(node, part)
        if child is None:
            inner: object = value
            for key in reversed(path[depth + 1 :]):
                inner = {key: inner}
            start, end, new = _addition(body, node, part, inner, key_text(path), name)
            break
        node = child
    else:
        if id(node) in shared:
            cure = "write the value out in place of the alias (*), then try again"
            line = node.start_mark.line + 1
            raise SharedBlock(name, line, key_text(path), "this value is shared by an alias", "", cure)
        start, end, new = node.start_mark.index, _end(body, node), flow_text(value)
    return _spliced(text, body, start, end, new)


def text_with_block(text: str, path: KeyPath, block: Mapping[str, object], name: str = "scene") -> str:
    """YAML text with a new named block at the end of the block that holds such names, one line for each of its keys.

    Arguments: `block` in the YAML form, its values on one line each; what should hold it is made where it is missing.

    >>> text_with_block("lights:\\n  key: {a: 1}\\n", ("lights", "fill"), {"b": "2 m", "c": [1]})
    'lights:\\n  key: {a: 1}\\n  fill:\\n    b: 2 m\\n    c: [1]\\n'
    """
    body = text.removeprefix("\ufeff")
    root = _root(body)
    shared = _shared_nodes(root)
    home, held = root, 0
    for held, part in enumerate(path):
        _require_own(home, shared, path[:held], name)
        child = _child(home, part)
        if child is None:
            break
        home = child
    else:
        line = home.start_mark.line + 1
        raise SceneError(name, line, key_text(path), "there is one of this name", "a name of its own", "choose another")
    if not isinstance(home, MappingNode) or home.flow_style or not block or any(isinstance(p, int) for p in path):
        return text_with_value(text, path, block, name)
    lines, step = [], "  "
    for depth, key in enumerate(path[held:]):
        lines.append(step * depth + f"{flow_text(key)}:")
    lines += [step * (len(path) - held) + f"{flow_text(key)}: {flow_text(value)}" for key, value in block.items()]
    place, ending, indent = _line_behind(body, home)
    # Set it off by a blank line where its neighbours are.
    starts = [key.start_mark.index for key, _ in home.value[-2:]]
    apart = ending if held == len(path) - 1 and re.search(r"\n[ \t]*\r?\n", body[starts[0] : starts[-1]]) else ""
    return _spliced(text, body, place, place, apart + "".join(ending + indent + line for line in lines))


def text_without(text: str, path: KeyPath, name: str = "scene") -> str:
    """YAML text without the entry at a key path: its lines go, with the comment right above it; all others stay.

    A block or list that would be empty stays as `{}` or `[]`.

    >>> text_without("a:\\n  # on b\\n  b: 1 m  # one\\n\\n  # on c\\n  c: 2 m\\n", ("a", "b"))
    'a:\\n  # on c\\n  c: 2 m\\n'
    """
    body = text.removeprefix("\ufeff")
    key, home, place = _entry(_root(body), path, name)
    starts = [_start(body, home, index) for index in range(len(home.value))]
    values = [entry[1] if isinstance(entry, tuple) else entry for entry in home.value]
    ends = [max(_end(body, value), start + 1) for value, start in zip(values, starts, strict=True)]
    last = place == len(values) - 1
    if len(values) == 1 and home.flow_style:
        start, end, new = home.start_mark.index + 1, home.end_mark.index - 1, ""
    elif len(values) == 1:
        start, end = _lines_of(body, starts[place], ends[place])
        new = "{}" if isinstance(home, MappingNode) else "[]"
        own_lines = not body[body.rfind("\n", 0, start) + 1 : start].strip()
        if key is not None and own_lines:
            # Write what is left behind its key and leave what stands between.
            behind = re.compile(r"[ \t]*:([ \t]+&[^ \t\r\n]+)?").match(body, key.end_mark.index)
            at = behind.end() if behind else start
            start, new = at, f" {new}{body[at:start]}"
        elif own_lines:
            start, end = starts[place], ends[place]
    elif home.flow_style:
        start, end = (ends[place - 1], ends[place]) if last else (starts[place], starts[place + 1])
        new = ""
    else:
        start, end = _lines_of(body, starts[place], ends[place])
        start, end = _with_gap(body, start, end, first_entry=place == 0)
        new = ""
    result = _spliced(text, body, start, end, new)
    _require_change(text, result, path, name)
    return result


def text_renamed(text: str, path: KeyPath, new: str, name: str = "scene") -> str:
    """YAML text with the key at the end of a key path renamed, its block untouched.

    Does not: mend what refers to it by name.

    >>> text_renamed("a: {b: 1 m}  # note", ("a", "b"), "c")
    'a: {c: 1 m}  # note'
    """
    body = text.removeprefix("\ufeff")
    _, home, place = _entry(_root(body), path, name)
    if not isinstance(home, MappingNode):
        line = home.start_mark.line + 1
        raise SceneError(name, line, key_text(path), "an item of a list has no name", "a key", "name a key")
    if any(other.value == new for other, _ in home.value):
        line = home.value[place][0].start_mark.line + 1
        what = f'there is a "{new}" already'
        raise SceneError(name, line, key_text(path), what, "a name of its own", "choose another")
    key = home.value[place][0]
    return _spliced(text, body, key.start_mark.index, key.end_mark.index, flow_text(new))


def text_without_aliases(text: str) -> str:
    """YAML text with every alias (`*name`) written out where it stands, and no anchors (`&name`) left.

    >>> text_without_aliases("a: &head {power: 1/2}  # one\\nb: *head  # two\\n")
    'a: {power: 1/2}  # one\\nb: {power: 1/2}  # two\\n'
    """
    body = text.removeprefix("\ufeff")
    nodes = {(node.start_mark.index, isinstance(node, ScalarNode)): node for node in _nodes(_root(body))}
    anchored: dict[str, Node] = {}
    places: list[tuple[int, int, str]] = []
    for event in yaml.parse(body, Loader=QUICK_LOADER):
        assert event.start_mark is not None and event.end_mark is not None
        start = event.start_mark.index
        if isinstance(event, yaml.AliasEvent):
            places.append((start, event.end_mark.index, flow_text(_plain(anchored[str(event.anchor)]))))
        elif anchor := getattr(event, "anchor", None):
            anchored[anchor] = nodes[start, isinstance(event, yaml.ScalarEvent)]
            behind = re.compile(r"&[^ \t\r\n,\[\]{}]+[ \t]*").match(body, start)
            places += [(start, behind.end(), "")] if behind else []
    for start, end, new in reversed(places):
        if not new and body[end : end + 1] in ("\r", "\n"):
            start = len(body[:start].rstrip(" "))
        body = body[:start] + new + body[end:]
    return text[: len(text) - len(text.removeprefix("\ufeff"))] + body


def data_from_text(text: str) -> Tree:
    """A scene's YAML text as dicts, lists, words, numbers, true and false; aliases are written out.

    Does not: check anything; the text is one that was read as a scene before.

    >>> data_from_text("a: {b: 1 m, c: [2, '3', true]}")
    {'a': {'b': '1 m', 'c': [2, '3', True]}}
    """
    return _plain(_root(text.removeprefix("\ufeff")))


def _plain(node: Node) -> Plain:
    if isinstance(node, MappingNode):
        return {str(key.value): _plain(value) for key, value in node.value}
    if isinstance(node, SequenceNode):
        return [_plain(item) for item in node.value]
    word = str(node.value)
    if getattr(node, "style", None) or not _NOT_TEXT.fullmatch(word):
        return word
    known = {"true": True, "false": False, "null": None, "~": None}
    if word.lower() in known:
        return known[word.lower()]
    return int(word) if re.fullmatch(r"[+-]?[0-9]+", word) else float(word)


def flow_text(value: object) -> str:
    """A value as YAML on one line.

    >>> flow_text({"kind": "softbox", "width": "90 cm", "color": "#ffffff"})
    '{kind: softbox, width: 90 cm, color: "#ffffff"}'
    """
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{flow_text(str(k))}: {flow_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, str):
        plain = _PLAIN.fullmatch(value) and not _NOT_TEXT.fullmatch(value) and value == value.strip()
        return value if plain else json.dumps(value, ensure_ascii=False)
    if isinstance(value, Sequence):
        return "[" + ", ".join(flow_text(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return units.shortest(value) if isinstance(value, (int, float)) else str(value)


def _root(body: str) -> Node:
    root = yaml.compose(body, Loader=QUICK_LOADER)
    assert root is not None
    return root


def _spliced(text: str, body: str, start: int, end: int, new: str) -> str:
    lead = text[: len(text) - len(body)]
    return lead + body[:start] + new + body[end:]


def _require_own(node: Node, shared: set[int], path: KeyPath, name: str) -> None:
    if id(node) in shared:
        cure = "write the block out in place of the alias (*), then try again"
        line = node.start_mark.line + 1
        raise SharedBlock(name, line, key_text(path), "this block is shared by an alias", "", cure)


def _require_change(before: str, after: str, path: KeyPath, name: str) -> None:
    """Refuse a removal that took away anything else: what others share, or what stands in an unusual layout."""
    wanted = data_from_text(before)
    home = wanted
    for part in path[:-1]:
        home = home[part]
    del home[path[-1]]
    try:
        same = data_from_text(after) == wanted
    except yaml.composer.ComposerError:
        what, cure = "something in it is used elsewhere by an alias", "write it out in place of the alias (*) first"
        raise SharedBlock(name, 1, key_text(path), what, "", cure) from None
    except yaml.YAMLError:
        same = False
    if not same:
        what = "the file is laid out in a way that this cannot be taken out of"
        raise SceneError(name, 1, key_text(path), what, "", "take it out in a text editor")


def _entry(root: Node, path: KeyPath, name: str) -> tuple[Node | None, MappingNode | SequenceNode, int]:
    """The key of the block that holds the last part of a key path, that block, and the place of the entry in it."""
    shared = _shared_nodes(root)
    key: Node | None = None
    node: Node | None = root
    for depth, part in enumerate(path[:-1]):
        assert node is not None
        _require_own(node, shared, path[:depth], name)
        above, node = node, _child(node, part)
        if node is None:
            raise _no_place(above, path, name)
        keys = (k for k, _ in above.value) if isinstance(above, MappingNode) else ()
        key = next((k for k in keys if k.value == part), None)
    assert node is not None
    _require_own(node, shared, path[:-1], name)
    part = path[-1] if path else ""
    if isinstance(node, MappingNode):
        for place, (own, _) in enumerate(node.value):
            if own.value == part:
                return key, node, place
    if isinstance(node, SequenceNode) and isinstance(part, int) and 0 <= part < len(node.value):
        return key, node, part
    raise _no_place(node, path, name)


def _no_place(node: Node, path: KeyPath, name: str) -> SceneError:
    line = node.start_mark.line + 1
    what = "there is no such place"
    return SceneError(name, line, key_text(path), what, "a key of the scene", "correct the key path")


def _start(text: str, home: MappingNode | SequenceNode, place: int) -> int:
    """Place of an entry's first character: its key, or the dash of a list."""
    entry = home.value[place]
    if isinstance(entry, tuple):
        return int(entry[0].start_mark.index)
    start: int = entry.start_mark.index
    if home.flow_style:
        return start
    # The dash stands before the item, or alone on a line above it.
    line = text.rfind("\n", 0, start) + 1
    while "-" not in text[line:start].partition("#")[0] and line > 0:
        line = text.rfind("\n", 0, line - 1) + 1
    stop = min(start, _line_end(text, line))
    return line + text[line:stop].partition("#")[0].rfind("-")


def _lines_of(text: str, start: int, end: int) -> tuple[int, int]:
    """Whole lines of an entry of a block, with comments right above it and those below that stand deeper."""
    first = text.rfind("\n", 0, start) + 1
    column = start - first
    stop = _line_end(text, end)
    while _comment_column(text, stop) > column:
        stop = _line_end(text, stop)
    if text[first:start].strip(" "):
        # The entry begins behind something else on its line, as the first key of a list's item does.
        joins = not text[stop : stop + column].strip(" ") and text[stop + column : stop + column + 1].strip(" #\r\n")
        return (start, stop + column) if joins else (start, len(text[:end].rstrip()))
    while first > 0:
        above = text.rfind("\n", 0, first - 1) + 1
        if _comment_column(text, above) != column:
            break
        first = above
    return first, stop


def _with_gap(text: str, first: int, stop: int, *, first_entry: bool) -> tuple[int, int]:
    """Lines to take out, so that one gap is left where there were two, and none at the head of a block."""

    def blank_above(place: int) -> bool:
        return place > 0 and not text[text.rfind("\n", 0, place - 1) + 1 : place].strip()

    if text[text.rfind("\n", 0, first) + 1 : first] or not (first_entry or blank_above(first)):
        return first, stop
    while stop < len(text) and not text[stop : _line_end(text, stop)].strip():
        stop = _line_end(text, stop)
    while stop == len(text) and blank_above(first):
        first = text.rfind("\n", 0, first - 1) + 1
    return first, stop


def _comment_column(text: str, line: int) -> int:
    """How far in a line's comment stands where it holds nothing else; -1 where it is no comment."""
    shown = text[line : _line_end(text, line)]
    inner = shown.lstrip(" ")
    return len(shown) - len(inner) if inner.startswith("#") else -1


def _line_end(text: str, place: int) -> int:
    """Place behind the line end that follows."""
    line_end = text.find("\n", place)
    return len(text) if line_end < 0 else line_end + 1


def _child(node: Node, part: str | int) -> Node | None:
    if isinstance(node, MappingNode):
        return next((child for key, child in node.value if key.value == part), None)
    if isinstance(node, SequenceNode) and isinstance(part, int) and part < len(node.value):
        child: Node = node.value[part]
        return child
    return None


def _shared_nodes(root: Node) -> set[int]:
    """Identities of the nodes that stand in more than one place."""
    seen: set[int] = set()
    shared: set[int] = set()
    for node in _nodes(root):
        (shared if id(node) in seen else seen).add(id(node))
    return shared


def _nodes(root: Node) -> Iterator[Node]:
    """Every value, one that an alias repeats as often as it stands, but not again what is inside of it."""
    seen: set[int] = set()
    waiting = [root]
    while waiting:
        node = waiting.pop()
        yield node
        if id(node) in seen:
            continue
        seen.add(id(node))
        if isinstance(node, MappingNode):
            waiting += [child for _, child in node.value]
        elif isinstance(node, SequenceNode):
            waiting += node.value


def _end(text: str, node: Node) -> int:
    """Place just behind the last character of a value, without the comments that follow it."""
    if isinstance(node, (MappingNode, SequenceNode)) and not node.flow_style and node.value:
        last = node.value[-1]
        return _end(text, last[1] if isinstance(last, tuple) else last)
    end: int = node.end_mark.index
    return len(text[:end].rstrip()) if end > node.start_mark.index else end


def _addition(text: str, node: Node, part: str | int, value: object, path: str, name: str) -> tuple[int, int, str]:
    """Start, end and text of a new entry at the end of a block or of braces."""
    if not isinstance(node, MappingNode) or isinstance(part, int):
        line = node.start_mark.line + 1
        raise SceneError(name, line, path, "there is no such place", "a key of a block", "correct the key path")
    entry = f"{flow_text(part)}: {flow_text(value)}"
    if not node.value:
        return node.start_mark.index, node.end_mark.index, "{" + entry + "}"
    end = _end(text, node.value[-1][1])
    if node.flow_style:
        return end, end, ", " + entry
    place, ending, indent = _line_behind(text, node)
    return place, place, ending + indent + entry


def _line_behind(text: str, node: MappingNode) -> tuple[int, str, str]:
    """Place behind a block's last entry and its comment, the file's line end, and how far in its keys stand."""
    end = _end(text, node.value[-1][1])
    line_end = text.find("\n", end)
    line_end = len(text) if line_end < 0 else line_end
    carriage = text[line_end - 1 : line_end] == "\r"
    place = line_end - 1 if carriage else line_end
    return place, "\r\n" if carriage else "\n", " " * node.value[0][0].start_mark.column
