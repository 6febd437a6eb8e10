"""What a tab may ask for, read from its messages: each fault becomes one plain line."""

from __future__ import annotations

from typing import Any

from sim.quantities.errors import HalfstopError

MOST_EDITS = 64


def edits_of(message: dict[str, Any]) -> list[dict[str, Any]]:
    """The edits of a message; what each says is for the document to check."""
    edits = message.get("edits")
    if not isinstance(edits, list) or not edits or not all(isinstance(edit, dict) for edit in edits):
        raise HalfstopError("expected edits: a list of changes")
    if len(edits) > MOST_EDITS:
        raise HalfstopError(f"expected at most {MOST_EDITS} changes at once")
    return edits


def gesture_of(message: dict[str, Any], tab_number: int) -> str | None:
    """Name of the gesture that a message's edits belong to, or None; two tabs' gestures stay apart."""
    merge = message.get("merge")
    return f"{tab_number}:{merge}" if isinstance(merge, (str, int)) and merge != "" else None


def lights_of(edits: list[dict[str, Any]]) -> tuple[str, ...]:
    """Names of the lights that edits touch, each once."""
    found: list[str] = []
    for edit in edits:
        path, what = edit.get("path"), edit.get("what")
        if isinstance(path, list) and len(path) > 1 and path[0] == "lights":
            found.append(str(path[1]))
        if isinstance(what, list) and len(what) > 1 and what[0] == "light":
            found.append(str(what[1]))
        found += [str(edit[key]) for key in ("as", "to") if isinstance(edit.get(key), str)]
        if edit.get("op") == "add_light":
            found.append(str(edit.get("name")))
    return tuple(dict.fromkeys(found))


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
