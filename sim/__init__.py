"""halfstop: rehearse a multi-light studio portrait before anyone rents a studio.

A scene file becomes one linear picture per light, a combined picture, readings in stops and a rig plan.

    scenes/*.yaml -> Scene -> Stage -> LightStack -> readings and pictures -> out/<scene>/

The rooms, lowest floor first; a module never imports one above it, nor a neighbour on its own floor
(tests/test_floors.py holds the order, rooms within rooms too, and enforces it):

    quantities/   units, photometry, colour, errors, shipped files: arithmetic and words, NumPy only
    scene/        what a scene file may say: the model, reading it, its text, one place of it changed
    studio/       what stands where: the sitter, the gear, the backdrop, the layout; no renderer
    light/        what comes out, as plain arrays: layers, readings, each light's weight, the developed picture
    render/       the one room with the renderer: engine, stage, transport, the cache of what was traced
    metering/     where a meter is held and what it reads in stops; the crew's readings
    session.py    the rehearsal: the one way from a scene file to its stage, layers and readings
    advice/       what a practitioner would notice, and how to meet a wish: checks, balance, comparison
    web/          what the pages share: JavaScript modules, and putting them into one file
    reports/      pages and files for people: preview, plan, handout, sheets
    room/         the scene in the browser: its text, its view, painting while it changes
    sweep/        hundreds of variations on one machine or many, as one table
    cli/          the commands, and what this machine can run

The five public names load their modules when first used, so that the arithmetic below never starts
the renderer:

>>> import sim
>>> sim.__all__
['Rehearsal', 'develop', 'load_scene', 'read_meter', 'render']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.light.develop import develop
    from sim.metering.report import read_meter
    from sim.render.transport.render import render
    from sim.scene.read import load_scene
    from sim.session import Rehearsal

__version__ = "0.1.0"
__all__ = ["Rehearsal", "develop", "load_scene", "read_meter", "render"]

_HOMES = {
    "Rehearsal": "sim.session",
    "develop": "sim.light.develop",
    "load_scene": "sim.scene.read",
    "read_meter": "sim.metering.report",
    "render": "sim.render.transport.render",
}


def __getattr__(name: str) -> object:
    """Import a public name from its module on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value: object = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
