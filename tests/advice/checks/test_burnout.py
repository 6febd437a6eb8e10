"""Burnt-out parts against saturation as ISO 12232 has it, by hand, and against their own cure."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from sim.advice.checks.burnout import burnouts
from sim.advice.checks.findings import findings_from_burnouts
from sim.advice.checks.sentences import sentence_from_finding
from sim.light.develop import picture_scale_rgb
from tests.advice.checks.stacks import REGIONS, camera, drawn_stack, mix_of

SIZE = (40, 50)
# Saturation is 78 / S, standard output 10 / S [ISO12232:2019]: middle grey, 0.18, clips 7.8 times as bright.
SATURATION = 0.18 * 7.8
HAIR = np.where(np.arange(SIZE[0])[:, None] < 10, REGIONS.index("hair"), REGIONS.index("gown")) * np.ones(SIZE, int)


def _level(picture_value: float) -> float:
    """What a grey pixel must hold for its first channel to come out at a linear picture value."""
    return picture_value / float(picture_scale_rgb(camera()).max())


def _drawn(hair_value: float, burnt_columns: int = 10) -> dict[str, np.ndarray]:
    """A key of middle grey all over, and a hair light on some of the hair."""
    hair = np.zeros(SIZE)
    hair[:10, :burnt_columns] = _level(hair_value)
    return {"key": np.full(SIZE, _level(0.18)), "hair light": hair}


def _found(layers: dict[str, np.ndarray], mix=None, *, sequins: bool = True, variance: float = 0.0):
    return burnouts(drawn_stack(layers, HAIR, variance), mix or mix_of(*layers), camera(), sequins=sequins)


def test_a_hair_light_that_burns_out_is_named_with_stops_and_a_cure() -> None:
    (found,) = _found(_drawn(4 * SATURATION - 0.18))
    assert (found.part, found.light, found.share) == ("hair", "hair light", pytest.approx(0.2))
    assert found.over_stops == pytest.approx(2.0, abs=0.02)
    # What the key leaves free is its part of saturation.
    by_hand = math.log2((4 * SATURATION - 0.18) / (SATURATION - 0.18))
    assert found.down_stops == pytest.approx(math.ceil(10 * by_hand) / 10)
    (finding,) = findings_from_burnouts((found,))
    sentence = sentence_from_finding(finding)
    assert finding.light == "hair light" and "20 % of the hair, up to 2 stops over" in sentence
    # 2.2 stops by the inverse square: 2 to the 1.1 times as far.
    assert "take hair light down 2.2 stops" in sentence and "2.1 times as far away" in sentence


def test_the_cure_cures() -> None:
    rng = np.random.default_rng(3)
    layers = _drawn(1.0, 50)
    layers["hair light"] = layers["hair light"] * np.exp(rng.normal(1.0, 1.0, SIZE))
    (found,) = _found(layers)
    assert found.down_stops is not None
    mix = mix_of(*layers)
    less = dataclasses.replace(mix, dial_stops=(0.0, -found.down_stops))
    assert not _found(layers, less)
    nearly = dataclasses.replace(mix, dial_stops=(0.0, 0.2 - found.down_stops))
    assert _found(layers, nearly)


def test_what_clips_without_the_light_has_no_cure_by_it() -> None:
    layers = {"key": np.full(SIZE, _level(1.1 * SATURATION)), "fill": np.full(SIZE, _level(0.1))}
    (found,) = _found(layers)
    assert found.light == "key" and found.down_stops == pytest.approx(0.3)
    both = {"key": np.full(SIZE, _level(2 * SATURATION)), "fill": np.full(SIZE, _level(1.5 * SATURATION))}
    (found,) = _found(both)
    assert found.light == "key" and found.down_stops is None
    assert "close the aperture" in sentence_from_finding(findings_from_burnouts((found,))[0])


def test_gleams_glints_noise_and_what_just_holds_are_no_burnout() -> None:
    assert not _found(_drawn(0.99 * SATURATION - 0.18))
    assert not _found(_drawn(9.0, burnt_columns=0))
    one = _drawn(9.0, burnt_columns=0)
    one["hair light"][0, :4] = _level(9.0)
    assert not _found(one)
    assert not _found(_drawn(4 * SATURATION), variance=_level(3 * SATURATION) ** 2)
    sequins = {"key": np.where(REGIONS.index("gown") == HAIR, _level(9.0), _level(0.1))}
    assert not _found(sequins) and _found(sequins, sequins=False)[0].part == "gown"
