"""halfstop: rehearse a multi-light studio portrait before anyone rents a studio.

A scene file becomes one linear picture per light, a combined picture, readings in stops and a rig plan.

    scenes/*.yaml -> Scene -> Stage -> LightStack -> readings and pictures -> out/<scene>/

The floors, lowest first; a module never imports one above it, nor a neighbour unless the map says so
(tests/test_floors.py holds the map and enforces it):

    F0  errors, units, photometry, color, profiles, ies, assets
                                        arithmetic and tables: NumPy only
    F1  model/, scenefile, scene_text, scene_edit    the scene and its file; one place of it changed
        figure/, gear/, layout, backdrop  the sitter, the lights, where all stands; no renderer
        verdicts                        which render engines have passed their trial
        lightstack, readings, mix       what comes out of the renderer, and each light's weight in it
    F2  engine, stage/                  model -> renderer scene, in metres
    F3  transport/                      Stage -> LightStack; start with transport/path.py
    F4  develop, metering, meterpoints  pictures and stops out of the LightStack, with no new render
        analysis/, health, balance      what a practitioner would notice, and how to meet a wish
        calibrate, finish               the crew's readings; the picture's last steps
        layercache                      layers kept from run to run, so that a change traces only what it affects
    F5  sheets/, plan/, rigview, handout/, strips, meterreport, compare    pages for people
        checkup, eyes_sheet, latitude_sheet    the checks and the sitter's latitude as files
        savefiles/, preview/, paperwork, doctor    files written whole; the run from file to folder; the machine
        room/                           the scene in the browser: its text, its view, painting while it changes
        sweep/                          hundreds of variations on one machine or many, as one table
    F6  cli/, bench/, __main__, this file   the commands; `python -m sim.bench` measures speed

The four public names load their modules when first used, so that the arithmetic below never starts
the renderer:

>>> import sim
>>> sim.__all__
['develop', 'load_scene', 'read_meter', 'render']
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sim.develop import develop
    from sim.meterreport import read_meter
    from sim.scenefile import load_scene
    from sim.transport.render import render

__version__ = "0.1.0"
__all__ = ["develop", "load_scene", "read_meter", "render"]

_HOMES = {
    "develop": "sim.develop",
    "load_scene": "sim.scenefile",
    "read_meter": "sim.meterreport",
    "render": "sim.transport.render",
}


class _Package(ModuleType):
    """Package whose public name `develop` stays the function once the module `sim.develop` is imported."""

    def __setattr__(self, name: str, value: object) -> None:
        if name not in _HOMES or not isinstance(value, ModuleType):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    """Import a public name from its module on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
