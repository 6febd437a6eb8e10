"""What a modifier does to one lumen: its luminous surfaces, their share of the light, its housing.

Every function returns a `UnitLight` for a source of 1 lm. The efficiency is what leaves modifier and head together, as
a meter around them would find it: where a head stands in its own light, the faces send out more by what it stops.
Grids, snoots and lips take their loss from geometry on top of the efficiency of the modifier without them.
Default efficiencies are common practice, no source; a scene may state its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sim.studio.gear import profiles
from sim.studio.gear.body import BLACK, GREY, WHITE, Body, head_behind, rod_behind
from sim.studio.gear.direct import shaded_share
from sim.studio.gear.emitter import Emitter, FloatArray, Profile, flux_from_profile, table_value

# Share of the bare lamp's light that leaves: common practice, no source.
EFFICIENCY = {
    "bare": 1.0,
    "reflector": 0.6,
    "snoot": 0.6,
    "beauty dish": 0.4,
    "beauty dish sock": 0.25,
    "softbox": 0.3,
    "strip": 0.25,
    "octabox": 0.3,
    "umbrella white": 0.35,
    "umbrella silver": 0.45,
    "shoot-through": 0.55,
    "covered umbrella white": 0.25,
    "covered umbrella silver": 0.3,
    "spot": 0.15,
}
SHOOT_THROUGH_REAR = 0.4  # part of a shoot-through's light that goes back; common practice, no source
HONEYCOMB_OPEN = 0.92  # open part of a honeycomb seen straight on; common practice, no source
FABRIC_GRID_OPEN = 0.95  # the same of a fabric grid; common practice, no source
SILVER_BEAM_DEG = 75.0  # full half-intensity angle of a silver umbrella; common practice, no source
DISH_BEAM_DEG = 85.0  # the same of a beauty dish; common practice, no source
BARN_DOOR_LENGTH = 0.9  # length of a leaf over the opening it closes; common practice, no source
SNOOT_THROAT_M = 0.12  # diameter of the head's opening behind a snoot; common practice, no source
HOT_SPOT_SIGMA = 0.22  # hot-spot sigma over the face's shorter side or diameter; common practice, no source
BULB_GAP_M = 0.005  # between a bulb and what holds it
BULB_ROD = 1 / 15  # diameter of the rod that holds a bulb without a head, over the bulb's: it hardly shades
N_THETA = 181


@dataclass(frozen=True, eq=False)
class UnitLight:
    """Luminous surfaces for a source of 1 lm, and the housing; `shade` share 0..1 of each surface's light it stops."""

    emitters: tuple[Emitter, ...]
    body: tuple[Body, ...]
    shade: tuple[float, ...] = ()

    @property
    def efficiency(self) -> float:
        """Light that leaves modifier and head over light in, before barn doors or anything outside blocks it."""
        shade = self.shade or (0.0,) * len(self.emitters)
        return sum(e.amount * (1 - stopped) for e, stopped in zip(self.emitters, shade, strict=True))


def past_housing(emitters: tuple[Emitter, ...], body: tuple[Body, ...]) -> UnitLight:
    """Return a light of which the emitters' amounts leave the housing too, which stands in their light."""
    shade = tuple(shaded_share(emitter, body) for emitter in emitters)
    brighter = (replace(e, amount=e.amount / (1 - stopped)) for e, stopped in zip(emitters, shade, strict=True))
    return UnitLight(tuple(brighter), body, shade)


def axial_table(curve: Callable[[FloatArray], FloatArray], theta_max_rad: float, n_theta: int = N_THETA) -> np.ndarray:
    """Sample a relative radiance over theta into a (1, n_theta) table."""
    return np.asarray(curve(np.linspace(0.0, theta_max_rad, n_theta)), np.float32)[None, :]


def beam_profile(beam_deg: float) -> Profile:
    """Return the profile of an opening of the given full half-intensity angle, degrees (10 to 150)."""
    if beam_deg == 120.0:
        return Profile()
    return Profile(table=axial_table(lambda t: profiles.cosine_power_profile(t, beam_deg), math.pi / 2))


