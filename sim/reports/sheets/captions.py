"""A light in a photographer's words: what is fitted, how it is set, what it reads."""

from __future__ import annotations

from sim.metering.points import Reading
from sim.quantities import phrases, units
from sim.scene import model
from sim.scene.light_words import even_light_words, modifier_words, power_words
from sim.scene.model import Camera, Scene

# A meter shows nothing useful this far under the camera's setting; common practice, no source.
DARKEST_STOPS = -10.0


def settings_text(camera: Camera) -> str:
    """The camera's settings on one line.

    Does not: give the white balance.
    """
    exposure = phrases.camera_exposure(camera.f_number, camera.shutter_s, camera.iso)
    return f"{exposure} · {phrases.number(camera.focal_length_m * 1000, 1)} mm"


def light_lines(scene: Scene, name: str) -> tuple[str, str]:
    """Two lines for a light by name: modifier with its size, and power with colour where it is not daylight."""
    light = scene.lights.get(name)
    if light is not None:
        return modifier_words(light), power_words(light)
    ambient = next(ambient for ambient in scene.ambient if ambient.name == name)
    if isinstance(ambient, model.WindowPanel):
        return f"window {phrases.size_across(ambient.size.width_m, ambient.size.height_m)}", "room light"
    return even_light_words(scene), f"{units.shortest(ambient.illuminance_lx)} lx"


def lift_text(lift_stops: float) -> str:
    """How far a picture was lifted for teaching.

    >>> lift_text(3.21), lift_text(-0.42), lift_text(0.0)
    ('lifted 3.2 stops', 'lowered 0.4 stops', 'as it is')
    """
    rounded = round(lift_stops, 1)
    return f"{'lifted' if rounded > 0 else 'lowered'} {phrases.stops(rounded)}" if rounded else "as it is"


def stops_text(reading: Reading) -> str:
    """Stops of an incident reading against the camera; a short mark for what a meter does not reach."""
    stops = reading.over_camera_stops
    return "dark" if stops is None else phrases.signed_stops(stops, darkest=DARKEST_STOPS)
