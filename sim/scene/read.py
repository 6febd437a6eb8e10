"""Read a scene file: YAML text to a checked `Scene`, every fault as one line with its place in the file."""

import hashlib
import json
import re
from difflib import get_close_matches
from pathlib import Path
from typing import NoReturn, TypeVar

import yaml
from pydantic import ValidationError

from sim.quantities.errors import SceneError, UnitError, quoted
from sim.quantities.open_file import MOST_BYTES_OF_ANY, UnreadableFile, bytes_from_file, open_file
from sim.quantities.plain import Plain, PlainDict, Tree
from sim.scene.model import FigureFile, IesSource, ImageBackdrop, Scene, scene_schema
from sim.scene.model.block import YAML_KEYS_ONLY, Block, BlockFault

__all__ = [
    "block_from_file",
    "bytes_of_scene_file",
    "load_scene",
    "scene_data_hash",
    "scene_from_bytes",
    "scene_from_text",
    "scene_schema",
]

MOST_BYTES = 64 * 1024
MOST_NODES = 20_000
DEEPEST = 16
Loader = type[yaml.SafeLoader]
# libyaml reads a scene ten times as fast as plain Python, where it is there.
QUICK_LOADER: Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

KeyPath = tuple[str | int, ...]
B = TypeVar("B", bound=Block)


class Lines(dict[KeyPath, int]):
    """The line of every key path of a file; a path that is not in the file has the line of its block."""

    def of(self, path: KeyPath) -> int:
        """Return the line of the longest known beginning of `path`."""
        while path not in self and path:
            path = path[:-1]
        return self.get(path, 1)


def load_scene(path: str | Path) -> Scene:
    """Return the checked scene of a YAML file; raises `SceneError` for every fault of the file."""
    return scene_from_bytes(bytes_of_scene_file(path), str(path), Path(path).parent)


def bytes_of_scene_file(path: str | Path) -> bytes:
    """The bytes of a scene file, unchecked; raises `SceneError` for one that is too large or no plain file."""
    try:
        return bytes_from_file(path, MOST_BYTES)
    except UnreadableFile as error:
        cure = 'check the name, for example "scenes/recital.yaml"'
        raise SceneError(str(path), 1, "", error.why, "a scene file", cure) from None


def scene_from_bytes(data: bytes, name: str = "scene", folder: Path | None = None) -> Scene:
    """Return the checked scene of the bytes of a file; files that it names are looked for in `folder`."""
    if len(data) > MOST_BYTES:
        size = f"at most {MOST_BYTES // 1024} KiB of text"
        raise SceneError(name, 1, "", "the file is too large for a scene", size, "name a scene file")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = f"the byte 0x{data[error.start]:02x} is not UTF-8 text"
        raise SceneError(name, line, "", what, "text in UTF-8", 'save the file in the encoding "UTF-8"') from None
    return scene_from_text(text, name, folder)


def scene_from_text(text: str, name: str = "scene", folder: Path | None = None) -> Scene:
    """Return the checked scene of YAML text; without a folder, the files that it names are not looked for."""
    reader = _Reader(name, text)
    data = reader.data()
    try:
        scene = Scene.model_validate(data, by_alias=True, by_name=False, context=YAML_KEYS_ONLY)
    except ValidationError as error:
        raise _first_fault(error, data, reader.lines, name) from None
    if folder is not None:
        scene.remember_folder(folder)
        _require_files(scene, folder, reader.lines, name)
    return scene


def block_from_file(kind: type[B], path: str | Path, what: str) -> tuple[B, Lines]:
    """Return a checked block of keys read from a YAML file of its own, with the line of every key path.

    Arguments: `kind` the block's class; `what` the kind of file, such as "a file of readings".
    """
    name = str(path)
    try:
        text = bytes_from_file(path, MOST_BYTES).decode("utf-8-sig")
    except (UnreadableFile, UnicodeDecodeError) as error:
        why = error.why if isinstance(error, UnreadableFile) else "not UTF-8 text"
        raise SceneError(name, 1, "", f"cannot be read: {why}", what, "check the name and the file") from None
    reader = _Reader(name, text)
    data = reader.data()
    try:
        return kind.model_validate(data, by_alias=True, by_name=False, context=YAML_KEYS_ONLY), reader.lines
    except ValidationError as error:
        raise _first_fault(error, data, reader.lines, name) from None


