"""Modifiers in few words, as people say them, and the block that says the same in a scene file."""

from __future__ import annotations

import re

from sim.quantities import units
from sim.quantities.errors import UnitError, quoted
from sim.quantities.plain import PlainDict

_LENGTH = r"[0-9.]+ ?(?:mm|cm|m|ft|in|\"|')"
_KINDS = (
    "covered umbrella", "shoot-through", "shoot through", "beauty dish", "softbox", "octabox", "octa", "strip",
    "umbrella", "reflector", "snoot", "spot", "bare bulb", "bare",
)  # fmt: skip
_FORM = "a modifier in few words"
_EXAMPLE = 'write "softbox 90x120 cm", "octabox 120 cm", "umbrella 105 cm silver" or "reflector 18 cm grid 10°"'


def modifier_from_text(text: str) -> PlainDict:
    """The YAML block of a modifier from a few words.

    >>> modifier_from_text("softbox 90x120 cm grid 40°")
    {'kind': 'softbox', 'width': '90 cm', 'height': '120 cm', 'grid': '40°'}
    >>> modifier_from_text("umbrella 105 cm silver")
    {'kind': 'umbrella', 'diameter': '105 cm', 'surface': 'silver'}
    """
    plain = units.clean(text).lower().replace("×", "x")
    said = next((kind for kind in _KINDS if re.match(rf"{kind}\b", plain)), None)
    if said is None:
        raise UnitError(f"got {quoted(text)}", f"{_FORM}: {', '.join(_KINDS)}", _EXAMPLE)
    kind = {"shoot through": "shoot-through", "octa": "octabox", "bare bulb": "bare"}.get(said, said)
    rest = plain[len(said) :].strip(" ,")
    block: PlainDict = {"kind": kind}

    def take(pattern: str) -> re.Match[str] | None:
        nonlocal rest
        match = re.search(rf"(?:^|(?<=[ ,])){pattern}(?=$|[ ,])", rest)
        if match:
            rest = " ".join((rest[: match.start()] + " " + rest[match.end() :]).split()).strip(" ,")
        return match

    # Take the named measures first, so that what is left are sizes.
    for key, pattern in (("recess", rf"recess ({_LENGTH})"), ("length", rf"(?:length|long) ({_LENGTH})"),
                         ("grid", r"grid ([0-9.]+) ?(?:°|deg(?:rees)?)"),
                         ("beam", r"beam ([0-9.]+) ?(?:°|deg(?:rees)?)"), ("hot_spot", r"hot.?spot ([0-9./]+ stops?)"),
                         ("efficiency", r"efficiency ([0-9.]+)")):  # fmt: skip
        match = take(pattern)
        if match:
            angle = key in ("grid", "beam")
            block[key] = float(match[1]) if key == "efficiency" else f"{match[1]}°" if angle else match[1]
    if take(r"sock"):
        block["sock"] = True
    surface = take(r"(white|silver)")
    if surface:
        block["surface"] = surface[1]
    sizes: dict[str, str] = {}
    both = take(r"([0-9.]+) ?(mm|cm|m|ft|in)? ?x ?([0-9.]+) ?(mm|cm|m|ft|in)")
    if both:
        sizes = {"width": f"{both[1]} {both[2] or both[4]}", "height": f"{both[3]} {both[4]}"}
    else:
        one = take(rf"({_LENGTH})")
        if one:
            sizes = {{"bare": "bulb_diameter", "spot": "lens"}.get(kind, "diameter"): one[1]}
    if kind == "spot" and "beam" not in block:
        beam = take(r"([0-9.]+) ?(?:°|deg(?:rees)?)")
        if beam:
            block["beam"] = f"{beam[1]}°"
    if rest:
        raise UnitError(f"cannot read {quoted(rest)} in {quoted(text)}", _FORM, _EXAMPLE)
    return {"kind": kind, **sizes, **{k: v for k, v in block.items() if k != "kind"}}
