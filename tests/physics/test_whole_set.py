"""Whole sets in Radiance, without our transport: what a dome reads of each light at face, gown and backdrop.

Reference library: Radiance, through `pyradiance`. It gets the layout's meshes with vertex normals, room, panels,
housings, stands, and each light's faces with their profiles (`radiance_set`). Skin and cloth are matt there, by the
share of diffuse light that the stock renderer's glossy surface sends back.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.metering.points import STANDARD_POINTS, standard_probes
from sim.quantities.color import luminance
from sim.scene.read import load_scene
from sim.studio.layout import Layout, layout_from_scene

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    pytest.importorskip("pyradiance", reason="reference renderer: pip install halfstop[test]")

pytestmark = pytest.mark.usefixtures("engine")

SCENES = Path(__file__).parents[2] / "scenes"
BASES = (0.005, 0.02, 0.06, 0.15, 0.3, 0.5, 0.72)
POINTS = [probe.part for probe in STANDARD_POINTS]
# A light that gives less than this part of a point's light is held against that part: a fortieth of a stop.
LEAST_SHARE = 1 / 64
# What two traces of this many rays may differ by: so many of their common standard errors.
SURE = 2.5


def share_sent_back(layout: Layout) -> dict[str, np.ndarray]:
    """Of each part of the sitter, rows of base reflectance and share of diffuse light that its surface sends back."""
    import drjit as dr
    import mitsuba as mi

    from sim.render.stage.surfaces import bsdf_from_material

    n, shares = 1 << 14, {}
    for part in layout.figure.parts:
        rows = []
        for base in BASES if part.material.kind != "sequin" else ():
            bsdf: Any = mi.load_dict(bsdf_from_material(replace(part.material, reflectance_rgb=(base,) * 3), False))
            sampler: Any = mi.load_dict({"type": "independent"})
            sampler.seed(3, n)
            si = dr.zeros(mi.SurfaceInteraction3f, n)
            si.n, si.sh_frame = mi.Normal3f(0, 0, 1), mi.Frame3f(mi.Normal3f(0, 0, 1))
            si.wi = mi.warp.square_to_cosine_hemisphere(sampler.next_2d())
            _, weight = bsdf.sample(mi.BSDFContext(), si, sampler.next_1d(), sampler.next_2d())
            rows.append((base, float(np.mean(np.array(weight)[0]))))
        shares[part.name] = np.array(rows)
    return shares


def disagreements(
    name: str, lights: list[str] | None, points: list[str], rays: int, folder: Path, figure: str | None = None
) -> list[str]:
    """Read a scene's lights at points in both; return a line for each reading that is further apart than it may be."""
    from sim.render.stage.build import build
    from sim.render.transport.probe import read_probes
    from tests.physics.radiance_set import set_from_layout

    scene = load_scene(SCENES / f"{name}.yaml")
    if figure is not None:
        scene = scene.model_copy(update={"sitter": scene.sitter.model_copy(update={"figure": figure})})
    layout = layout_from_scene(scene)
    numbers = [i for i, light in enumerate(layout.lights) if lights is None or light.name in lights]
    probes = [probe for probe in standard_probes(layout) if probe.id.part in points]
    ours = read_probes(build(scene, layout), probes, depth=24, target_stderr_stops=0.01, most_rays=1 << 21)
    theirs = set_from_layout(scene, layout, folder, share_sent_back(layout), numbers)
    apart = []
    for number in numbers:
        light = layout.lights[number]
        allowed = 0.03 if getattr(scene.lights[light.name].modifier, "grid_deg", None) else 0.02
        for index, probe in enumerate(probes):
            direct, whole, error = luminance(
                theirs.reading(number, probe.position_m, probe.facing, rays, 100 * number + index)
            )
            mine = float(luminance(ours.values[index, number]))
            against = max(whole, LEAST_SHARE * float(luminance(ours.values[index]).sum()))
            noise = float(np.hypot(error, ours.stderr[index, number])) / against
            off = (mine - whole) / against
            line = (
                f"{name}, {light.name} at {probe.id.part}: {mine:.4g} lx·s, Radiance {whole:.4g} (direct "
                f"{direct:.4g}), {100 * off:+.2f} % ± {100 * noise:.2f} %"
            )
            print(line, flush=True)
            if abs(off) > allowed + SURE * noise or noise > allowed:
                apart.append(line)
    return apart


def test_umbrella_in_the_scene_of_two_lights_reads_as_in_radiance(tmp_path):
    # 2 % and the noise of both; the plain figure stands for the sitter, so that this is quick.
    assert not disagreements("classic_two", ["fill"], ["face", "backdrop centre"], 1 << 13, tmp_path, "mannequin")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["classic_two", "recital"])
def test_every_light_reads_as_in_radiance(name, tmp_path):
    # 2 %, of gridded lights 3 %, and the noise of both.
    assert not disagreements(name, None, POINTS, 1 << 15, tmp_path)