def scene_data_hash(scene: Scene) -> str:
    """Return a SHA-256 of what the scene says, whatever its layout, comments and unit spelling.

    Does not: cover the content of the files that the scene names.
    """
    data = json.dumps(scene.model_dump(mode="python"), allow_nan=False, separators=(",", ":"))
    return hashlib.sha256(data.encode("ascii")).hexdigest()


class _Reader:
    """One YAML text turned into dicts, lists, words and numbers, with the line of every key."""

    def __init__(self, name: str, text: str) -> None:
        self.name, self.text = name, text
        self.lines = Lines()
        self._count = 0

    def data(self) -> PlainDict:
        """Return the plain data of the text."""
        if len(self.text) > MOST_BYTES:
            size = f"at most {MOST_BYTES // 1024} KiB of text"
            raise SceneError(self.name, 1, "", "the text is too large for a scene", size, "name a scene file")
        try:
            root = self._composed(QUICK_LOADER)
        except (yaml.YAMLError, UnicodeEncodeError):
            # Let the plain reader have the last word, and word the fault.
            try:
                root = self._composed(yaml.SafeLoader)
            except yaml.YAMLError as error:
                raise self._syntax_fault(error) from None
        if root is None:
            self._refuse(1, (), "the file is empty", "a scene", 'begin with "halfstop: 1"')
        if not isinstance(root, yaml.MappingNode):
            self._refuse(_line(root), (), "no keys at the top", "keys such as title:", 'begin with "halfstop: 1"')
        self.lines[()] = _line(root)
        data = self._plain(root, (), ())
        assert isinstance(data, dict)
        return data

    def _composed(self, loader: Loader) -> yaml.Node | None:
        self._check_events(loader)
        return yaml.compose(self.text, Loader=loader)

    def _check_events(self, loader: Loader) -> None:
        """Refuse deep nesting, tags and further documents before anything is built from them."""
        depth = documents = 0
        for event in yaml.parse(self.text, Loader=loader):
            line = 1 if event.start_mark is None else event.start_mark.line + 1
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._refuse(line, (), "a second document begins", "one scene in a file", 'remove the "---"')
            tag = getattr(event, "tag", None)
            if tag is not None:
                tag = str(tag).replace("tag:yaml.org,2002:", "!!")
                self._refuse(line, (), f"got the tag {quoted(tag)}", "plain values", "remove the tag")
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
                if depth > DEEPEST:
                    self._too_deep(line, ())
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1

    def _plain(self, node: yaml.Node, path: KeyPath, above: tuple[int, ...]) -> Plain:
        self._count += 1
        if id(node) in above:
            self._refuse(self.lines.of(path), path, "an alias that contains itself", "values", "write the value out")
        if self._count > MOST_NODES:
            what = "the aliases of this file expand without measure"
            self._refuse(_line(node), path[:1], what, f"at most {MOST_NODES} values", "write the values out")
        if len(path) > DEEPEST:
            self._too_deep(_line(node), path[:1])
        above = (*above, id(node))
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, path, above)
        if isinstance(node, yaml.SequenceNode):
            items = []
            for place, item in enumerate(node.value):
                self.lines[(*path, place)] = _line(item)
                items.append(self._plain(item, (*path, place), above))
            return items
        assert isinstance(node, yaml.ScalarNode)
        return self._scalar(node, path)

    def _mapping(self, node: yaml.MappingNode, path: KeyPath, above: tuple[int, ...]) -> PlainDict:
        block: PlainDict = {}
        own_lines: dict[str, int] = {}
        for key_node, value_node in node.value:
            line = _line(key_node)
            if not isinstance(key_node, yaml.ScalarNode):
                self._refuse(line, path, "a list or block stands as a key", "a word as key", "write a word")
            key = key_node.value
            inside = (*path, key)
            if key == "<<" and not key_node.style:
                cure = "write the keys out, or use an alias for the whole block"
                self._refuse(line, inside, "merge keys are not read", "keys of this block", cure)
            if key in block:
                what = f"this key is written twice, first on line {own_lines[key]}"
                self._refuse(line, inside, what, "every key once", "remove or rename one of them")
            own_lines[key] = self.lines[inside] = line
            block[key] = self._plain(value_node, inside, above)
        return block

    def _scalar(self, node: yaml.ScalarNode, path: KeyPath) -> Plain:
        text: str = node.value
        if node.style:
            return text
        # Read plain words by the YAML 1.2 core rules: on, yes, 1:30 and 1_000 stay words.
        if text in ("", "~", "null", "Null", "NULL"):
            self._no_value(node, path)
        if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
            return text.lower() == "true"
        if re.fullmatch(r"[+-]?[0-9]{1,15}", text):
            return int(text)
        if re.fullmatch(r"[+-]?([0-9]+\.[0-9]*|\.?[0-9]+)([eE][+-]?[0-9]+)?", text):
            number = float(text)
            return number if abs(number) < 1e300 else text
        return text

    def _no_value(self, node: yaml.ScalarNode, path: KeyPath) -> NoReturn:
        line = self.lines.of(path)
        rest = self.text.splitlines()[line - 1].partition(":")[2].strip() if path else ""
        color = re.match(r"#[0-9a-fA-F]{3,6}\b", rest)
        if color:
            what = f"{color.group(0)} is read as a comment"
            self._refuse(line, path, what, "a colour in quotes", f'write "{color.group(0)}" with the quotes')
        if re.match(r"[0-9]", str(path[-1]) if path else ""):
            what = f"{quoted(path[-1])} stands alone after a comma"
            self._refuse(line, path, what, "numbers with a decimal point", 'write "6.5 m" with a point')
        self._refuse(line, path, "no value is written here", "a value", "write a value or remove the key")

    def _syntax_fault(self, error: yaml.YAMLError) -> SceneError:
        if isinstance(error, yaml.reader.ReaderError):
            line = self.text.count("\n", 0, error.position) + 1
            what = f"the character U+{int(error.character):04X} is not allowed"
            return SceneError(self.name, line, "", what, "plain text", "remove the character")
        mark, before = getattr(error, "problem_mark", None), getattr(error, "context_mark", None)
        problem, context = str(getattr(error, "problem", "") or ""), str(getattr(error, "context", "") or "")
        if before is not None and ("flow" in context or "quoted" in context or "simple key" in context):
            mark = before
        line = mark.line + 1 if mark is not None else 1
        line = min(line, self.text.rstrip().count("\n") + 1)
        for sign, what, cure in _SYNTAX:
            if sign in problem or sign in context:
                return SceneError(self.name, line, "", what, "a YAML file", cure)
        return SceneError(self.name, line, "", f"not readable as YAML: {problem}", "a YAML file", "correct this line")

    def _too_deep(self, line: int, path: KeyPath) -> NoReturn:
        self._refuse(line, path, "blocks are nested too deeply", f"at most {DEEPEST} levels", "remove some levels")

    def _refuse(self, line: int, path: KeyPath, what: str, expected: str, cure: str) -> NoReturn:
        raise SceneError(self.name, line, key_text(path), what, expected, cure)


