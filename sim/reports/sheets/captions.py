"""A light in a photographer's words: what is fitted, how it is set, what it reads."""

from __future__ import annotations

import math

from sim.metering.points import Reading
from sim.quantities import units
from sim.scene import model
from sim.scene.model import Camera, Light, Scene

# A meter shows nothing useful this far under the camera's setting; common practice, no source.
DARKEST_STOPS = -10.0


def settings_text(camera: Camera) -> str:
    """The camera's settings on one line.

    Does not: give the white balance.
    """
    return " · ".join((
        units.text_from_f_number(camera.f_number),
        units.text_from_time_s(camera.shutter_s),
        f"ISO {units.shortest(camera.iso)}",
        f"{units.shortest(round(camera.focal_length_m * 1000, 1))} mm",
    ))  # fmt: skip


def light_lines(scene: Scene, name: str) -> tuple[str, str]:
    """Two lines for a light by name: modifier with its size, and power with colour where it is not daylight."""
    light = scene.lights.get(name)
    if light is not None:
        return modifier_text(light), power_text(light)
    ambient = next(ambient for ambient in scene.ambient if ambient.name == name)
    if isinstance(ambient, model.WindowPanel):
        return f"window {_across(ambient.size.width_m, ambient.size.height_m)}", "room light"
    return "even light of the room", f"{units.shortest(ambient.illuminance_lx)} lx"


def modifier_text(light: Light) -> str:
    """Modifier and its size, as in `softbox 100 x 140 cm, 40° grid`."""
    if isinstance(light.source, model.IesSource):
        return f"lamp of {light.source.file}"
    m = light.modifier
    match m:
        case model.BareBulb():
            text = f"bare bulb {_cm(m.bulb_diameter_m)}"
        case model.Softbox() | model.Strip():
            text = f"{m.kind} {_across(m.width_m, m.height_m)}"
        case model.Snoot():
            text = f"snoot {_cm(m.diameter_m)}, {_cm(m.length_m)} long"
        case model.Spot():
            text = f"focusing spot, {units.shortest(m.beam_deg)}° beam"
        case (
            model.Reflector()
            | model.BeautyDish()
            | model.Octabox()
            | model.Umbrella()
            | model.ShootThrough()
            | model.CoveredUmbrella()
        ):
            text = f"{_with_surface(m)} {_cm(m.diameter_m)}"
        case _:
            raise TypeError(f"no words for the modifier {m!r}")
    if getattr(m, "sock", False):
        text += " with sock"
    if getattr(m, "barn_doors", None) is not None:
        text += ", barn doors"
    grid_deg = getattr(m, "grid_deg", None)
    return text if grid_deg is None else f"{text}, {units.shortest(grid_deg)}° grid"


def power_text(light: Light) -> str:
    """Setting of the dial, with lamp colour and gels that are not plain daylight."""
    dial = units.text_from_dial_stops(light.power_stops)
    if "/" not in dial:
        # Lamps are set in tenths or thirds of a stop: two decimals tell them apart.
        rounded = units.text_from_dial_stops(round(light.power_stops, 2) + 0.0)
        dial = rounded.replace("-", "−")
    words = ["full power" if dial == "1/1" else f"{dial} power" if "/" in dial else f"{dial} from full"]
    if light.color_hex is not None:
        words.append(light.color_hex)
    elif light.temperature_K != 5600.0:
        words.append(f"{units.shortest(light.temperature_K or 0)} K")
    words += [_gel_text(gel) for gel in light.gels]
    return ", ".join(words)


def stops_text(stops: float | None) -> str:
    """Stops with their sign and one decimal; a short mark for what a meter does not reach.

    >>> stops_text(-0.04), stops_text(1.26), stops_text(-14.0), stops_text(None)
    ('0.0', '+1.3', '< -10', 'dark')
    """
    if stops is None:
        return "dark"
    if stops < DARKEST_STOPS:
        return f"< {DARKEST_STOPS:.0f}"
    rounded = round(stops, 1)
    return f"{rounded:+.1f}" if rounded else "0.0"


def lift_text(lift_stops: float) -> str:
    """How far a picture was lifted for teaching.

    >>> lift_text(3.21), lift_text(-0.42), lift_text(0.0)
    ('lifted 3.2 stops', 'lowered 0.4 stops', 'as it is')
    """
    rounded = round(lift_stops, 1)
    if not rounded:
        return "as it is"
    return f"{'lifted' if rounded > 0 else 'lowered'} {abs(rounded):.1f} stop{'' if abs(rounded) == 1 else 's'}"


def stops_of_reading(reading: Reading) -> float | None:
    """Stops of an incident reading against the camera; None in darkness."""
    stops = reading.over_camera_stops
    return None if stops is None or not math.isfinite(stops) else stops


def meter_text(reading: Reading) -> str:
    """What the meter shows, or that it shows nothing."""
    return units.text_from_f_number_in_tenths(reading.f_number) if reading.f_number > 0 else "dark"


def _gel_text(gel: model.Gel) -> str:
    match gel:
        case model.MiredGel():
            return f"gel {gel.mired:+.0f} mired".replace("-", "−")
        case model.ColorGel():
            return f"gel {gel.color}"
        case _:
            return f"ND {units.shortest(gel.nd_stops)} stop{'' if gel.nd_stops == 1 else 's'}"


def _with_surface(modifier: model.Modifier) -> str:
    kind, surface = str(getattr(modifier, "kind", "")), getattr(modifier, "surface", None)
    return kind if surface in (None, "white") else f"{surface} {kind}"


def _cm(length_m: float) -> str:
    return f"{units.shortest(round(100 * length_m, 1))} cm"


def _across(width_m: float, height_m: float) -> str:
    return f"{units.shortest(round(100 * width_m, 1))} x {_cm(height_m)}"
