"""A light of the scene as a rig: luminous surfaces with their lumens, housing, colour and gels.

Flux is at FULL dial. The dial, the colour and the gels are weights for later; nothing of them is in the emitters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sim.quantities import color, photometry, units
from sim.quantities.errors import HalfstopError, UnitError
from sim.quantities.output import LuminousEnergy, LuminousFlux, Output
from sim.scene import model
from sim.scene.model.block import BlockFault
from sim.studio.gear import modifiers, photometric
from sim.studio.gear.body import Body, front_m
from sim.studio.gear.direct import illuminance_from_emitter
from sim.studio.gear.emitter import Emitter, FloatArray

RGB = tuple[float, float, float]
WHITE: RGB = (1.0, 1.0, 1.0)


@dataclass(frozen=True, eq=False)
class BuiltLight:
    """A light ready for the stage.

    emitters: luminous surfaces at full dial, their amounts what they send out; body: housing in the light's frame.
    output: what of it leaves the housing too. efficiency: that over the bare source's light.
    temperature_K or source_rgb: the lamp's colour, one of them; gel_rgb: channel factors of the gels.
    """

    emitters: tuple[Emitter, ...]
    body: tuple[Body, ...]
    output: Output
    temperature_K: float | None = 5600.0
    source_rgb: RGB | None = None
    gel_rgb: RGB = WHITE
    efficiency: float = 1.0

    @property
    def is_flash(self) -> bool:
        """Whether its light comes all at once, so that the shutter does not scale it."""
        return isinstance(self.output, LuminousEnergy)

    @property
    def color_rgb(self) -> RGB:
        """The lamp's colour as linear sRGB of luminance 1, without gels and before white balance."""
        if self.source_rgb is not None:
            return self.source_rgb
        return _rgb(color.rgb_from_temperature(self.temperature_K or 5600.0))


def _rgb(values: FloatArray) -> RGB:
    return float(values[0]), float(values[1]), float(values[2])


def shaped_from_modifier(modifier: model.Modifier) -> modifiers.UnitLight:
    """Return what a modifier of the scene makes of a source of 1 lm."""
    m = modifier
    match m:
        case model.BareBulb():
            return modifiers.bare(m.bulb_diameter_m, m.head_m, m.efficiency)
        case model.Reflector():
            shaped = modifiers.reflector(m.diameter_m, m.beam_deg, m.grid_deg, m.efficiency)
            return _with_barn_doors(shaped, m.diameter_m, m.barn_doors)
        case model.Snoot():
            return modifiers.snoot(m.length_m, m.diameter_m, m.grid_deg, m.efficiency)
        case model.BeautyDish():
            return modifiers.beauty_dish(m.diameter_m, m.grid_deg, m.sock, m.efficiency)
        case model.Softbox() | model.Strip():
            return modifiers.softbox(
                m.width_m,
                m.height_m,
                m.recess_m,
                m.hot_spot_stops,
                m.grid_deg,
                m.efficiency,
                m.kind,
                m.front_reflectance,
            )
        case model.Octabox():
            return modifiers.octabox(
                m.diameter_m, m.recess_m, m.hot_spot_stops, m.grid_deg, m.efficiency, m.front_reflectance
            )
        case model.Umbrella():
            return modifiers.umbrella(m.diameter_m, m.surface, m.efficiency)
        case model.ShootThrough():
            return modifiers.shoot_through(m.diameter_m, m.efficiency)
        case model.CoveredUmbrella():
            return modifiers.covered_umbrella(m.diameter_m, m.surface, m.efficiency)
        case model.Spot():
            shaped = modifiers.spot(m.lens_m, m.beam_deg, m.efficiency)
            return _with_barn_doors(shaped, m.lens_m, m.barn_doors)
    raise TypeError(f"no physics for the modifier {modifier!r}")