def lose(emitter: Emitter, profile: Profile, open_fraction: float = 1.0) -> Emitter:
    """Return the emitter with a narrower profile and the light that this costs it: L0 stays, but for the walls."""
    narrowed = replace(emitter, profile=profile)
    share = flux_from_profile(narrowed) / flux_from_profile(emitter)
    return replace(narrowed, amount=emitter.amount * share * open_fraction)


def with_honeycomb(emitter: Emitter, nominal_deg: float) -> Emitter:
    """Return the emitter behind a honeycomb grid; nominal angle = full angle to cut-off, degrees.

    Does not: model light that the walls reflect, or the shadow pattern of single cells close by.
    """
    half = profiles.cutoff_half_angle_from_nominal(nominal_deg)
    end = min(half, emitter.profile.theta_max_rad)
    theta = np.linspace(0.0, end, N_THETA)
    table = table_value(emitter.profile, theta, 0.0) * profiles.honeycomb_transmission(theta, half)
    return lose(
        emitter,
        replace(emitter.profile, theta_max_rad=end, table=np.asarray(table, np.float32)[None, :]),
        HONEYCOMB_OPEN,
    )


def with_fabric_grid(emitter: Emitter, nominal_deg: float) -> Emitter:
    """Return the emitter behind a fabric grid of square cells; nominal angle = full angle to cut-off, degrees.

    Does not: model sagging cells, or light that the cloth reflects.
    """
    half = profiles.cutoff_half_angle_from_nominal(nominal_deg)
    # Cells stay open further along their diagonal than along their sides.
    end = min(math.atan(math.sqrt(2) * math.tan(half)), emitter.profile.theta_max_rad)
    phi = np.arange(48) / 48 * 2 * math.pi
    theta = np.linspace(0.0, end, 121)
    t, p = np.meshgrid(theta, phi)
    table = table_value(emitter.profile, t, p) * profiles.eggcrate_transmission(t, p, half)
    return lose(emitter, replace(emitter.profile, theta_max_rad=end, table=table.astype(np.float32)), FABRIC_GRID_OPEN)


def hot_spot(profile: Profile, stops: float, size_m: float) -> Profile:
    """Return the profile with a centre so many stops brighter than the middle of its nearest edge.

    Args: stops 0 to 3; size_m the shorter side or diameter in metres.
    """
    if stops == 0:
        return profile
    return replace(
        profile,
        hot_spot_gain=profiles.hot_spot_gain_from_stops(stops, 0.5 / HOT_SPOT_SIGMA),
        hot_spot_sigma_m=HOT_SPOT_SIGMA * size_m,
    )


def bare(
    bulb_diameter_m: float = 0.06, head_diameter_m: float | None = None, efficiency: float | None = None
) -> UnitLight:
    """A bare bulb on a thin rod: a glowing sphere, the same in all directions; lights the whole room.

    With a head behind it nothing goes back into the head's shade, and the same light leaves to the other sides.
    Default efficiency 1: the source's lumens are those that leave bulb and head.
    Does not: model the tube's shape, a pyrex dome's scatter, or light that the head's front sends back; the head is a
    plain black cylinder.
    """
    share = EFFICIENCY["bare"] if efficiency is None else efficiency
    ball = Emitter("sphere", bulb_diameter_m, share, Profile(theta_max_rad=math.pi))
    back_m = -bulb_diameter_m / 2 - BULB_GAP_M
    if head_diameter_m is not None:
        return past_housing((ball,), (head_behind(back_m, head_diameter_m),))
    return past_housing((ball,), (rod_behind(back_m, BULB_ROD * bulb_diameter_m),))


