"""The path sampler: each decision's points form a (0, 2)-sequence, decisions are independent, lanes are uniform."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

pytestmark = pytest.mark.usefixtures("engine")


def _pairs(count: int, stream: int, seed: int, bounce: int, slot: int) -> np.ndarray:
    import mitsuba as mi

    from sim.render.transport.sampling import PathSampler

    sampler = PathSampler(mi.UInt32(np.full(count, stream, np.uint32)), mi.UInt32(np.arange(count)), seed)
    return sampler.pair(mi.UInt32(bounce), slot).numpy().T


@pytest.mark.parametrize("stream", [0, 1, 77])
def test_every_elementary_interval_holds_one_point(stream):
    # Source: definition of a (0, m, 2)-net in base 2, [Niederreiter:1992], counted out here.
    points = _pairs(64, stream, 3, 1, 2)
    for power in range(7):
        columns, rows = 2**power, 2 ** (6 - power)
        cells = (points[:, 0] * columns).astype(int) * rows + (points[:, 1] * rows).astype(int)
        assert np.array_equal(np.bincount(cells, minlength=64), np.ones(64))


def test_any_one_sample_is_uniform_over_pixels():
    import mitsuba as mi

    from sim.render.transport.sampling import PathSampler

    count = 40_000
    sampler = PathSampler(mi.UInt32(np.arange(count)), mi.UInt32(np.full(count, 5, np.uint32)), 11)
    points = sampler.pair(mi.UInt32(0), 3).numpy()
    for values in (*points, sampler.one(mi.UInt32(0), 3).numpy()):
        assert stats.kstest(values, "uniform").pvalue > 1e-4
    assert abs(np.corrcoef(points)[0, 1]) < 4 / np.sqrt(count)


def test_decisions_bounces_and_seeds_are_not_correlated():
    base = _pairs(4096, 0, 0, 0, 3)[:, 0]
    for stream, seed, bounce, slot in ((0, 0, 0, 4), (0, 0, 1, 3), (0, 1, 0, 3), (1, 0, 0, 3)):
        other = _pairs(4096, stream, seed, bounce, slot)
        assert abs(np.corrcoef(base, other[:, 0])[0, 1]) < 5 / np.sqrt(4096)


def test_same_seed_gives_the_same_numbers():
    assert np.array_equal(_pairs(128, 9, 4, 2, 1), _pairs(128, 9, 4, 2, 1))
