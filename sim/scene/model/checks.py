"""Checks between blocks: things that are right one by one and wrong together."""

import math
import re
from collections.abc import Collection, Iterator
from difflib import get_close_matches
from itertools import chain

from sim.quantities import phrases, units
from sim.scene.model.block import BlockFault
from sim.scene.model.lights import FACING_WORDS, WindowPanel
from sim.scene.model.modifiers import Spot
from sim.scene.model.places import BACKDROP_PARTS, Place, Point
from sim.scene.model.scene import AnyRoom, Outdoors, Room, Scene
from sim.scene.model.sitter import (
    CanvasBackdrop,
    ImageBackdrop,
    NoBackdrop,
    PaperBackdrop,
    WallBackdrop,
    capsule_distance_m,
    sitter_capsule,
)
from sim.scene.model.sources import MeasuredSource

Xyz = tuple[float, float, float]
Where = tuple[str | int, ...]

RESERVED_NAMES = ("ambient", "combined", *FACING_WORDS)
CAMERA_CLEARANCE_M = 0.1
# A lamp or camera right over the sitter hangs at least so far above the head: common practice, no source.
OVERHEAD_CLEARANCE_M = 0.5
SAME_PLACE_M = 0.01
# Figures with arms that can be posed; the others follow turn, head, skin and colours.
POSABLE_FIGURES = ("woman", "second woman", "man")


def check_scene(scene: Scene) -> None:
    """Raise `BlockFault` for the first thing that cannot stand as the scene describes it."""
    _check_names(scene)
    _check_numbers(scene)
    _check_camera(scene)
    _check_sitter_and_backdrop(scene)
    _check_places(scene)
    _check_parts(scene)
    _check_sizes(scene)
    _check_power(scene)
    _check_measured(scene)
    _check_meters(scene)


def scene_warnings(scene: Scene, enabled: Collection[str] | None = None) -> tuple[str, ...]:
    """Plain lines about what a scene may say but its photographer may not have meant.

    enabled: names of the lights that are on, by default those that are not muted.
    """
    from sim.quantities.photometry import sync_warning

    warnings = []
    if enabled is None:
        enabled = [name for name, light in scene.lights.items() if not light.mute]
    flashes = [name for name in enabled if name in scene.lights and scene.lights[name].is_flash]
    sync = sync_warning(scene.camera.shutter_s, scene.camera.sync_s) if flashes else None
    if sync:
        warnings.append(f"camera.shutter: {sync} (the picture shows the light as if the sync held)")
    sitter = scene.sitter
    figure = sitter.figure if isinstance(sitter.figure, str) else sitter.figure.file
    if sitter.is_there and figure not in POSABLE_FIGURES:
        for key, value, plain in (("arms", sitter.arms, "at sides"), ("prop", sitter.prop, "none")):
            if value != plain:
                warnings.append(f"sitter.{key}: {value} has no effect on the figure {figure}, which cannot be posed so")
    return tuple(warnings)


def _check_names(scene: Scene) -> None:
    seen: dict[str, Where] = {}
    ambient = [(("ambient", place, "name"), item.name) for place, item in enumerate(scene.ambient)]
    blocks = [((block, name), name) for block in ("lights", "panels") for name in getattr(scene, block)]
    for where, name in [*blocks[: len(scene.lights)], *ambient, *blocks[len(scene.lights) :]]:
        if name in RESERVED_NAMES:
            listed = ", ".join(RESERVED_NAMES)
            raise BlockFault(where, f'the name "{name}" is taken by halfstop', f"none of {listed}", f'write "{name} 1"')
        # Names become file names, in which spaces, - and _ are the same.
        plain = re.sub(r"[ _-]+", "-", name)
        if plain in seen:
            other = ".".join(map(str, seen[plain]))
            raise BlockFault(
                where,
                f'the name "{name}" is used twice, see {other}',
                "a name of its own",
                f'write "{name} 2"',
            )
        seen[plain] = where


def _check_numbers(scene: Scene) -> None:
    lights: list[tuple[Where, int | None]] = [
        *((("lights", name, "number"), light.number) for name, light in scene.lights.items()),
        *((("ambient", place, "number"), item.number) for place, item in enumerate(scene.ambient)),
    ]
    seen: dict[int, Where] = {}
    for where, number in lights:
        if number is not None and number in seen:
            free = next(n for n in range(1, len(lights) + 1) if n not in [given for _, given in lights])
            other = ".".join(map(str, seen[number]))
            raise BlockFault(where, f"{number} is used twice, see {other}", "a number of its own", f'write "{free}"')
        if number is not None:
            seen[number] = where