def reflector(
    diameter_m: float = 0.18,
    beam_deg: float = 65.0,
    grid_deg: float | None = None,
    efficiency: float | None = None,
) -> UnitLight:
    """An open reflector by its beam angle (full angle to half intensity, 10 to 150 degrees).

    Default efficiency 0.6 without the grid (common practice, no source).
    Does not: model the lamp seen in the bowl, rings, or spill from the seam; the opening is evenly bright.
    """
    share = EFFICIENCY["reflector"] if efficiency is None else efficiency
    face = Emitter("disc", diameter_m, share, beam_profile(beam_deg))
    if grid_deg is not None:
        face = with_honeycomb(face, grid_deg)
    depth = 0.6 * diameter_m
    bowl = Body("cone", (diameter_m, min(0.1, diameter_m), depth), (0, 0, -0.002 - depth / 2), GREY)
    return UnitLight((face,), (bowl, head_behind(-0.004 - depth)))


def snoot(
    length_m: float = 0.2,
    diameter_m: float = 0.07,
    grid_deg: float | None = None,
    efficiency: float | None = None,
) -> UnitLight:
    """A snoot: a black tube; each point of its end sees the head's opening through it (umbra and penumbra).

    The efficiency is the light that enters the tube, by default 0.6 (common practice, no source); what leaves follows
    from the tube's configuration factor.
    Does not: model reflections inside the tube, so it errs on the dark side.
    """
    share = EFFICIENCY["snoot"] if efficiency is None else efficiency
    throat = max(SNOOT_THROAT_M, diameter_m)
    # Give the end the radiance of the throat, then cut what the tube hides.
    radiance = share / (math.pi * math.pi * throat**2 / 4)
    open_face = Emitter("disc", diameter_m, radiance * math.pi * math.pi * diameter_m**2 / 4)
    face = lose(open_face, Profile(throat_length_m=length_m, throat_radius_m=throat / 2))
    if grid_deg is not None:
        face = with_honeycomb(face, grid_deg)
    tube = Body("cone", (diameter_m, throat, length_m), (0, 0, -0.002 - length_m / 2), BLACK)
    return UnitLight((face,), (tube, head_behind(-0.004 - length_m)))


def beauty_dish(
    diameter_m: float = 0.55,
    grid_deg: float | None = None,
    sock: bool = False,
    efficiency: float | None = None,
) -> UnitLight:
    """A beauty dish: a wide disc with a darker centre behind its deflector; with a sock, an even Lambertian disc.

    Default efficiency 0.4, with the sock 0.25 (common practice, no source).
    Does not: model the deflector as an object, or the lamp's direct light at its rim.
    """
    share = EFFICIENCY["beauty dish sock" if sock else "beauty dish"] if efficiency is None else efficiency
    profile = (
        Profile()
        if sock
        else replace(beam_profile(DISH_BEAM_DEG), hot_spot_gain=-0.6, hot_spot_sigma_m=0.15 * diameter_m)
    )
    face = Emitter("disc", diameter_m, share, profile)
    if grid_deg is not None:
        face = with_honeycomb(face, grid_deg)
    depth = 0.25 * diameter_m
    dish = Body("cone", (diameter_m, 0.14, depth), (0, 0, -0.002 - depth / 2), GREY)
    return UnitLight((face,), (dish, head_behind(-0.004 - depth)))


def softbox(
    width_m: float,
    height_m: float,
    recess_m: float = 0.0,
    hot_spot_stops: float = 0.0,
    grid_deg: float | None = None,
    efficiency: float | None = None,
    kind: str = "softbox",
    front_reflectance: float | None = None,
) -> UnitLight:
    """A rectangular softbox or strip: a Lambertian cloth with a brighter centre, a black lip, a fabric grid.

    Default efficiency 0.3, of a strip 0.25, before lip and grid (common practice, no source).
    Does not: model seams, a curved cloth, light reflected by the lip, or colour of the cloth.
    """
    share = EFFICIENCY[kind] if efficiency is None else efficiency
    short = min(width_m, height_m)
    glow = hot_spot(Profile(), hot_spot_stops, short)
    face = Emitter("rectangle", width_m, share, glow, height_m=height_m, front_reflectance=front_reflectance)
    if recess_m > 0:
        face = lose(
            face,
            replace(face.profile, recess_m=recess_m, recess_half_x_m=width_m / 2, recess_half_y_m=height_m / 2),
        )
    if grid_deg is not None:
        face = with_fabric_grid(face, grid_deg)
    depth = max(0.12, 0.5 * short)
    box = Body("box", (width_m, height_m, depth), (0, 0, -0.002 - depth / 2), BLACK)
    return UnitLight((face,), (box, *_lip(width_m, height_m, recess_m), head_behind(-0.004 - depth)))


