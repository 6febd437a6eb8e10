"""Which rays of a part are traced again, and what their excess is worth: by counting and by the textbook's formulas."""

from __future__ import annotations

import numpy as np
import pytest

pytestmark = pytest.mark.usefixtures("engine")

# Three parts on eight pixels; 0 is nothing.
PART = np.array([0, 1, 1, 2, 0, 3, 3, 3])


def test_rays_are_drawn_from_each_part_alike_and_none_twice() -> None:
    from sim.render.transport.part_correction import LEAST_OF_PART, MOST_OF_PART, chosen_rays

    rays, wanted = 4000, 3000
    pixel, ray = chosen_rays(PART, rays, wanted, seed=5)
    counts = np.bincount(PART[pixel], minlength=4)
    assert counts.tolist() == [0, 1000, 1000, 1000]
    assert ray.min() >= 0 and ray.max() < rays
    assert len(set(zip(pixel.tolist(), ray.tolist(), strict=True))) == len(pixel)
    # In the order of their parts, pixels and rays, so that neighbours are traced together.
    assert (np.diff(PART[pixel]) >= 0).all() and (np.diff((pixel * rays + ray)[PART[pixel] == 3]) > 0).all()
    # Each pixel of a part and each half of its rays alike: binomial, within 4.5 standard deviations.
    shares = np.bincount(pixel[PART[pixel] == 3])[5:] - 1000 / 3
    assert (np.abs(shares) < 4.5 * np.sqrt(1000 * 2 / 9)).all()
    assert abs(int((ray < rays // 2).sum()) - 1500) < 4.5 * np.sqrt(750)
    # At least and at most so many of a part, however few or many are wanted, and never more than it has.
    assert len(chosen_rays(PART, rays, 1, seed=5)[0]) == 3 * LEAST_OF_PART == 3 * 512
    assert len(chosen_rays(PART, 1 << 17, 1 << 22, seed=5)[0]) == 3 * MOST_OF_PART == 3 << 16
    assert np.bincount(PART[chosen_rays(PART, 100, 3000, seed=5)[0]]).tolist() == [0, 200, 100, 300]


def test_the_same_seed_draws_the_same_rays_and_another_draws_others() -> None:
    from sim.render.transport.part_correction import chosen_rays

    one, same, other = (np.stack(chosen_rays(PART, 1000, 600, seed)) for seed in (5, 5, 6))
    assert (one == same).all() and (one != other).any()
    assert np.stack(chosen_rays(PART, 1000, 600, seed=-1)).shape == one.shape
    assert np.stack(chosen_rays(np.zeros(8, int), 1000, 600, seed=5)).shape == (2, 0)


def test_excess_is_the_mean_difference_and_its_variance_that_of_a_mean() -> None:
    # A control variate's correction: mean of the differences, variance s2 / n of its luminance [Owen:2013] chapter 8.
    from sim.render.transport.part_correction import excess_of_parts

    # Two lights, grey, so that the luminance is the value; part 1 has four rays, part 3 one, part 2 none.
    part = np.array([1, 3, 1, 1, 1])
    full = np.array([[1, 10], [7, 0], [2, 10], [4, 10], [5, 14]], np.float32)[..., None] * np.ones(3, np.float32)
    gathered = np.array([[1, 8], [4, 2], [1, 8], [1, 8], [1, 8]], np.float32)[..., None] * np.ones(3, np.float32)
    full[..., 2] += 3
    gathered[..., 2] += 3
    excess = excess_of_parts(part, 4, full, gathered)
    assert excess.shape == (2, 4, 4)
    # Part 1: differences 0, 1, 3, 4 and 2, 2, 2, 6; s2 = 10/3 and 4.
    np.testing.assert_allclose(excess[0, 1], [2, 2, 2, 10 / 3 / 4], rtol=1e-6)
    np.testing.assert_allclose(excess[1, 1], [3, 3, 3, 4 / 4], rtol=1e-6)
    np.testing.assert_allclose(excess[:, 3], [[3, 3, 3, 0], [-2, -2, -2, 0]], rtol=1e-6)
    assert not excess[:, 0].any() and not excess[:, 2].any()


def test_a_rays_light_is_found_again_in_the_band_it_was_in(engine) -> None:
    import mitsuba as mi

    from sim.render.transport.part_correction import MOST_KEPT_RAYS, ControlSamples

    # Five pixels in two bands, four rays each, of which a keep of three holds the first three; two layers.
    control = ControlSamples(MOST_KEPT_RAYS // 3)
    assert control.most == 3 and control.rays == 0 and ControlSamples(MOST_KEPT_RAYS * 2).most == 1
    bands, light = [range(0, 2), range(2, 5)], []
    for band in bands:
        count = len(band) * 4
        colors = np.arange(6 * count, dtype=np.float32).reshape(6, count) + 1000 * band.start
        control.keep(band, [[mi.Float(c) for c in colors[:3]], [mi.Float(c) for c in colors[3:]]], 4)
        light.append(colors.reshape(6, len(band), 4))
    assert control.rays == 3
    every = np.concatenate(light, axis=1)
    pixel, ray = np.array([4, 0, 2, 1, 1, 3]), np.array([2, 0, 1, 2, 0, 0])
    expected = every[:, pixel, ray].T.reshape(6, 2, 3)
    np.testing.assert_array_equal(control.brought(pixel, ray), expected)
    few = ControlSamples(1)
    few.keep(range(0, 1), [[mi.Float([1.0, 2.0])] * 3], 2)
    assert few.rays == 2
