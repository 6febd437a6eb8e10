"""A light's blocks in words: what is fitted, which gels, how far its power is down. The notation is `phrases`."""

from __future__ import annotations

from sim.quantities import phrases
from sim.scene import model

DAYLIGHT_K = 5600.0


def modifier_words(light: model.Light) -> str:
    """Modifier and its size in few words, as in `softbox 100 x 140 cm, 40° grid`."""
    if isinstance(light.source, model.IesSource):
        return f"lamp of {light.source.file}"
    m = light.modifier
    doors: list[tuple[str, float]] | None = None if getattr(m, "barn_doors", None) is None else []
    beam_deg = m.beam_deg if isinstance(m, model.Spot) else None
    return _with_accessories(thing_words(m), m, beam_deg, doors)


def modifier_details(light: model.Light) -> str:
    """The same with the angles by which a crew picks and sets it."""
    if isinstance(light.source, model.IesSource):
        return f"lamp of {light.source.file}"
    m = light.modifier
    beam_deg = m.beam_deg if isinstance(m, model.Spot | model.Reflector) else None
    return _with_accessories(thing_words(m), m, beam_deg, _leaves(getattr(m, "barn_doors", None)))


def thing_words(modifier: model.Modifier) -> str:
    """The modifier alone with its size, without what is fitted to it in turn."""
    m = modifier
    match m:
        case model.BareBulb():
            return f"bare bulb {phrases.size(m.bulb_diameter_m)}"
        case model.Softbox() | model.Strip():
            return f"{m.kind} {phrases.size_across(m.width_m, m.height_m)}"
        case model.Snoot():
            return f"snoot {phrases.size(m.diameter_m)}, {phrases.size(m.length_m)} long"
        case model.Spot():
            return f"focusing spot, lens {phrases.size(m.lens_m)}"
        case model.ShootThrough():
            return f"shoot-through umbrella {phrases.size(m.diameter_m)}"
        case model.Reflector() | model.BeautyDish() | model.Octabox() | model.Umbrella() | model.CoveredUmbrella():
            surface = getattr(m, "surface", None)
            named = f"{surface} {m.kind}" if surface else m.kind
            sock = " with sock" if getattr(m, "sock", False) else ""
            return f"{named} {phrases.size(m.diameter_m)}{sock}"
    raise TypeError(f"no words for the modifier {m!r}")


def grid_words(modifier: model.Modifier) -> str:
    """The grid that a modifier wears, as a thing to pack; empty without one."""
    grid_deg = _grid_deg(modifier)
    return "" if grid_deg is None else f"{phrases.angle(grid_deg)} grid for {_kind(modifier)}"


def gel_words(gel: model.Gel) -> str:
    """A gel as it is asked for."""
    match gel:
        case model.MiredGel():
            return phrases.mired_gel(gel.mired)
        case model.ColorGel():
            return phrases.color_gel(gel.color)
        case _:
            return phrases.grey_gel(gel.nd_stops)


def even_light_words(scene: model.Scene) -> str:
    """An even ambient light by what it stands for: the open sky where the set has no room."""
    return "open sky" if scene.room.is_open else "even light of the room"


def power_words(light: model.Light) -> str:
    """Power, with the colour of a lamp that is not plain daylight, and the gels."""
    words = [phrases.power(light.power_stops)]
    if light.color_hex is not None:
        words.append(light.color_hex)
    elif light.temperature_K is not None and light.temperature_K != DAYLIGHT_K:
        words.append(phrases.temperature(light.temperature_K))
    return ", ".join([*words, *map(gel_words, light.gels)])


def _with_accessories(
    thing: str, modifier: model.Modifier, beam_deg: float | None, doors: list[tuple[str, float]] | None
) -> str:
    return phrases.modifier(thing, beam_deg=beam_deg, grid_deg=_grid_deg(modifier), doors=doors)


def _kind(modifier: model.Modifier) -> str:
    return str(getattr(modifier, "kind", "modifier"))


def _grid_deg(modifier: model.Modifier) -> float | None:
    return getattr(modifier, "grid_deg", None)


def _leaves(doors: model.BarnDoors | None) -> list[tuple[str, float]] | None:
    if doors is None:
        return None
    leaves = ("left", doors.left_deg), ("right", doors.right_deg), ("top", doors.top_deg), ("bottom", doors.bottom_deg)
    return [(name, angle_deg) for name, angle_deg in leaves if angle_deg < 90]


def lights_text(scene: model.Scene) -> str:
    """How many lights a scene has, those of the room named apart: "3 lights, 1 window, even light of the room"."""
    windows = sum(isinstance(each, model.WindowPanel) for each in scene.ambient)
    words = [_counted(len(scene.lights), "light")] if scene.lights else []
    words += [_counted(windows, "window")] if windows else []
    words += ["even light of the room"] if len(scene.ambient) > windows else []
    return ", ".join(words) or "no lights yet"


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"