def _check_camera(scene: Scene) -> None:
    camera, room = scene.camera, scene.room
    where: Where = ("camera", "place")
    position = camera.place.position_m
    if camera.sensor.height_m > camera.sensor.width_m:
        raise BlockFault(
            ("camera", "sensor"),
            "the sensor stands upright",
            "its long side as the width",
            'swap width and height and write "orientation: portrait"',
        )
    if isinstance(room, Room) and room.front_m > room.size.length_m - 0.3:
        raise BlockFault(
            ("room", "front"),
            f"{_length(room.front_m)} to the wall behind the camera leave no room behind the mark",
            "less than the length of the room",
            f'write "{_length(max(room.size.length_m - 3.0, 0.5 * room.size.length_m))}"',
        )
    outside = _outside(position, room, CAMERA_CLEARANCE_M)
    if outside:
        raise BlockFault(where, f"the camera is in or behind {outside[0]}", outside[1], outside[2])
    if _is_in_sitter(scene, position):
        raise BlockFault(
            where,
            "the camera is inside the sitter",
            "a place in front of the sitter",
            'write "distance: 4 m"',
        )
    _require_clear_of_head(scene, where, "the camera", position)
    if isinstance(camera.aim, Point) and math.dist(camera.aim.at_m, position) < SAME_PLACE_M:
        raise BlockFault(("camera", "aim"), "the camera aims at its own place", "another point", 'write "aim: face"')
    farthest = max(math.dist(position, corner) for corner in _corners(room))
    distance_m = camera.focus_distance_m
    if distance_m is not None and not 2 * camera.focal_length_m <= distance_m <= farthest:
        far, near = f"beyond the {'ground' if room.is_open else 'room'}", "too near for the lens"
        low, high = _length(2 * camera.focal_length_m), _length(math.floor(farthest * 10) / 10)
        raise BlockFault(
            ("camera", "focus"),
            f"{_length(distance_m)} is {far if distance_m > farthest else near}",
            f"a distance from {low} to {high}, or a part such as near eye",
            'write "near eye"',
        )


def _check_sitter_and_backdrop(scene: Scene) -> None:
    room, sitter = scene.room, scene.sitter
    x, z, radius, top = sitter_capsule(sitter)
    low, high = room.low_corner_m, room.high_corner_m
    if not (low[0] + radius <= x <= high[0] - radius and low[2] + radius <= z <= high[2] - radius):
        raise BlockFault(
            ("sitter", "step"),
            "the sitter stands in or behind a wall",
            f"a step that stays {_length(radius)} clear of the walls",
            'write "[0 m, 0 m]"',
        )
    if isinstance(room, Outdoors) and isinstance(scene.backdrop, WallBackdrop):
        raise BlockFault(("backdrop", "kind"), "there is no wall outdoors", "a backdrop that hangs", 'write "none"')
    if sitter.is_there and top > high[1]:
        raise BlockFault(
            ("room", "size", "height"),
            f"the room is lower than the sitter ({_length(top)})",
            "a room that the sitter can stand in",
            'write "3 m"',
        )
    if not isinstance(scene.backdrop, (CanvasBackdrop, PaperBackdrop, ImageBackdrop)):
        return
    hung = scene.backdrop
    if -hung.distance_m < low[2] - 1e-9:
        raise BlockFault(
            ("backdrop", "distance"),
            f"the backdrop hangs {_length(hung.distance_m)} behind the mark, the wall {_length(-low[2])}",
            f"up to {_length(-low[2])}",
            f'write "{_length(round(-low[2] - 0.1, 2))}", or a longer room',
        )
    if isinstance(room, Room) and hung.bottom_m + hung.size.height_m > room.size.height_m + 1e-9:
        raise BlockFault(
            ("backdrop", "size", "height"),
            f"the backdrop ends {_length(hung.bottom_m + hung.size.height_m)} above the floor, "
            f"the ceiling is at {_length(room.size.height_m)}",
            "a backdrop that fits the room",
            f'write "{_length(max(room.size.height_m - hung.bottom_m, 0.1))}"',
        )
    if isinstance(room, Room) and hung.size.width_m > room.size.width_m + 1e-9:
        raise BlockFault(
            ("backdrop", "size", "width"),
            f"the backdrop is wider than the room ({_length(room.size.width_m)})",
            "a backdrop that fits the room",
            f'write "{_length(room.size.width_m)}"',
        )
    if sitter.is_there and z - radius < -hung.distance_m:
        raise BlockFault(
            ("backdrop", "distance"),
            "the backdrop runs through the sitter",
            "a backdrop behind the sitter",
            'write "2 m"',
        )
    if scene.camera.place.position_m[2] < -hung.distance_m + CAMERA_CLEARANCE_M:
        raise BlockFault(
            ("camera", "place"),
            "the camera is behind the backdrop",
            f"a z above {_length(-hung.distance_m)}",
            'write "at: [0 m, 1.4 m, 4 m]"',
        )


