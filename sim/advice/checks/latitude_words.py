"""How far the sitter may move, in words and as plain data."""

from __future__ import annotations

import math

from sim.advice.checks.latitude import READING_WITHIN_STOPS, Latitude, Limit, Sample, SitterMove
from sim.advice.checks.shadow_words import name_from_shadow


def offset_text(move: SitterMove, offset: float) -> str:
    """An offset in words, such as `12° toward camera left` or `9 cm toward the camera`.

    >>> from sim.advice.checks.latitude import MOVES
    >>> offset_text(MOVES[0], -12.3), offset_text(MOVES[4], 0.094)
    ('12° toward camera left', '9 cm toward the camera')
    """
    if round(abs(offset) * (1 if move.unit == "deg" else 100)) == 0:
        return "as placed"
    size = f"{abs(offset):.0f}°" if move.unit == "deg" else f"{100 * abs(offset):.0f} cm"
    return f"{size} {move.low if offset < 0 else move.high}"


def latitude_lines(latitude: Latitude) -> list[tuple[str, list[str]]]:
    """The limits in words: (move, lines), the nearest limit of each side first."""
    moves = []
    for sweep in latitude.sweeps:
        lines = []
        for side in (-1, 1):
            here = [limit for limit in sweep.limits if limit.side == side]
            reached = sorted((x for x in here if x.offset is not None), key=lambda x: abs(x.offset or 0.0))
            for limit in reached:
                offset = limit.offset or 0.0
                unsure = _unsure_text(sweep.move, limit.uncertain)
                where = offset_text(sweep.move, offset)
                where = "at once" if where == "as placed" else where
                lines.append(f"{where}{unsure}: {_gives_way(latitude, limit)}")
            if not reached:
                far = sweep.samples[0 if side < 0 else -1].offset
                lines.append(f"all holds as far as {offset_text(sweep.move, far)}")
        moves.append((sweep.move.name, lines))
    return moves


def _unsure_text(move: SitterMove, uncertain: float) -> str:
    """How sure an offset is, where that is coarser than it is told."""
    size = uncertain if move.unit == "deg" else 100 * uncertain
    return f" (± {size:.0f}{'°' if move.unit == 'deg' else ' cm'})" if round(size) else ""


def _gives_way(latitude: Latitude, limit: Limit) -> str:
    if limit.what == "face reading":
        return f"the face reading is {limit.becomes}"
    if limit.what == "nose shadow":
        placed = name_from_shadow(latitude.placed.shadow)
        return f"the nose shadow of {latitude.key} changes from {placed} to {limit.becomes}"
    return f"{limit.becomes} ({limit.what})"


def record_from_latitude(latitude: Latitude) -> dict[str, object]:
    """The sweeps as plain data for JSON; offsets in degrees or metres as `unit` says, stops in stops."""

    def sample(s: Sample) -> dict[str, object]:
        lean = s.shadow.lean_deg
        return {
            "offset": s.offset, "face_stops": s.face_stops if math.isfinite(s.face_stops) else None,
            "stderr_stops": s.stderr_stops, "pattern": s.shadow.pattern,
            "name": name_from_shadow(s.shadow), "side": s.shadow.side,
            "lean_deg": None if math.isnan(lean) else lean, "far_cheek_lit": s.shadow.far_cheek_lit,
            "spot_shares": dict(zip(latitude.tight, s.spot_shares, strict=True)),
        }  # fmt: skip

    return {
        "key": latitude.key,
        "tight_lights": list(latitude.tight),
        "reading_within_stops": READING_WITHIN_STOPS,
        "placed": sample(latitude.placed),
        "moves": [
            {
                "move": sweep.move.name, "unit": sweep.move.unit,
                "negative": sweep.move.low, "positive": sweep.move.high,
                "samples": [sample(s) for s in sweep.samples],
                "limits": [
                    {"what": x.what, "side": x.side, "offset": x.offset, "uncertain": x.uncertain, "becomes": x.becomes}
                    for x in sweep.limits
                ],
            }
            for sweep in latitude.sweeps
        ],
    }  # fmt: skip
