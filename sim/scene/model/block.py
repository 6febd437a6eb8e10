"""What every block of keys shares: frozen, unknown keys refused by name, missing keys shown by example."""

from collections.abc import Callable, Sequence
from difflib import get_close_matches
from typing import get_args

from pydantic import BaseModel, ConfigDict, ValidationInfo, model_validator

from sim.quantities.errors import UnitError, quoted
from sim.quantities.plain import PlainDict

YAML_KEYS_ONLY = {"yaml_keys_only": True}


class BlockFault(UnitError):
    """A fault between several values of a block: a `UnitError` with the keys that lead to the offender."""

    def __init__(self, where: Sequence[str | int], what: str, expected: str = "", cure: str = "") -> None:
        super().__init__(what, expected, cure)
        self.args = (tuple(where), what, expected, cure)
        self.where = tuple(where)


class Block(BaseModel):
    """A block of keys in the scene file: frozen, unknown keys forbidden, YAML keys as aliases."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        validate_by_name=True,
        validate_by_alias=True,
        field_title_generator=lambda name, info: (info.alias or name).replace("_", " ").capitalize(),
    )

    @model_validator(mode="before")
    @classmethod
    def _require_known_keys(cls, data: object, info: ValidationInfo) -> object:
        if isinstance(data, Block):
            return data
        keys = {field.alias or name: (name, field) for name, field in cls.model_fields.items()}
        if not isinstance(data, dict):
            raise UnitError(
                f"got {quoted(data)}",
                f"a block of keys: {_listed(list(keys))}",
                "write the keys below, indented",
            )
        allowed = set(keys) if info.context == YAML_KEYS_ONLY else {*keys, *cls.model_fields}
        for key in data:
            if key not in allowed:
                near = get_close_matches(str(key).lower(), list(keys), 1, 0.6)
                cure = f'write "{near[0]}"' if near else "remove it"
                raise BlockFault((key,), f"unknown key {quoted(key)}", f"one of: {', '.join(keys)}", cure)
        for key, (name, field) in keys.items():
            if field.is_required() and key not in data and name not in data:
                example = f'add "{key}: {_inline(field.examples[0])}"' if field.examples else f'add "{key}:"'
                about = (field.description or "").rstrip(".")
                raise BlockFault((key,), "this key is missing", about[:1].lower() + about[1:], example)
        return data


def kind_check(
    noun: str, *classes: type[Block], block_of: Callable[[str], PlainDict] | None = None
) -> Callable[[object], object]:
    """Return a check, to run before a union by `kind`, that the key `kind` is there and is known.

    Arguments: `block_of` the block that a person means by some words, to write into the cure; raises `UnitError`.
    """
    kinds = [get_args(c.model_fields["kind"].annotation)[0] for c in classes]

    def meant(words: object) -> str:
        if block_of is None or not isinstance(words, str):
            return ""
        try:
            block = block_of(words)
        except UnitError:
            return ""
        return ", ".join(f"{key}: {value}" for key, value in block.items())

    def check(data: object) -> object:
        if isinstance(data, Block):
            return data
        if not isinstance(data, dict):
            cure = meant(data) or f"kind: {_example(data, kinds)}"
            raise UnitError(f"got {quoted(data)}", f"{noun}: a block with kind", f'write "{{{cure}}}"')
        kind = data.get("kind")
        if kind is None:
            raise BlockFault(("kind",), "this key is missing", f"{noun}: {', '.join(kinds)}", f'add "kind: {kinds[0]}"')
        if kind not in kinds and (block := meant(kind)):
            expected, _ = choice_help(noun, kind, kinds)
            raise BlockFault(("kind",), f"got {quoted(kind)}", expected, f'write "{{{block}}}" in place of this block')
        if kind not in kinds:
            raise BlockFault(("kind",), f"got {quoted(kind)}", *choice_help(noun, kind, kinds))
        return data

    return check


def choice_help(noun: str, value: object, names: Sequence[str]) -> tuple[str, str]:
    """Return what was expected and a cure for a word that is none of `names`."""
    expected = f"{noun}: {', '.join(names)}"
    word = value.strip().lower() if isinstance(value, str) else ""
    meaning, note = SYNONYMS.get(word, ("", ""))
    if meaning in names:
        return expected, f'write "{meaning}"{note}'
    near = get_close_matches(word, names, 1, 0.6)
    return expected, f'write "{near[0]}"' if near else f'write one of them, such as "{names[0]}"'


def _example(value: object, names: Sequence[str]) -> str:
    word = value.strip().lower() if isinstance(value, str) else ""
    return word if word in names else names[0]


# Words that people use for a choice and that no spelling leads to; what else to write after the cure.
SYNONYMS = {
    "sitting": ("seated", ""),
    "sat": ("seated", ""),
    "on a chair": ("seated", ""),
    "upright": ("standing", ""),
    **dict.fromkeys(("tungsten", "halogen", "incandescent"), ("continuous", ' and beside source "color: 3200 K"')),
    **dict.fromkeys(("led", "hmi", "fluorescent", "video light", "lamp"), ("continuous", "")),
    **dict.fromkeys(("strobe", "studio flash", "monolight", "speedlight"), ("flash", "")),
    "octa": ("octabox", ""),
    "honeycomb": ("reflector", ' with "grid: 20°"'),
    "bare bulb": ("bare", ""),
    "reflected": ("spot", ""),
    "incident": ("dome", ""),
}


def _listed(names: list[str]) -> str:
    return ", ".join(names[:6]) + (", ..." if len(names) > 6 else "")


def _inline(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_inline(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_inline(item)}" for key, item in value.items()) + "}"
    return f"'{value}'" if str(value).startswith("#") else str(value)
