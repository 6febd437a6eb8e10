"""The renderer's own path tracer on a stage, as a yardstick for ours: one picture with all glowing faces on."""

from __future__ import annotations

from typing import Any

import mitsuba as mi
import numpy as np

from sim.render.stage.build import Stage


def stock_picture(stage: Stage, *, size: tuple[int, int], samples: int, seed: int = 0, depth: int = 5) -> np.ndarray:
    """Linear picture (h, w, 3) by the integrator `path` with its own defaults, of a stage built with `glowing` layers.

    Arguments: as those of `sim.render.transport.render.render`; `samples` is taken as it is.
    Does not: know profiles or even surrounds, keep lights apart, or leave out a light on its own housing.
    """
    integrator = mi.load_dict({"type": "path", "max_depth": depth + 1, "hide_emitters": False})
    # The renderer takes plain numbers here, unlike what its stubs say.
    picture: Any = mi.render
    image = picture(stage.scene, sensor=stage.sensor(size), integrator=integrator, spp=samples, seed=seed)
    return np.array(image)[..., :3]