def _with_barn_doors(
    shaped: modifiers.UnitLight, opening_m: float, doors: model.BarnDoors | None
) -> modifiers.UnitLight:
    if doors is None:
        return shaped
    leaves = modifiers.barn_doors(opening_m, doors.left_deg, doors.right_deg, doors.top_deg, doors.bottom_deg)
    return replace(shaped, body=(*shaped.body, *leaves))


def axial_illuminance_lx(emitters: tuple[Emitter, ...], body: tuple[Body, ...], distance_m: float) -> float:
    """Return the illuminance on the axis at a distance from the luminous face, on a flat receptor that faces it.

    Does not: let the housing block when the receptor is closer than the housing reaches.
    """
    body = body if distance_m > front_m(body) else ()
    points, normals = [[0.0, 0.0, distance_m]], [[0.0, 0.0, -1.0]]
    return sum(float(illuminance_from_emitter(e, points, normals, body=body)[0]) for e in emitters)


def measured_illuminance_lx(source: model.MeasuredSource, shaped: modifiers.UnitLight) -> float:
    """Return what the receptor of a measured source gets of a light, in lx (flash: lx*s), held as the source says.

    The meter stands aside of the axis along x and is turned about the upright, from the light on away from the axis.
    Raises `BlockFault` where the light sends nothing.
    """
    aside, turned = math.radians(source.off_axis_deg), math.radians(source.off_axis_deg + source.turned_deg)
    point_m = source.at_m * np.array([math.sin(aside), 0.0, math.cos(aside)])
    toward = [[-math.sin(turned), 0.0, -math.cos(turned)]]
    body = shaped.body if source.at_m > front_m(shaped.body) else ()
    reads_lx = sum(
        float(illuminance_from_emitter(e, [point_m], toward, body=body, receptor=source.receptor)[0])
        for e in shaped.emitters
    )
    if not reads_lx > 0:
        what = f"the light sends nothing {source.off_axis_deg:g}° aside of its axis"
        raise BlockFault(("source", "off_axis"), what, "a reading inside its beam", 'write "0°" for one on the axis')
    return reads_lx


def axial_intensity_cd(emitters: tuple[Emitter, ...], body: tuple[Body, ...] = ()) -> float:
    """Return the far intensity on the axis in cd (flash: cd*s), less what the housing hides."""
    far_m = 1000.0 * max(e.width_m + e.height_m for e in emitters)
    return axial_illuminance_lx(emitters, body, far_m) * far_m**2


def output_from_source(source: model.Source, shaped: modifiers.UnitLight) -> Output:
    """Return the light of the bare source at full dial such that the shaped light is as stated.

    A measured source, a guide number and an illuminance hold with the modifier on; the distance counts from the
    luminous face. The meter of a guide number and of an illuminance is a flat receptor (C = 250) on the axis, that of a
    measured source is as it says.
    """
    match source:
        case model.FlashSource():
            return LuminousEnergy(source.energy_J * source.efficacy_lm_W)
        case model.ContinuousSource(flux_lm=float(flux)):
            return LuminousFlux(flux)
        case model.ContinuousSource(draw_W=float(draw), efficacy_lm_W=float(efficacy)):
            return LuminousFlux(draw * efficacy)
        case model.ContinuousSource(illuminance_lx=float(lux), at_m=float(at)):
            return LuminousFlux(lux / axial_illuminance_lx(shaped.emitters, shaped.body, at))
        case model.MeasuredSource():
            constant_C = photometry.INCIDENT_CONSTANT_C[source.receptor]
            exposure_lx_s = float(photometry.exposure_from_f_number(source.reads_f_number, source.iso, constant_C))
            return LuminousEnergy(exposure_lx_s / measured_illuminance_lx(source, shaped))
        case model.GuideNumberSource():
            intensity_cd_s = photometry.intensity_from_guide_number(source.guide_number_m, source.iso)
            return LuminousEnergy(intensity_cd_s / axial_intensity_cd(shaped.emitters, shaped.body))
    raise TypeError(f"no physics for the source {source!r}")


