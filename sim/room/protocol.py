"""What a tab may ask for, read from its messages: each fault becomes one plain line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sim.quantities.errors import HalfstopError
from sim.room.document.edits import (
    AddLight,
    Aim,
    CopyLight,
    Edit,
    Move,
    RenameLight,
    SetValue,
    Unset,
    edits_from_data,
)


def edits_of(message: dict[str, Any], file: str) -> tuple[Edit, ...]:
    """The edits of a message to a scene file."""
    return edits_from_data(message.get("edits"), file)


def gesture_of(message: dict[str, Any], tab_number: int) -> str | None:
    """Name of the gesture that a message's edits belong to, or None; two tabs' gestures stay apart."""
    merge = message.get("merge")
    return f"{tab_number}:{merge}" if isinstance(merge, (str, int)) and merge != "" else None


def lights_of(edits: Sequence[Edit]) -> tuple[str, ...]:
    """Names of the lights that edits touch, each once."""
    names: list[str] = []
    for edit in edits:
        match edit:
            case SetValue(path=("lights", name, *_)) | Unset(path=("lights", name, *_)):
                names.append(str(name))
            case Move(what=("light", name)) | Aim(what=("light", name)) | AddLight(name=name):
                names.append(name)
            case CopyLight(copy_name=name) | RenameLight(to=name):
                names.append(name)
    return tuple(dict.fromkeys(names))


def export_options(message: dict[str, Any]) -> dict[str, Any]:
    """What an export may be asked for beside its kind: a draft, another size."""
    from sim.reports.preview import require_samples

    options: dict[str, Any] = {"draft": message.get("draft") is True}
    size_px, samples = message.get("size_px"), message.get("samples")
    if size_px is not None:
        if not isinstance(size_px, int) or isinstance(size_px, bool) or not 64 <= size_px <= 4000:
            raise HalfstopError("expected a long side of 64 to 4000 pixels")
        options["size_px"] = size_px
    if samples is not None:
        if not isinstance(samples, int) or isinstance(samples, bool):
            raise HalfstopError("expected a number of rays per pixel")
        options["samples"] = require_samples(samples)
    return options
