"""Checked words of a scene: choices, switches, text, colours, names, files."""

import re
from dataclasses import dataclass
from typing import Annotated

from sim.quantities.errors import UnitError, quoted
from sim.quantities.plain import PlainDict
from sim.scene.model.block import choice_help
from sim.scene.model.fields import Value


@dataclass(frozen=True)
class Choice(Value):
    """One of some words; the American spelling of centre is taken as well."""

    noun: str
    names: tuple[str, ...]

    def read(self, value: object) -> str:
        if isinstance(value, str):
            word = " ".join(value.split()).replace("center", "centre")
            if word in self.names:
                return word
        raise UnitError(f"got {quoted(value)}", *choice_help(self.noun, value, self.names))

    def schema(self) -> PlainDict:
        return {"type": "string", "enum": list(self.names)}


@dataclass(frozen=True)
class Switch(Value):
    """True or false."""

    def read(self, value: object) -> bool:
        if isinstance(value, bool):
            return value
        word = value.strip().lower() if isinstance(value, str) else ""
        cure = "write true" if word in ("on", "yes", "y", "true", "1") else "write false"
        raise UnitError(f"got {quoted(value)}", "true or false, without quotes", cure)

    def schema(self) -> PlainDict:
        return {"type": "boolean"}


@dataclass(frozen=True)
class Text(Value):
    """A line of text of 1 to `longest` characters."""

    noun: str
    longest: int = 200

    def read(self, value: object) -> str:
        if not isinstance(value, str):
            scalar = isinstance(value, (int, float))
            shown = quoted(value)
            raise UnitError(
                f"got {shown}",
                f"{self.noun} as text",
                f"put it in quotes: {shown}" if scalar else "write a line of text",
            )
        line = " ".join(value.split())
        if not line or len(line) > self.longest or not line.isprintable():
            raise UnitError(
                f"got {quoted(value)}",
                f"{self.noun} of 1 to {self.longest} printable characters",
                "write a short line",
            )
        return line

    def schema(self) -> PlainDict:
        return {"type": "string", "minLength": 1, "maxLength": self.longest}


@dataclass(frozen=True)
class HexColor(Value):
    """A colour as `#rrggbb` (sRGB)."""

    def read(self, value: object) -> str:
        text = str(value).strip() if isinstance(value, (str, int)) else ""
        if isinstance(value, str) and re.fullmatch(r"#[0-9a-fA-F]{6}", text):
            return text.lower()
        digits = re.fullmatch(r"#?([0-9a-fA-F]{6}|[0-9a-fA-F]{3})", text)
        code = digits.group(1) if digits else "24143a"
        code = "".join(2 * c for c in code) if len(code) == 3 else code
        raise UnitError(f"got {quoted(value)}", "a colour as six digits after #, in quotes", f'write "#{code}"')

    def schema(self) -> PlainDict:
        return {"type": "string", "pattern": "^#[0-9a-fA-F]{6}$"}


@dataclass(frozen=True)
class Name(Value):
    """A name in the scene: a small letter, then small letters, digits, spaces, - or _."""

    noun: str

    def read(self, value: object) -> str:
        if isinstance(value, str) and re.fullmatch(r"[a-z](?:[a-z0-9 _-]{0,30}[a-z0-9])?", value):
            return value
        low = re.sub(r"[^a-z0-9_-]+", " ", str(value)[:200].lower()).lstrip(" 0123456789_-")[:32].rstrip(" _-")
        expected = f"{self.noun}: a small letter, then small letters, digits, spaces, - or _, 32 at most"
        raise UnitError(f"got the name {quoted(value)}", expected, f'write "{low or "key"}"')

    def schema(self) -> PlainDict:
        return {"type": "string", "pattern": "^[a-z]([a-z0-9 _-]{0,30}[a-z0-9])?$"}


@dataclass(frozen=True)
class FileName(Value):
    """The name of a file beside the scene; the loader looks for it in the scene's folder."""

    endings: tuple[str, ...]

    def read(self, value: object) -> str:
        if isinstance(value, str) and value.isprintable() and value.strip().lower().endswith(self.endings):
            return value.strip()
        raise UnitError(
            f"got {quoted(value)}",
            f"the name of a file that ends in {' or '.join(self.endings)}",
            f'write a name such as "mine{self.endings[0]}"',
        )

    def schema(self) -> PlainDict:
        both = [f"{e}|{e.upper()}" for e in self.endings]
        return {"type": "string", "pattern": "(" + "|".join(both).replace(".", "\\.") + ")$"}


Hex = Annotated[str, HexColor()]
