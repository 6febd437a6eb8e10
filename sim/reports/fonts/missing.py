"""The signs that no font of this machine has, kept until they are named, once."""

from __future__ import annotations

_missing: set[str] = set()


def note(sign: str) -> None:
    """Remember a sign that was drawn as a box."""
    _missing.add(sign)


def take_line() -> str | None:
    """One line that names every sign noted since the last time, with a cure; None where there is none.

    >>> note("\u05d0")
    >>> take_line()
    'no font on this machine has א (U+05D0), drawn as a box; install one, on Debian fonts-noto-core or fonts-noto-cjk'
    >>> take_line() is None
    True
    """
    if not _missing:
        return None
    signs = sorted(_missing)
    _missing.clear()
    named = ", ".join(_named(sign) for sign in signs[:12])
    more = f" and {len(signs) - 12} more" if len(signs) > 12 else ""
    boxes = "a box" if len(signs) == 1 else "boxes"
    return (
        f"no font on this machine has {named}{more}, drawn as {boxes}; "
        "install one, on Debian fonts-noto-core or fonts-noto-cjk"
    )


def _named(sign: str) -> str:
    codes = " ".join(f"U+{ord(char):04X}" for char in sign)
    return f"{sign} ({codes})" if sign.isprintable() else codes
