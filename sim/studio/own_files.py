"""Read every file that a scene names as a run would, so that a check finds what a preview would refuse."""

from __future__ import annotations

from sim.scene.model import FigureFile, IesSource, ImageBackdrop, Scene

# A picture is decoded whole however few texels are wanted of it.
_PIXELS_PER_M = 10.0


def require_own_files(scene: Scene) -> None:
    """Read mesh, picture and photometric files of a scene; raises `HalfstopError` for the first that cannot serve.

    Does not: read anything, or import what reads, for a scene that names no files.
    """
    folder = scene.file_path(".")
    if isinstance(scene.sitter.figure, FigureFile):
        from sim.studio.figure import figure_from_sitter

        figure_from_sitter(scene.sitter, scene.camera.place.position_m, folder)
    for name, light in scene.lights.items():
        if isinstance(light.source, IesSource):
            from sim.studio.gear.rig import require_held, rig_from_light

            require_held(name, rig_from_light(light, folder), scene.room)
    if isinstance(scene.backdrop, ImageBackdrop):
        from sim.studio.backdrop import backdrop_texture

        hung = scene.backdrop.model_copy(update={"file": str(scene.file_path(scene.backdrop.file))})
        backdrop_texture(hung, _PIXELS_PER_M)
