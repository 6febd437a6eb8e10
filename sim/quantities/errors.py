"""The errors that halfstop raises on purpose.

    HalfstopError              anything the user can read and act on
      UnitError (ValueError)   a quantity that cannot be read, without a place in a file
      SceneError               a fault in a scene file: file, line, key path, what was expected, a cure
      EngineError              a render engine that cannot run on this machine

The command prints ``str(error)`` as one line and exits with code 2.
"""

import unicodedata

LONGEST_QUOTE = 60
LONGEST_FAULT = 300


class HalfstopError(Exception):
    """Base of every error that is shown to the user as one plain line."""


def one_line(text: str) -> str:
    """Return `text` with line breaks and control characters made harmless.

    >>> one_line("two" + chr(10) + "lines")
    'two lines'
    """
    clean = "".join(" " if unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp", "Cs") else c for c in text)
    return " ".join(clean.split())


def line_of_bug(error: Exception) -> str:
    """A fault of ours, not of the user, as one line that can be shown.

    >>> line_of_bug(KeyError("face"))
    "this is a bug in halfstop: KeyError: 'face'"
    """
    return one_line(f"this is a bug in halfstop: {type(error).__name__}: {error}")[:LONGEST_FAULT]


def quoted(value: object) -> str:
    """Return `value` as the user would recognise it: in quotes, on one line, 60 characters at most.

    >>> quoted("3/0"), quoted(True), quoted(None), quoted({"a": 1})
    ('"3/0"', '"true"', 'nothing', 'a block of keys')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return '"true"' if value else '"false"'
    if isinstance(value, dict):
        return "a block of keys"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    shown = one_line(str(value)[: 4 * LONGEST_QUOTE])
    if len(shown) > LONGEST_QUOTE:
        shown = shown[: LONGEST_QUOTE - 3] + "..."
    return f'"{shown}"'


class UnitError(HalfstopError, ValueError):
    """A value that cannot be read: what was found, what was expected and a cure; knows no file."""

    def __init__(self, what: str, expected: str = "", cure: str = "") -> None:
        super().__init__(what, expected, cure)
        self.what, self.expected, self.cure = what, expected, cure

    def __str__(self) -> str:
        expected = f"expected {self.expected}" if self.expected else ""
        return one_line("; ".join(part for part in (self.what, expected, self.cure) if part))


class SceneError(HalfstopError):
    """A fault in a scene file; `str` is one line with file, line, key path, what was expected and a cure.

    >>> print(SceneError("a.yaml", 12, "lights.key.power", 'got "3/0"', "a fraction", 'write "1/4"'))
    a.yaml:12: lights.key.power: got "3/0"; expected a fraction; write "1/4"
    """

    def __init__(self, file: str, line: int, key: str, what: str, expected: str = "", cure: str = "") -> None:
        super().__init__(file, line, key, what, expected, cure)
        self.file, self.line, self.key = file, line, key
        self.what, self.expected, self.cure = what, expected, cure
        # Whether values that are right one by one are wrong together.
        self.between_blocks = False

    def __str__(self) -> str:
        expected = f"expected {self.expected}" if self.expected else ""
        story = "; ".join(part for part in (self.what, expected, self.cure) if part)
        where = f"{self.file}:{self.line}: " + (f"{self.key}: " if self.key else "")
        return one_line(where + story)


class EngineError(HalfstopError):
    """A render engine that cannot run on this machine; says what to install or choose."""