def _is_in_sitter(scene: Scene, position: Xyz) -> bool:
    return scene.sitter.is_there and capsule_distance_m(position, sitter_capsule(scene.sitter)) < 0


def _placed(scene: Scene) -> Iterator[tuple[Where, str, Place, object]]:
    lights = ((("lights", n), f'the light "{n}"', item.place, item.aim) for n, item in scene.lights.items())
    panels = ((("panels", n), f'the panel "{n}"', item.place, item.aim) for n, item in scene.panels.items())
    windows = (
        (("ambient", n), f'the window "{item.name}"', item.place, item.aim)
        for n, item in enumerate(scene.ambient)
        if isinstance(item, WindowPanel)
    )
    return chain(lights, panels, windows)


def _check_places(scene: Scene) -> None:
    clear_m = sitter_capsule(scene.sitter)[2]
    for where, what, place, aim in _placed(scene):
        position = place.position_m
        outside = _outside(position, scene.room, 0.0)
        if outside:
            raise BlockFault((*where, "place"), f"{what} is in or behind {outside[0]}", outside[1], outside[2])
        if _is_in_sitter(scene, position):
            raise BlockFault(
                (*where, "place"),
                f"{what} is inside the sitter",
                f"a place at least {_length(clear_m)} from the sitter's middle",
                'write "distance: 1.5 m"',
            )
        if isinstance(aim, Point) and math.dist(aim.at_m, position) < SAME_PLACE_M:
            raise BlockFault((*where, "aim"), f"{what} aims at its own place", "another point", 'write "aim: face"')
    for name, light in scene.lights.items():
        _require_clear_of_head(scene, ("lights", name, "place"), f'the light "{name}"', light.place.position_m)
        if math.dist(light.place.position_m, scene.camera.place.position_m) < CAMERA_CLEARANCE_M:
            raise BlockFault(
                ("lights", name, "place"),
                f'the light "{name}" is at the lens',
                f"a place at least {_length(CAMERA_CLEARANCE_M)} from the camera",
                "raise it, or move it aside",
            )


def _check_parts(scene: Scene) -> None:
    """Refuse a part of a backdrop that is not there: indoors its names stand for the wall."""
    if not (scene.room.is_open and isinstance(scene.backdrop, NoBackdrop)):
        return
    camera = scene.camera
    named: list[tuple[Where, object]] = [
        (("camera", "aim"), camera.aim), (("camera", "focus"), camera.focus),
        *(((*where, "aim"), aim) for where, _, _, aim in _placed(scene)),
        *((("meters", name, "at"), meter.at) for name, meter in scene.meters.items()),
    ]  # fmt: skip
    for where, target in named:
        if target in BACKDROP_PARTS:
            cure = 'write "face", or add a backdrop'
            raise BlockFault(where, "there is neither backdrop nor wall", "a part of the sitter, or a point", cure)


def _require_clear_of_head(scene: Scene, where: Where, what: str, position: Xyz) -> None:
    """Refuse a place in the sitter's column that is not well above the head, as any inside the sitter is."""
    x, z, radius, top = sitter_capsule(scene.sitter)
    is_over = math.hypot(position[0] - x, position[2] - z) < radius
    if scene.sitter.is_there and is_over and position[1] < top + OVERHEAD_CLEARANCE_M:
        raise BlockFault(
            where,
            f"{what} is at the sitter's head",
            f"at least {_length(OVERHEAD_CLEARANCE_M)} above it, or {_length(radius)} from the sitter's middle",
            f'write "distance: 1.5 m", or "height: {_length(top + OVERHEAD_CLEARANCE_M)}"',
        )


def _check_sizes(scene: Scene) -> None:
    windows = [(place, item) for place, item in enumerate(scene.ambient) if isinstance(item, WindowPanel)]
    sized: list[tuple[Where, object]] = [
        *((("lights", name, "modifier"), light.modifier) for name, light in scene.lights.items()),
        *((("panels", name, "size"), panel.size) for name, panel in scene.panels.items()),
        *((("ambient", place, "size"), window.size) for place, window in windows),
    ]
    for where, block in sized:
        diameter_m = getattr(block, "diameter_m", 0.0)
        width_m, height_m = getattr(block, "width_m", diameter_m), getattr(block, "height_m", diameter_m)
        if not scene.room.holds(width_m, height_m):
            what = f"{_length(width_m)} by {_length(height_m)} is larger than the room"
            raise BlockFault(where, what, "a size that the room can hold", "make it smaller, or the room larger")