def _lip(width_m: float, height_m: float, recess_m: float) -> tuple[Body, ...]:
    """Return the four walls of a lip that stands in front of a rectangular face."""
    if recess_m <= 0:
        return ()
    x, y, d = width_m / 2 + 0.002, height_m / 2 + 0.002, recess_m
    ends = [((-x, -y), (x, -y)), ((x, -y), (x, y)), ((x, y), (-x, y)), ((-x, y), (-x, -y))]
    return tuple(Body("quad", corners_m=((*a, 0.0), (*b, 0.0), (*b, d), (*a, d)), reflectance=BLACK) for a, b in ends)


def octabox(
    diameter_m: float,
    recess_m: float = 0.0,
    hot_spot_stops: float = 0.0,
    grid_deg: float | None = None,
    efficiency: float | None = None,
    front_reflectance: float | None = None,
) -> UnitLight:
    """An octagonal softbox, diameter across its flats, standing on a flat side; lip and grid as a softbox.

    Default efficiency 0.3 before lip and grid (common practice, no source).
    Does not: model seams, a curved cloth, or light reflected by the lip, whose opening is the circle through the
    corners.
    """
    share = EFFICIENCY["octabox"] if efficiency is None else efficiency
    corners_m = diameter_m / math.cos(math.pi / 8)
    glow = hot_spot(Profile(), hot_spot_stops, diameter_m)
    face = Emitter("polygon", corners_m, share, glow, sides=8, front_reflectance=front_reflectance)
    if recess_m > 0:
        face = lose(face, replace(face.profile, throat_length_m=-recess_m, throat_radius_m=corners_m / 2))
    if grid_deg is not None:
        face = with_fabric_grid(face, grid_deg)
    depth = max(0.12, 0.35 * diameter_m)
    shell = Body("cone", (diameter_m, 0.14, depth), (0, 0, -0.002 - depth / 2), BLACK)
    return UnitLight((face,), (shell, head_behind(-0.004 - depth)))


def umbrella(diameter_m: float, surface: str = "white", efficiency: float | None = None) -> UnitLight:
    """A reflective umbrella, white or silver: a bowl that glows toward its open side, the head in front of it.

    Default efficiency 0.35 white, 0.45 silver, the head's shadow counted (common practice, no source).
    Does not: model ribs, the head's own spill past the rim, or facets of silver cloth. The head's shadow on the
    subject is that of a plain cylinder.
    """
    share = EFFICIENCY[f"umbrella {surface}"] if efficiency is None else efficiency
    profile = Profile() if surface == "white" else beam_profile(SILVER_BEAM_DEG)
    depth = 0.2 * diameter_m
    bowl = Emitter("cap", diameter_m, share, hot_spot(profile, 0.5, diameter_m), height_m=depth)
    cloth = Body("cap", (diameter_m * 1.004, depth), (0, 0, -0.004), BLACK)
    head = Body("cylinder", (min(0.13, 0.15 * diameter_m), 0.3), (0, 0, 0.15 * diameter_m + 0.15), BLACK)
    return past_housing((bowl,), (cloth, head))


