"""Sequins that glint: counted, told by light, against the facets' closed forms, whatever the picture's size."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.stats import ncx2

from sim.advice.checks.sparkle import GLINT_TIMES, SequinLight, sequin_light, sequin_middles, sparkle
from sim.light.mix import mix_from_scene
from sim.quantities import color
from sim.studio.figure.sewing import CORNERS
from tests.advice.checks.setups import light, scene_of, staged
from tests.advice.checks.stacks import camera, mix_of

ACROSS = 60


def _drawn(layers: dict[str, np.ndarray]) -> SequinLight:
    """A flat patch of 60 x 60 sequins 5 mm apart, each as bright by each light as drawn."""
    places = np.stack([*np.mgrid[0:ACROSS, 0:ACROSS], np.zeros((ACROSS, ACROSS))], axis=-1).reshape(-1, 3)
    values = np.stack([layer.ravel() for layer in layers.values()], axis=1)
    return SequinLight(0.005 * places, np.repeat(values[..., None], 3, axis=-1))


def _glints(count: int, seed: int = 1) -> np.ndarray:
    found = np.zeros(ACROSS**2)
    found[np.random.default_rng(seed).choice(ACROSS**2, count, replace=False)] = 20.0
    return found.reshape(ACROSS, ACROSS)


def test_share_is_of_those_in_view_and_the_maker_is_named() -> None:
    layers = {"soft": np.ones((ACROSS, ACROSS)), "hard": _glints(90), "weak": _glints(10, seed=2)}
    found = sparkle(_drawn(layers), mix_of(*layers), camera())
    assert found is not None
    shared = int(((layers["hard"] > 0) & (layers["weak"] > 0)).sum())
    assert found.sequins == ACROSS**2
    assert found.share == pytest.approx((100 - shared) / ACROSS**2)
    assert found.by_light["hard"] == pytest.approx(90 / ACROSS**2)
    assert found.without["hard"] == pytest.approx(10 / ACROSS**2)
    assert found.without["soft"] == pytest.approx(found.share)
    assert found.by_light["soft"] == 0
    assert found.maker == "hard"


def test_few_glints_have_no_maker_and_a_smooth_bright_edge_is_none() -> None:
    few = {"soft": np.ones((ACROSS, ACROSS)), "hard": _glints(20)}
    assert sparkle(_drawn(few), mix_of(*few), camera()).maker is None
    smooth = np.broadcast_to(0.1 + 9 * np.exp(-np.arange(ACROSS) / 8.0), (ACROSS, ACROSS))
    assert (smooth > GLINT_TIMES * smooth.mean()).any()
    assert sparkle(_drawn({"a": smooth}), mix_of("a"), camera()).share == 0


def test_no_sequins_no_sparkle() -> None:
    assert sparkle(None, mix_of("a"), camera()) is None


# -- against closed forms ----------------------------------------------------------------------

BULB_M = np.array([0.0, 2.0, 3.3])


@cache
def _worn():
    """A sequinned gown in a black room by one small bare bulb over the camera."""
    bulb = light(0, 0, modifier={"kind": "bare", "bulb_diameter": "4 cm"}, aim="chest",
                 place={"at": [f"{v} m" for v in BULB_M]})  # fmt: skip
    place = {"at": ["0 m", "1.4 m", "3 m"]}
    scene = scene_of({"bulb": bulb}, {"place": place, "aim": "chest"}, sitter={"figure": "woman"})
    stage = staged(scene)
    seen = sequin_light(stage, samples=64)
    assert seen is not None
    return scene, stage, seen


def _facets(stage, seen: SequinLight) -> np.ndarray:
    """Unit normals (n, 3) of the sequins in view, turned to the lens."""
    (sewn,) = (part for part in stage.layout.figure.parts if part.name == "sequins")
    corners = sewn.points_m.reshape(-1, CORNERS, 3).astype(float)
    number = cKDTree(sequin_middles(stage.layout.figure)).query(seen.places_m)[1]
    normal = np.cross(corners[number, 2] - corners[number, 0], corners[number, 4] - corners[number, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return normal * np.sign((normal * (stage.layout.camera.position_m - seen.places_m)).sum(axis=1))[:, None]


def _half_vectors(stage, places_m: np.ndarray) -> np.ndarray:
    ways = [stage.layout.camera.position_m - places_m, stage.layout.lights[0].position_m - places_m]
    half = sum(way / np.linalg.norm(way, axis=1, keepdims=True) for way in ways)
    return half / np.linalg.norm(half, axis=1, keepdims=True)


def _beckmann(off_deg: np.ndarray, alpha: float) -> np.ndarray:
    """Density of facets that stand so far off a rough surface, per sr: [BeckmannSpizzichino:1963] in slopes."""
    off = np.radians(off_deg)
    return np.exp(-np.square(np.tan(off) / alpha)) / (np.pi * alpha**2 * np.cos(off) ** 4)


@pytest.mark.usefixtures("engine")
def test_each_sequin_is_as_bright_as_the_reflection_law_says() -> None:
    """L = E D R / (4 cos i cos o), by hand from the bulb's radiance, its solid angle and the sequin's lean."""
    _, stage, seen = _worn()
    normal, half = _facets(stage, seen), _half_vectors(stage, seen.places_m)
    off_deg = np.degrees(np.arccos(np.clip((normal * half).sum(axis=1), -1, 1)))
    way = stage.layout.lights[0].position_m - seen.places_m
    lens = stage.layout.camera.position_m - seen.places_m
    cos_out = (normal * lens).sum(axis=1) / np.linalg.norm(lens, axis=1)
    solid_sr = np.pi * 0.02**2 / np.square(way).sum(axis=1)
    (sewn,) = (part for part in stage.layout.figure.parts if part.name == "sequins")
    tint = color.luminance(np.array(sewn.material.reflectance_rgb))
    emitted = stage.layout.lights[0].rig.emitters[0].radiance()
    expected = emitted * solid_sr * tint * _beckmann(off_deg, sewn.material.roughness**2) / (4 * cos_out)
    near = off_deg < 9
    assert near.sum() > 300
    ratio = color.luminance(seen.radiance[:, 0])[near] / expected[near]
    # The bulb's 0.7 deg moves single sequins; a neighbour's edge hides part of it from some.
    assert np.median(ratio) == pytest.approx(1, abs=0.02)
    assert np.mean(np.abs(ratio - 1) < 0.1) > 0.9


@pytest.mark.usefixtures("engine")
def test_as_many_glint_as_leaning_facets_should() -> None:
    """Facets lean by a normal law, 8 deg each way about 4 deg: a cone holds a non-central chi-square's share."""
    _, stage, seen = _worn()
    level = color.luminance(seen.radiance[:, 0])
    cone_deg = 6.0
    off_deg = np.degrees(np.arccos(np.clip((_facets(stage, seen) * _half_vectors(stage, seen.places_m)).sum(1), -1, 1)))
    # Take as the threshold what a sequin at the cone's rim sends, by the sequins themselves.
    rim = np.abs(off_deg - cone_deg) < 0.3
    threshold = float(np.median(level[rim]))
    cloth = [part for part in stage.layout.figure.parts if part.name in ("bodice", "skirt")]
    points, normals = (np.concatenate([getattr(part, name) for part in cloth]).astype(float)
                       for name in ("points_m", "normals"))  # fmt: skip
    about = normals[cKDTree(points).query(seen.places_m)[1]]
    down = np.array([0.0, -1.0, 0.0]) - about * -about[:, 1:2]
    down /= np.linalg.norm(down, axis=1, keepdims=True)
    middle = about - np.tan(np.radians(4.0)) * down
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    apart_deg = np.degrees(np.arccos(np.clip((middle * _half_vectors(stage, seen.places_m)).sum(1), -1, 1)))
    expected = ncx2.cdf((cone_deg / 8.0) ** 2, 2, np.square(apart_deg / 8.0)).mean()
    # A share of 4 % of 5,400 sequins is known to 7 %.
    assert (level > threshold).mean() == pytest.approx(expected, rel=0.1)


@pytest.mark.slow
@pytest.mark.usefixtures("engine")
def test_the_figure_does_not_hang_on_the_picture() -> None:
    """Short form: the demo's figure in `tests/test_scenes_own_checks`."""
    from sim.advice.checks.report import check_report
    from sim.render.transport.render import render

    scene, stage, _ = _worn()
    mix = mix_from_scene(scene, stage.layout)
    figures = [
        check_report(scene, stage, render(stage, size=size, samples=samples, depth=1), mix).sparkle
        for size, samples in (((200, 300), 16), ((400, 600), 4), ((800, 1200), 1))
    ]
    assert figures[0] is not None and figures[0].share > 0.01
    # Nothing of a picture is read: no tolerance is needed.
    assert figures[0] == figures[1] == figures[2]
