"""How time grows with lights, pixels and triangles, and what a change costs once a picture is made."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import trimesh

from sim.light.develop import encoded, exposed
from sim.light.mix import mix_from_scene
from sim.metering.report import read_meter
from sim.render.cache.disk import LayerStore
from sim.render.cache.stage import CachedStage
from sim.scene.model import Scene
from sim.studio.layout import Layout, frame_from_aim, point_from_bearing
from tests.bench.clock import timed

Size = tuple[int, int]


def ringed(layout: Layout, count: int) -> Layout:
    """The layout with `count` copies of its first light on a ring around the mark in place of its lights."""
    first, face_m = layout.lights[0], layout.anchors_m["face"]
    lights = []
    for number in range(count):
        place_m = point_from_bearing(-100.0 + 360.0 * number / count, 1.8, 1.3 + 0.6 * (number % 3) / 2)
        frame = frame_from_aim(place_m, face_m)
        lights.append(replace(first, name=f"light {number + 1}", world_from_light=frame, aim_m=face_m))
    return replace(layout, lights=tuple(lights), even_ambients=())


def refined(layout: Layout, times: int) -> Layout:
    """The layout with every triangle of the sitter cut in four, `times` over; its shape stays as it is."""
    parts = []
    for part in layout.figure.parts:
        told: dict[str, Any] = {"normals": part.normals, "color_rgb": part.color_rgb, "uv": part.uv}
        points, triangles, told = part.points_m, part.triangles, {n: a for n, a in told.items() if a is not None}
        for _ in range(times):
            points, triangles, told = trimesh.remesh.subdivide(points, triangles, vertex_attributes=told)
        parts.append(replace(part, points_m=points, triangles=triangles, **told))
    return replace(layout, figure=replace(layout.figure, parts=tuple(parts)))


def growth_with_lights(
    scene: Scene, layout: Layout, counts: Sequence[int], *, size: Size, samples: int, repeats: int
) -> dict[str, Any]:
    """Trace time for each number of soft boxes, and each added one's time over the time with one alone."""
    rows = []
    for count in counts:
        timing = _trace_time(scene, ringed(layout, count), size, samples, repeats)
        rows.append({"lights": count, "process_s": timing.process_s, "wall_s": timing.wall_s})
    one = rows[0]["process_s"]
    for row in rows[1:]:
        row["added_over_one"] = (row["process_s"] - one) / (row["lights"] - rows[0]["lights"]) / one
    return {"size": list(size), "samples": samples, "rows": rows, "added_over_one": rows[-1].get("added_over_one", 0.0)}


def growth_with_pixels(
    scene: Scene, layout: Layout, sizes: Sequence[Size], *, samples: int, repeats: int
) -> list[dict[str, Any]]:
    """Trace time for each picture size, and per million camera rays."""
    rows = []
    for size in sizes:
        timing = _trace_time(scene, layout, size, samples, repeats)
        rays = size[0] * size[1] * samples / 1e6
        row = {"size": list(size), "samples": samples, "process_s": timing.process_s, "wall_s": timing.wall_s}
        rows.append(row | {"process_s_per_million_rays": timing.process_s / rays})
    return rows


def growth_with_triangles(
    scene: Scene, layout: Layout, cuts: Sequence[int], *, size: Size, samples: int, repeats: int
) -> list[dict[str, Any]]:
    """Trace time for the sitter as it is and with its triangles cut in four so many times."""
    rows = []
    for times in cuts:
        finer = refined(layout, times)
        timing = _trace_time(scene, finer, size, samples, repeats)
        row = {"triangles": finer.figure.triangle_count, "process_s": timing.process_s, "wall_s": timing.wall_s}
        rows.append(row)
        row["over_first"] = row["process_s"] / rows[0]["process_s"]
    return rows


def _trace_time(scene: Scene, layout: Layout, size: Size, samples: int, repeats: int) -> Any:
    from sim.render.stage.build import build
    from sim.render.transport.render import render

    stage, depth = build(scene, layout), scene.render.depth
    return timed(lambda run: render(stage, size=size, samples=samples, seed=1 + run, depth=depth), repeats)


def change_times(
    scene: Scene, layout: Layout, stage: Any, *, size: Size, samples: int, repeats: int
) -> dict[str, dict[str, float]]:
    """Times of a whole render, one light alone, a new mix, a picture from kept layers, and the meter table."""
    from sim.render.transport.render import render

    depth, mix = scene.render.depth, mix_from_scene(scene, layout)
    how: dict[str, Any] = {"size": size, "samples": samples, "depth": depth}
    stack = render(stage, seed=0, **how)
    one = replace(stage, wanted_layers=frozenset({0}))
    with tempfile.TemporaryDirectory(prefix="halfstop-bench-") as folder:
        store = LayerStore(Path(folder))
        timings = {
            "render_all": timed(lambda run: render(stage, seed=1 + run, **how), repeats),
            "render_one_light": timed(lambda run: render(one, seed=1 + run, **how), repeats),
            "mix_and_develop": timed(lambda run: encoded(exposed(stack, mix, scene.camera)), repeats),
            "all_from_kept_layers": timed(lambda run: CachedStage(scene, layout, store).render(**how), repeats),
            "meter_table": timed(lambda run: read_meter(scene, layout, stage, seed=1 + run), repeats),
        }
    whole = timings["render_all"].process_s
    return {
        name: {"process_s": t.process_s, "wall_s": t.wall_s, "over_render_all": t.process_s / whole}
        for name, t in timings.items()
    }
