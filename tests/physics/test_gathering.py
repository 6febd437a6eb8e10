"""Pictures whose paths end in a radiance cache: how near they come to full paths, and that readings stay exact.

Source: stock integrator `path` of Mitsuba 3 as reference library (through `test_layers`' studio); a closed enclosure is
in `test_path_depth`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.quantities.color import luminance
from sim.studio.gear.emitter import Emitter

pytestmark = pytest.mark.usefixtures("engine")

SIZE = (60, 90)


@pytest.fixture(scope="module")
def studio(engine):
    from tests.physics.stages import bare_stage
    from tests.physics.test_layers import _Camera, _studio

    stage = bare_stage(*_studio(), layout=_Camera)
    # Name every surface a part of its own.
    regions = np.arange(len(stage.shape_part), dtype=np.uint32)
    return replace(stage, shape_part=regions, region_names=tuple(f"part {i}" for i in regions))


def _picture(stage, **how):
    from sim.render.transport.render import render

    return render(stage, **{"size": SIZE, "samples": 16, "seed": 3} | how)


def _blocks(stack):
    light = luminance(stack.pixels).astype(float)
    return light.reshape(len(light), 9, 10, 6, 10).mean(axis=(2, 4))


def test_gathered_pictures_come_near_those_of_full_paths(studio) -> None:
    full = _blocks(_picture(studio, samples=512, gather=False, seed=7))
    gathered = np.mean([_blocks(_picture(studio, samples=64, gather=True, seed=seed)) for seed in range(4)], axis=0)
    lit = full > 0
    assert lit.mean() > 0.9
    for layer in range(len(full)):
        ratio = (gathered[layer] / np.where(lit[layer], full[layer], 1))[lit[layer]]
        assert abs(np.median(ratio) - 1) < 0.01
        assert np.percentile(np.abs(ratio - 1), 95) < 0.03


def test_gathered_pictures_are_less_noisy_at_the_same_samples(studio) -> None:
    reference = luminance(_picture(studio, samples=1024, gather=False, seed=9).pixels)

    def error(gather: bool) -> np.ndarray:
        off = luminance(_picture(studio, gather=gather).pixels) / np.maximum(reference, 0.02 * reference.mean()) - 1
        return np.median(np.square(off), axis=(1, 2))

    assert (error(True) < 0.7 * error(False)).all()


def test_part_means_are_those_of_full_paths_where_every_ray_is_traced_again(studio, monkeypatch) -> None:
    from sim.render.transport import part_correction as parts

    monkeypatch.setattr(parts, "LEAST_OF_PART", 1 << 20)
    monkeypatch.setattr(parts, "MOST_OF_PART", 1 << 20)
    gathered, full = _picture(studio, gather=True), _picture(studio, gather=False)
    assert gathered.part_excess.any() and not full.part_excess.any()
    seen = [name for name in full.region_names[1:] if full.mask(name).any()]
    assert len(seen) >= 4
    for name in seen:
        means, errors = gathered.part_means(name)
        expected, _ = full.part_means(name)
        assert means == pytest.approx(expected, rel=1e-4)
        assert (errors > 0).all()
        assert gathered.pixels[:, gathered.mask(name)].mean(axis=1) != pytest.approx(expected, rel=1e-4)


def test_part_means_say_how_far_they_may_be_off(studio) -> None:
    part = max(studio.region_names[1:], key=lambda name: _picture(studio, gather=False, samples=4).mask(name).sum())
    means, errors = zip(
        *(_picture(studio, gather=True, samples=4, seed=seed).part_means(part) for seed in range(24)), strict=True
    )
    spread = luminance(np.array(means)).std(axis=0, ddof=1)
    said = np.sqrt(np.square(errors).mean(axis=0))
    assert (spread < 1.4 * said).all() and (spread > 0.3 * said).all()


def test_layers_do_not_hang_on_how_the_work_is_cut(studio) -> None:
    whole = _picture(studio, gather=True)
    bands = _picture(studio, gather=True, most_rays_at_once=20_000)
    alone = _picture(replace(studio, wanted_layers=frozenset({1})), gather=True)
    np.testing.assert_array_equal(bands.pixels, whole.pixels)
    np.testing.assert_array_equal(bands.part_excess, whole.part_excess)
    np.testing.assert_array_equal(alone.pixels[1], whole.pixels[1])
    np.testing.assert_array_equal(alone.part_excess[1], whole.part_excess[1])
    assert not alone.pixels[0].any()
    np.testing.assert_array_equal(_picture(studio, gather=True).pixels, whole.pixels)
    assert (_picture(studio, gather=True, seed=4).pixels != whole.pixels).any()


def test_direct_light_needs_no_cache(studio) -> None:
    direct = _picture(studio, gather=True, depth=1)
    assert not direct.part_excess[:, :, :3].any()
    np.testing.assert_array_equal(direct.pixels, _picture(studio, gather=False, depth=1).pixels)


def test_small_pictures_follow_every_path(studio) -> None:
    assert not _picture(studio, samples=4).part_excess.any()
    assert _picture(studio, samples=32).part_excess.any()


def test_nothing_to_meet_gives_a_black_picture(engine) -> None:
    from tests.physics.stages import bare_stage, faced
    from tests.physics.test_layers import _Camera

    away = faced(Emitter("disc", 0.2, 100.0), [0, 1, -50], [0, 1, -60])
    picture = _picture(bare_stage([away], layout=_Camera), gather=True)
    assert not picture.pixels.any() and not picture.part_excess.any()


def test_cells_hold_enough_places_and_find_the_nearest() -> None:
    from sim.render.transport.radiance_cache import PLACES_PER_CELL, Cells

    random = np.random.default_rng(1)
    points = random.uniform(0, 3, (4000, 3)) * [1, 0, 1]
    up = np.tile([0.0, 1.0, 0.0], (4000, 1))
    cells = Cells(points, up)
    assert len(points) / cells.count >= PLACES_PER_CELL
    np.testing.assert_array_equal(cells.of(points, up), cells.of_place)
    # Where there is no place, the nearest facing the same way stands in.
    outside = cells.of(np.array([[9.0, 0.0, 1.5]]), up[:1])[0]
    distance = np.linalg.norm(points - [9.0, 0.0, 1.5], axis=1)
    assert outside == cells.of_place[distance.argmin()]
    # More places make smaller cells.
    assert Cells(points[:400], up[:400]).cube_m > cells.cube_m


def test_a_rare_flash_is_cut_to_its_peers() -> None:
    from sim.render.transport.radiance_cache import MOST_OVER_PEERS, Cells

    cells = Cells(np.zeros((10, 3)), np.tile([0.0, 1.0, 0.0], (10, 1)))
    radiance = np.ones((10, 1, 3))
    assert cells.means(radiance) == pytest.approx(np.ones((1, 1, 3)))
    radiance[3] = 1000.0
    assert cells.means(radiance) == pytest.approx(np.full((1, 1, 3), (9 + MOST_OVER_PEERS) / 10))