def gel_rgb_from_gels(gels: tuple[model.Gel, ...], temperature_K: float) -> RGB:
    """Return the channel factors of gels in a row, first one nearest the lamp."""
    factors = np.ones(3)
    for gel in gels:
        match gel:
            case model.MiredGel():
                factors = factors * color.gel_rgb_from_mired(gel.mired, temperature_K, gel.transmission)
                temperature_K = color.temperature_through_gel(temperature_K, gel.mired)
            case model.ColorGel():
                factors = factors * color.gel_rgb_from_hex(gel.color, gel.transmission)
            case _:
                factors = factors * color.transmission_from_nd(gel.nd_stops)
    return _rgb(factors)


def rig_from_light(light: model.Light, folder: str | Path = ".") -> BuiltLight:
    """Return the rig of a light of the scene at full dial.

    Args: the light; folder that a photometric file's name is relative to.
    Does not: place it in the room, or apply its power setting.
    """
    if isinstance(light.source, model.IesSource):
        if not isinstance(light.modifier, model.BareBulb):
            raise UnitError(
                f'a light by a photometric file has the modifier "{light.modifier.kind}"',
                "no modifier: the file already holds the lamp's optics",
                'remove "modifier"',
            )
        shaped = photometric.shaped_from_file(Path(folder) / light.source.file)
        stated = light.source.light_lm_s if light.source.flash else light.source.flux_lm
        amount = shaped.efficiency if stated is None else stated
        bare: Output = LuminousEnergy(amount) if light.source.flash else LuminousFlux(amount)
        shaped = replace(
            shaped, emitters=tuple(replace(e, amount=e.amount / shaped.efficiency) for e in shaped.emitters)
        )
    else:
        shaped = shaped_from_modifier(light.modifier)
        bare = output_from_source(light.source, shaped)
    emitters = tuple(replace(e, amount=e.amount * bare.amount) for e in shaped.emitters)
    amount = bare.amount * shaped.efficiency
    source_rgb = None if light.color_hex is None else _rgb(color.light_rgb_from_hex(light.color_hex))
    return BuiltLight(
        emitters,
        shaped.body,
        LuminousEnergy(amount) if isinstance(bare, LuminousEnergy) else LuminousFlux(amount),
        light.temperature_K,
        source_rgb,
        gel_rgb_from_gels(light.gels, light.temperature_K or 5600.0),
        shaped.efficiency,
    )


def require_held(name: str, rig: BuiltLight, room: model.AnyRoom) -> None:
    """Refuse a light whose luminous face is larger than the room: a photometric file says a face's size by itself."""
    for face in rig.emitters:
        width_m, height_m = face.width_m, face.height_m or face.width_m
        if not room.holds(width_m, height_m):
            size = f"{units.text_from_length_m(width_m)} by {units.text_from_length_m(height_m)}"
            raise HalfstopError(
                f"lights.{name}: the light's opening, {size}, is larger than the room; check the unit of length in its "
                "file, or make the room larger"
            )


def rig_from_window(window: model.WindowPanel, aim_distance_m: float) -> BuiltLight:
    """Return a window of the ambient light as a Lambertian panel.

    Args: the window; distance in metres along its axis to the point it is aimed at, where its illuminance holds.
    """
    width_m, height_m = window.size.width_m, window.size.height_m
    pane = Emitter("rectangle", width_m, 1.0, height_m=height_m)
    if window.illuminance_lx is not None:
        flux_lm = window.illuminance_lx / axial_illuminance_lx((pane,), (), aim_distance_m)
    else:
        flux_lm = (window.luminance_cd_m2 or 0.0) * math.pi * width_m * height_m
    source_rgb = None if window.color_hex is None else _rgb(color.light_rgb_from_hex(window.color_hex))
    return BuiltLight((replace(pane, amount=flux_lm),), (), LuminousFlux(flux_lm), window.temperature_K, source_rgb)