def _check_power(scene: Scene) -> None:
    for name, light in scene.lights.items():
        lowest = -light.source.dial.range_stops
        if light.power_stops < lowest - 1e-9:
            raise BlockFault(
                ("lights", name, "power"),
                f"{phrases.power(light.power_stops)} is under the lowest setting of this light",
                f"full power to {phrases.power(lowest)}, the range of its dial",
                f'write "{units.text_from_dial_stops(lowest)}", move it away, or add "gels: [{{nd: '
                f'{units.text_from_measure(round(lowest - light.power_stops, 2), units.STOPS)}}}]"',
            )
    if scene.lights and all(light.mute for light in scene.lights.values()) and not scene.ambient:
        first = next(iter(scene.lights))
        raise BlockFault(
            ("lights", first, "mute"),
            "every light is muted and there is no ambient light",
            "at least one light",
            'write "mute: false"',
        )


def _check_measured(scene: Scene) -> None:
    for name, light in scene.lights.items():
        if not isinstance(light.source, MeasuredSource) or not light.source.off_axis_deg:
            continue
        grid_deg = getattr(light.modifier, "grid_deg", None)
        # A grid is dark from half its angle on; a spot's beam runs out before its whole angle.
        edge_deg = light.modifier.beam_deg if isinstance(light.modifier, Spot) else (grid_deg or 180.0) / 2
        if light.source.off_axis_deg >= edge_deg:
            raise BlockFault(
                ("lights", name, "source", "off_axis"),
                f"the {light.modifier.kind} sends nothing {light.source.off_axis_deg:g}° aside of its axis",
                f"a reading less than {edge_deg:g}° aside",
                'write "0°" for a reading on the axis',
            )


def _check_meters(scene: Scene) -> None:
    windows = (item.name for item in scene.ambient if isinstance(item, WindowPanel))
    choices = [*FACING_WORDS, *scene.lights, *windows, *scene.panels]
    for name, meter in scene.meters.items():
        where: Where = ("meters", name)
        if isinstance(meter.facing, str) and meter.facing not in choices:
            near = get_close_matches(meter.facing, choices, 1, 0.5)
            raise BlockFault(
                (*where, "facing"),
                f'there is no light or panel "{meter.facing}"',
                f"one of: {', '.join(choices)}; or a point, a bearing or a direction",
                f'write "{near[0] if near else choices[0]}"',
            )
        if isinstance(meter.at, Point):
            outside = _outside(meter.at.at_m, scene.room, 0.0)
            if outside:
                raise BlockFault((*where, "at"), f"the meter is in or behind {outside[0]}", outside[1], outside[2])
        faced_m = _faced_m(scene, meter.facing)
        if isinstance(meter.at, Point) and faced_m is not None and math.dist(faced_m, meter.at.at_m) < SAME_PLACE_M:
            cure = 'write "up"' if meter.facing == "camera" else 'write "camera"'
            raise BlockFault((*where, "facing"), "the meter faces its own place", "another point", cure)


def _faced_m(scene: Scene, facing: object) -> Xyz | None:
    """The place that a meter faces; None for a direction."""
    if isinstance(facing, Point):
        return facing.at_m
    if facing == "camera":
        return scene.camera.place.position_m
    windows = (item for item in scene.ambient if isinstance(item, WindowPanel))
    things = {**scene.lights, **{item.name: item for item in windows}, **scene.panels}
    return things[facing].place.position_m if isinstance(facing, str) and facing in things else None


def _outside(point: Xyz, room: AnyRoom, clearance_m: float) -> tuple[str, str, str] | None:
    """Return wall, expected range and cure if a point is not inside the room by `clearance_m`."""
    low, high = room.low_corner_m, room.high_corner_m
    # Each axis with its walls, and how far along it is said to the low side and to the high side.
    walls = (
        ("the wall on camera left", "the wall on camera right", "to camera left", "to camera right"),
        ("the floor", "the ceiling", "under the floor", "high"),
        ("the wall behind the sitter", "the wall behind the camera", "behind the mark", "in front of the mark"),
    )
    for place, (low_wall, high_wall, low_way, high_way) in enumerate(walls):
        least, most = low[place] + clearance_m, high[place] - clearance_m
        at = point[place]
        if least - 1e-9 <= at <= most + 1e-9:
            continue
        is_low = at < least
        where = f"{_length(abs(at))} {low_way if at < 0 else high_way}"
        bound = least if is_low else most
        expected = f"{'at least' if is_low and bound >= 0 else 'at most'} {_length(abs(bound))} "
        expected += low_way if bound < 0 else high_way
        if room.is_open and not (place == 1 and is_low):
            return f"the end of the ground ({where})", expected, "move it nearer to the mark"
        return (
            f"{low_wall if is_low else high_wall} ({where})",
            expected,
            "move it into the room, or make the room larger",
        )
    return None


def _corners(room: AnyRoom) -> list[Xyz]:
    low, high = room.low_corner_m, room.high_corner_m
    return [(x, y, z) for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]


def _length(length_m: float) -> str:
    return units.text_from_length_m(length_m)
