"""Sequins live by a large light from the front: the same gown with that light on and off."""

from __future__ import annotations

import pytest

from sim.render.engine import Engine
from tests.studio.figure.setups import GOWN_SCENE, gown_sparkle


@pytest.mark.slow
def test_frontal_fill_makes_the_sequins_glint(engine: Engine) -> None:
    with_fill, without = gown_sparkle(GOWN_SCENE, size=(360, 540), samples=64)
    assert with_fill > 0.2
    assert with_fill >= 3.0 * without
