"""Ways to damage a file: its bytes, its words and lines, and the tree that it describes."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable
from typing import Any

BYTES = (0, 1, 9, 10, 13, 32, 34, 39, 45, 58, 91, 123, 127, 128, 200, 255)
WORDS = (
    "-1", "0", "1", "-0.0", "1e300", "-1e308", "1e999", "nan", "inf", "99999999999", "4294967295", "2147483648",
    "-2147483649", "1" * 400, "0x10", "1_000", "true", "null", "~", "[]", "{}", '""', "é漢🙂", "\u2028", "*a", "&a",
    "!!x", "- -", "1/0", "f/0", "500 W·s", "0 m", "-1 m", "1e9 m", "90°", "a b", "../../etc/passwd", "/dev/zero", ":",
    "#",
)  # fmt: skip
VALUES: tuple[object, ...] = (
    None, True, False, 0, -1, 1, 7, 5126, 2**31, 2**63, 10**30, -0.5, 1e300, 1e-300, "", "a", "x" * 300, [], {}, [[]],
    [0], [1e300] * 16, {"a": 1}, "0 m", "-1 m", "1e30 m", "1/0", "f/8", "nan",
)  # fmt: skip


def bytes_damaged(data: bytes, rng: random.Random) -> bytes:
    """The data with one to four faults of copying, transfer and storage."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(out)) if out else 0
        span = rng.randint(1, 40)
        match rng.randrange(9):
            case 0:
                del out[at:]
            case 1:
                out[at:at] = bytes(rng.choices(BYTES, k=rng.randint(1, 8)))
            case 2:
                del out[at : at + span]
            case 3:
                out[at:at] = out[at : at + span] * rng.randint(1, 30)
            case 4 if out:
                out[at] ^= 1 << rng.randrange(8)
            case 5:
                out[at : at + 4] = rng.choice((0, 1, 2**31 - 1, 2**31, 2**32 - 1)).to_bytes(4, "little")
            case 6:
                out[at : at + 4] = rng.choice((0, 1, 2**15, 2**31, 2**32 - 1)).to_bytes(4, "big")
            case 7:
                other = rng.randrange(len(out)) if out else 0
                out[at : at + span], out[other : other + span] = out[other : other + span], out[at : at + span]
            case _ if out:
                out[at] = rng.choice(BYTES)
    return bytes(out)


def words_damaged(data: bytes, rng: random.Random) -> bytes:
    """The text with one to three words or lines replaced, repeated, swapped or lost."""
    lines = data.decode("utf-8", "replace").split("\n")
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(lines))
        match rng.randrange(6):
            case 0:
                lines[at : at + 1] = [lines[at]] * rng.choice((2, 3, 300))
            case 1 if len(lines) > 1:
                del lines[at]
            case 2:
                other = rng.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            case 3:
                lines[at] = " " * rng.randint(0, 6) + lines[at].strip()
            case _:
                words = lines[at].split(" ")
                words[rng.randrange(len(words))] = rng.choice(WORDS)
                lines[at] = " ".join(words)
    return "\n".join(lines).encode("utf-8", "replace")


def tree_damaged(tree: Any, rng: random.Random) -> Any:
    """A tree of dicts, lists and values with one to three branches replaced, moved, renamed or lost."""
    tree = copy.deepcopy(tree)
    for _ in range(rng.randint(1, 3)):
        places = list(_places(tree))
        if not places:
            return rng.choice(VALUES)
        branch, key = rng.choice(places)
        match rng.randrange(6):
            case 0:
                del branch[key]
            case 1:
                branch[key] = copy.deepcopy(rng.choice(places)[0])
            case 2 if isinstance(branch, list):
                branch.extend([copy.deepcopy(branch[key])] * rng.choice((1, 2, 200)))
            case 2:
                branch[rng.choice(("", "name", "x" * 90, "kind", "file"))] = branch.pop(key)
            case 3 if isinstance(branch[key], (int, float)) and not isinstance(branch[key], bool):
                branch[key] = branch[key] * rng.choice((-1, 0, 2, 1000, 1e12)) + rng.choice((0, 1, -1))
            case _:
                branch[key] = copy.deepcopy(rng.choice(VALUES))
    return tree


def _places(tree: Any, depth: int = 0) -> Any:
    if depth > 12:
        return
    keys = list(tree) if isinstance(tree, dict) else range(len(tree)) if isinstance(tree, list) else ()
    for key in keys:
        yield tree, key
        yield from _places(tree[key], depth + 1)


Damage = Callable[[bytes, random.Random], bytes]
