"""What a background child is asked and what it answers, each one line of JSON: read once, where it comes in.

ThumbnailRequest                                        -> ThumbnailMade or Failed
ExportRequest                                           -> Step ..., then ExportWritten or Failed
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, TypeAdapter

ExportKind: TypeAlias = Literal["plan", "handout", "finish", "preview"]


@dataclass(frozen=True)
class ThumbnailRequest:
    """Make the picture of a modifier of the library, by its id."""

    modifier: str
    kind: Literal["thumbnail"] = "thumbnail"


@dataclass(frozen=True)
class ExportRequest:
    """Write one export of a scene file.

    `out` the scene's own folder of results; `draft` smaller and coarser; `size_px` the long side and `samples` rays per
    pixel, None for what the command of the same name takes.
    """

    what: ExportKind
    scene: Path
    out: Path
    draft: bool = False
    size_px: int | None = None
    samples: int | None = None
    kind: Literal["export"] = "export"


@dataclass(frozen=True)
class Step:
    """How far an export is: `part` 0 to 1 of the step `name`."""

    name: str
    part: float
    kind: Literal["step"] = "step"


@dataclass(frozen=True)
class ThumbnailMade:
    """A picture of the library: the PNG file's bytes in base 64 (RFC 4648, section 4)."""

    png_base64: str
    kind: Literal["thumbnail made"] = "thumbnail made"


@dataclass(frozen=True)
class ExportWritten:
    """An export is whole: the names of its files, the one to look at first in front."""

    files: tuple[str, ...]
    kind: Literal["written"] = "written"


@dataclass(frozen=True)
class Failed:
    """Nothing comes of the request; `line` says why. The child takes the next one all the same."""

    line: str
    kind: Literal["failed"] = "failed"


Request: TypeAlias = ThumbnailRequest | ExportRequest
Answer: TypeAlias = Step | ThumbnailMade | ExportWritten | Failed
_REQUEST: TypeAdapter[Request] = TypeAdapter(Annotated[Request, Field(discriminator="kind")])
_ANSWER: TypeAdapter[Answer] = TypeAdapter(Annotated[Answer, Field(discriminator="kind")])


def line_from_request(request: Request) -> bytes:
    """A request as one line."""
    return _REQUEST.dump_json(request) + b"\n"


def request_from_line(line: bytes) -> Request:
    """A request read back; raises ValueError for anything else."""
    return _REQUEST.validate_json(line)


def line_from_answer(answer: Answer) -> bytes:
    """An answer as one line."""
    return _ANSWER.dump_json(answer) + b"\n"


def answer_from_line(line: bytes) -> Answer:
    """An answer read back; raises ValueError for anything else."""
    return _ANSWER.validate_json(line)