# Parts of the parser's messages, what they mean to the writer of a scene, and a cure; first match counts.
_SYNTAX = (
    ("'\\t'", "a tab stands where spaces belong", "indent with spaces"),
    ("tab", "a tab stands where spaces belong", "indent with spaces"),
    ("undefined alias", "an alias (*name) without its anchor (&name)", "write the value out"),
    ("duplicate anchor", "an anchor (&name) is used twice", "rename one of them"),
    (
        "mapping values are not allowed",
        "a colon too many, or a wrong indent",
        "put text that has a colon in quotes",
    ),
    ("simple key", "a colon is missing after a key", 'write "key: value"'),
    ("quoted scalar", "a quotation mark is not closed", "close the quotation mark"),
    ("flow mapping", "a { is not closed, or a comma is missing inside it", "write {key: value, key: value}"),
    ("flow sequence", "a [ is not closed, or a comma is missing inside it", "write [0 m, 1.4 m, 4 m]"),
    ("block mapping", "a wrong indent", "indent the keys of a block by the same number of spaces"),
    ("block collection", "a wrong indent", 'begin every item of a list with "- " under the last one'),
    ("any token", "a character that cannot begin a value", "put the value in quotes"),
    ("node content", "a value is missing here", 'write "key: value", and a comma only between two of them'),
    ("alphabetic or numeric", "a * or & without a name", "put the text in quotes"),
    ("chomping", "a | or > in front of a value", "put the text in quotes"),
    ("comment or a line break", "a | or > in front of a value", "put the text in quotes"),
    ("sequence entries", "a list item where none belongs", 'begin items with "- " on lines of their own'),
    ("document start", "text after the end of the scene", "indent it as the other keys, or remove it"),
    ("incompatible YAML", "another version of YAML is asked for", "remove the line that begins with %"),
)


