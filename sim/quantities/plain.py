"""Plain data: what JSON can hold, and nothing that it cannot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypeAlias

Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"
PlainDict: TypeAlias = dict[str, Plain]
# Plain data that is walked by a path of keys, each step checked where it is taken and not by types.
Tree: TypeAlias = Any


def plain_from(value: object) -> Plain:
    """Arrays and tuples as lists, infinities and nan as None, so that any JSON reader takes it.

    >>> import numpy as np
    >>> plain_from({"stops": np.array([1.5, np.inf]), 2: ("a", None)})
    {'stops': [1.5, None], '2': ['a', None]}
    """
    match value:
        case Mapping():
            return plain_dict(value)
        case list() | tuple():
            return [plain_from(inner) for inner in value]
        case float() if not math.isfinite(value):
            return None
        case None | bool() | int() | float() | str():
            return value
    # Arrays and their elements, told by what they can do: NumPy itself is not needed to read a scene.
    if hasattr(value, "tolist"):
        return plain_from(value.tolist())
    raise TypeError(f"no plain data: {type(value).__name__}")


def plain_dict(values: Mapping[object, object]) -> PlainDict:
    """The same of a mapping; its keys become text."""
    return {str(key): plain_from(inner) for key, inner in values.items()}