def shoot_through(diameter_m: float, efficiency: float | None = None) -> UnitLight:
    """A shoot-through umbrella: a glowing disc to the front and its rear spill, both Lambertian.

    Default efficiency 0.55, four tenths of it backward past the head (common practice, no source).
    Does not: model the bulge of the cloth (a flat disc stands for it, so spill straight to the side is missing)
    or ribs.
    """
    share = EFFICIENCY["shoot-through"] if efficiency is None else efficiency
    front = Emitter("disc", diameter_m, share * (1 - SHOOT_THROUGH_REAR), hot_spot(Profile(), 0.5, diameter_m))
    rear = Emitter(
        "disc",
        diameter_m,
        share * SHOOT_THROUGH_REAR,
        hot_spot(Profile(), 0.5, diameter_m),
        offset_m=(0.0, 0.0, -0.004),
        axis_flip=True,
    )
    cloth = Body("cylinder", (diameter_m, 0.002), (0, 0, -0.002), WHITE)
    head = head_behind(-0.35 * diameter_m)
    return past_housing((front, rear), (cloth, head))


def covered_umbrella(diameter_m: float, surface: str = "white", efficiency: float | None = None) -> UnitLight:
    """A reflective umbrella behind a diffusion cover: a Lambertian disc with a slightly brighter centre.

    Default efficiency 0.25 white, 0.3 silver (common practice, no source).
    Does not: model ribs, the cover's seams, or light that leaks at the rim.
    """
    share = EFFICIENCY[f"covered umbrella {surface}"] if efficiency is None else efficiency
    face = Emitter("disc", diameter_m, share, hot_spot(Profile(), 0.3, diameter_m))
    shell = Body("cap", (diameter_m, 0.2 * diameter_m), (0, 0, -0.004), BLACK)
    return UnitLight((face,), (shell,))


def spot(lens_m: float = 0.15, beam_deg: float = 12.0, efficiency: float | None = None) -> UnitLight:
    """A fresnel-like focusable spot: an evenly bright lens whose intensity is a smooth bell with a dark edge.

    Default efficiency 0.15 (common practice, no source).
    Does not: model lens rings, colour fringes, or how focusing changes the light output.
    """
    share = EFFICIENCY["spot"] if efficiency is None else efficiency
    end = profiles.spot_cutoff_half_angle_rad(beam_deg)
    face = Emitter(
        "disc",
        lens_m,
        share,
        Profile(theta_max_rad=end, table=axial_table(lambda t: profiles.spot_profile(t, beam_deg), end)),
    )
    house = Body("box", (lens_m * 1.3, lens_m * 1.3, 0.3), (0, 0, -0.152), BLACK)
    return UnitLight((face,), (house,))


def panel(width_m: float, height_m: float, efficiency: float = 1.0) -> UnitLight:
    """A plain Lambertian panel, such as a window of sky.

    Does not: model window bars, or the sky's own distribution.
    """
    return UnitLight((Emitter("rectangle", width_m, efficiency, height_m=height_m),), ())


def barn_doors(
    opening_m: float, left_deg: float, right_deg: float, top_deg: float, bottom_deg: float
) -> tuple[Body, ...]:
    """Return four leaves on the rim as real blocking plates.

    Args: side of the square they are hinged around, metres; how far each is opened, degrees: 0 straight forward,
    90 flat out of the way. Left and right are those of someone behind the light (left is +x of the light's frame).
    The leaves are geometry: light they stop is lost, whatever the modifier's efficiency says.
    Does not: model gaps at the hinges, or the wedge shape of real leaves.
    """
    half, length = opening_m / 2 + 0.003, BARN_DOOR_LENGTH * opening_m
    plates = []
    sides = ((left_deg, 1, 0), (right_deg, -1, 0), (top_deg, 0, 1), (bottom_deg, 0, -1))
    for angle_deg, nx, ny in sides:
        # Swing each leaf from straight forward to flat outward.
        angle = math.radians(angle_deg)
        out, ahead = half + length * math.sin(angle), length * math.cos(angle)
        sx, sy = abs(ny) * half, abs(nx) * half
        plates.append(
            Body(
                "quad",
                corners_m=(
                    (nx * half - sx, ny * half - sy, 0.0),
                    (nx * half + sx, ny * half + sy, 0.0),
                    (nx * out + sx, ny * out + sy, ahead),
                    (nx * out - sx, ny * out - sy, ahead),
                ),
            )
        )
    return tuple(plates)