def key_text(path: KeyPath) -> str:
    """Return a key path as text: keys joined by dots, places of a list in brackets from 0.

    >>> key_text(("lights", "key", "gels", 0, "mired"))
    'lights.key.gels[0].mired'
    """
    return "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def _first_fault(error: ValidationError, data: Plain, lines: Lines, name: str) -> SceneError:
    """Return the fault that stands first in the file, in words."""
    faults: list[tuple[int, int, KeyPath, UnitError, bool]] = []
    for detail in error.errors(include_url=False, include_input=True):
        path = _path_in_data(detail["loc"], data)
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, BlockFault):
            path = (*path, *cause.where)
        if not isinstance(cause, UnitError):
            cause = _in_words(str(detail["type"]), str(detail["msg"]), detail["input"])
        if detail["type"] != "default_factory_not_called":
            faults.append((lines.of(path), len(faults), path, cause, not detail["loc"]))
    line, _, path, cause, between_blocks = min(faults, key=lambda fault: fault[:2])
    fault = SceneError(name, line, key_text(path), cause.what, cause.expected, cause.cure)
    fault.between_blocks = between_blocks
    return fault


def _path_in_data(location: tuple[int | str, ...], data: Tree) -> KeyPath:
    """Return the key path of an error's location, without the tags of unions that it holds."""
    path: list[str | int] = []
    for part in location:
        inside = isinstance(data, dict) and part in data
        if inside or (isinstance(data, list) and isinstance(part, int) and part < len(data)):
            data = data[part]
            path.append(part)
    return tuple(path)


def _in_words(kind: str, message: str, value: object) -> UnitError:
    if kind in ("dict_type", "mapping_type"):
        return UnitError(f"got {quoted(value)}", "a block of names", "write the names below, indented")
    if kind in ("tuple_type", "list_type"):
        return UnitError(f"got {quoted(value)}", "a list", 'begin every item with "- ", or write [item, item]')
    if kind == "too_short":
        return UnitError("nothing is written here", "one or more", "add one, or remove the key")
    if kind == "too_long":
        most = re.search(r"at most (\d+)", message)
        return UnitError("too many are written here", f"at most {most.group(1) if most else 'some'}", "remove some")
    return UnitError(message[:1].lower() + message[1:], "a valid value", "correct it")


def _require_files(scene: Scene, folder: Path, lines: Lines, name: str) -> None:
    """Raise `SceneError` for the first file that the scene names and that is not there, or is no plain file."""
    wanted: list[tuple[KeyPath, str]] = []
    if isinstance(scene.sitter.figure, FigureFile):
        wanted.append((("sitter", "figure", "file"), scene.sitter.figure.file))
    if isinstance(scene.backdrop, ImageBackdrop):
        wanted.append((("backdrop", "file"), scene.backdrop.file))
    for light_name, light in scene.lights.items():
        if isinstance(light.source, IesSource):
            wanted.append((("lights", light_name, "source", "file"), light.source.file))
    for path, file in sorted(wanted, key=lambda item: lines.of(item[0])):
        try:
            open_file(folder / file, MOST_BYTES_OF_ANY).close()
        except UnreadableFile as error:
            raise _no_file(folder, file, error.why, lines.of(path), key_text(path), name) from None


def _no_file(folder: Path, file: str, why: str, line: int, key: str, name: str) -> SceneError:
    """The fault of a file that cannot be opened, with the name that was meant where one lies beside."""
    expected = "a file beside the scene file"
    beside = [entry.name for entry in folder.iterdir()] if folder.is_dir() else []
    if file in beside:
        return SceneError(name, line, key, f"{quoted(file)}: {why}", expected, "name a plain file that can be read")
    near = get_close_matches(file, beside, 1, 0.6)
    cure = f'write "{near[0]}"' if near else "put the file there, or correct the name"
    return SceneError(name, line, key, f"there is no file {quoted(file)}", expected, cure)
