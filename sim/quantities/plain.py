"""Plain data: what JSON can hold, and nothing that it cannot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TypeAlias

import numpy as np

Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"
PlainDict: TypeAlias = dict[str, Plain]


def plain_from(value: object) -> Plain:
    """Arrays and tuples as lists, infinities and nan as None, so that any JSON reader takes it.

    >>> plain_from({"stops": np.array([1.5, np.inf]), 2: ("a", None)})
    {'stops': [1.5, None], '2': ['a', None]}
    """
    match value:
        case Mapping():
            return plain_dict(value)
        case list() | tuple():
            return [plain_from(inner) for inner in value]
        case np.ndarray() | np.generic():
            return plain_from(value.tolist())
        case float() if not math.isfinite(value):
            return None
        case None | bool() | int() | float() | str():
            return value
    raise TypeError(f"no plain data: {type(value).__name__}")


def plain_dict(values: Mapping[object, object]) -> PlainDict:
    """The same of a mapping; its keys become text."""
    return {str(key): plain_from(inner) for key, inner in values.items()}
