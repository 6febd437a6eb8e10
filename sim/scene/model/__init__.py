"""The scene as frozen, checked data: the one definition of what a scene file may say.

    block      what every block of keys shares
    fields     checked numbers: quantities, plain numbers, rows
    words      checked words: choices, names, colours, files
    places     coordinates, bearings around the sitter, part names
    sources    where light comes from
    modifiers  what is fitted to it
    lights     lights, gels, panels, ambient light, meter points
    sitter     sitter and backdrop
    scene      room or outdoors, camera, scene
    checks     what must hold between blocks
    schema     the JSON Schema, for editors

Python names carry units (`distance_m`); the YAML key is the alias (`distance`).
"""

from sim.scene.model.block import Block, BlockFault
from sim.scene.model.lights import (
    Ambient,
    BouncePanel,
    ColorGel,
    Flag,
    Gel,
    Light,
    Meter,
    MiredGel,
    NeutralGel,
    Panel,
    Scrim,
    UniformAmbient,
    VFlat,
    WindowPanel,
)
from sim.scene.model.modifiers import (
    AnyModifier,
    BareBulb,
    BarnDoors,
    BeautyDish,
    CoveredUmbrella,
    Modifier,
    Octabox,
    Reflector,
    ShootThrough,
    Snoot,
    Softbox,
    Spot,
    Strip,
    Umbrella,
)
from sim.scene.model.places import BACKDROP_PARTS, PARTS, SITTER_PARTS, Around, Heading, Place, Point, Size, Target
from sim.scene.model.scene import AnyRoom, Camera, Outdoors, RenderDefaults, Room, RoomSize, Scene, Sensor
from sim.scene.model.schema import scene_schema
from sim.scene.model.sitter import (
    Backdrop,
    CanvasBackdrop,
    Clothing,
    FigureFile,
    Hair,
    Head,
    ImageBackdrop,
    NoBackdrop,
    PaperBackdrop,
    Sitter,
    SkinReflectance,
    WallBackdrop,
)
from sim.scene.model.sources import (
    ContinuousSource,
    DialRange,
    FlashSource,
    GuideNumberSource,
    IesSource,
    MeasuredSource,
    Source,
)

__all__ = [
    "BACKDROP_PARTS",
    "PARTS",
    "SITTER_PARTS",
    "Ambient",
    "AnyModifier",
    "AnyRoom",
    "Around",
    "Backdrop",
    "BareBulb",
    "BarnDoors",
    "BeautyDish",
    "Block",
    "BlockFault",
    "BouncePanel",
    "Camera",
    "CanvasBackdrop",
    "Clothing",
    "ColorGel",
    "ContinuousSource",
    "CoveredUmbrella",
    "DialRange",
    "FigureFile",
    "Flag",
    "FlashSource",
    "Gel",
    "GuideNumberSource",
    "Hair",
    "Head",
    "Heading",
    "IesSource",
    "ImageBackdrop",
    "Light",
    "MeasuredSource",
    "Meter",
    "MiredGel",
    "Modifier",
    "NeutralGel",
    "NoBackdrop",
    "Octabox",
    "Outdoors",
    "Panel",
    "PaperBackdrop",
    "Place",
    "Point",
    "Reflector",
    "RenderDefaults",
    "Room",
    "RoomSize",
    "Scene",
    "Scrim",
    "Sensor",
    "ShootThrough",
    "Sitter",
    "Size",
    "SkinReflectance",
    "Snoot",
    "Softbox",
    "Source",
    "Spot",
    "Strip",
    "Target",
    "Umbrella",
    "UniformAmbient",
    "VFlat",
    "WallBackdrop",
    "WindowPanel",
    "scene_schema",
]
