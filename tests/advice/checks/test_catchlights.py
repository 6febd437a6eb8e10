"""Catchlights against the mirror's laws: place by the halved angle, size by the convex mirror's focal length."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.advice.checks.catchlights import CORNEA_RADIUS_M, catchlights, clock_from_offset, mirror_points
from sim.advice.checks.findings import _from_catchlight
from sim.advice.checks.sentences import sentence_from_finding
from sim.light.mix import mix_from_scene
from sim.studio.layout import unit
from tests.advice.checks.setups import FLASH, light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")

EYE_HEIGHT_M = 1.564
LEVEL = {"place": {"at": ["0 m", f"{EYE_HEIGHT_M} m", "3 m"]}, "aim": {"at": ["0 m", f"{EYE_HEIGHT_M} m", "0 m"]}}


def _key(side_deg: float, height_deg: float, distance_m: float = 1.8, **more):
    up, side = math.radians(height_deg), math.radians(side_deg)
    at = [distance_m * math.cos(up) * math.sin(side), EYE_HEIGHT_M + distance_m * math.sin(up),
          distance_m * math.cos(up) * math.cos(side)]  # fmt: skip
    return light(0, 0, place={"at": [f"{v} m" for v in at]}, **more)


def _found(lights, **more):
    scene = scene_of(lights, LEVEL, **{"sitter": {"figure": "woman"}, **more})
    stage = staged(scene)
    return stage, {(c.eye, c.light): c for c in catchlights(stage, mix_from_scene(scene, stage.layout), scene.camera)}


@given(*(st.floats(-1, 1) for _ in range(6)))
def test_mirror_points_obey_the_law_of_reflection(ex, ey, ez, sx, sy, sz) -> None:
    observer, source = np.array([ex, ey, ez + 3.0]), np.array([sx, sy, sz + 2.0])
    (normal,) = mirror_points(np.zeros(3), CORNEA_RADIUS_M, observer, source[None])
    place = CORNEA_RADIUS_M * normal
    to_observer, to_source = unit(observer - place), unit(source - place)
    assert to_observer @ normal == pytest.approx(to_source @ normal, abs=1e-9)
    assert to_observer + to_source == pytest.approx(2 * (to_source @ normal) * normal, abs=1e-8)


SMALL = {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg"}


@pytest.mark.parametrize(
    ("side_deg", "height_deg", "clock"), [(0, 30, 12), (30, 0, 3), (-30, 0, 9), (17, 30, 1), (-17, 30, 11), (0, -25, 6)]
)
def test_clock_position_follows_the_light(side_deg: float, height_deg: float, clock: int) -> None:
    stage, found = _found({"key": _key(side_deg, height_deg, modifier=SMALL)})
    whole = [seen for seen in found.values() if seen.visible > 0.99]
    assert whole
    for seen in whole:
        assert seen.clock == clock
        # The mirror shows the light where the normal halves the angle between camera and light.
        anchor, gaze = stage.layout.anchors_m[seen.eye], stage.layout.anchor_normals[seen.eye]
        normal = unit(unit(stage.layout.camera.position_m - anchor) + unit(stage.layout.lights[0].position_m - anchor))
        expected_mm = 1000 * CORNEA_RADIUS_M * (normal - gaze)
        assert (seen.x_mm, seen.y_mm) == pytest.approx((expected_mm[0], expected_mm[1]), abs=0.03)


@pytest.mark.parametrize(("side_deg", "bulb_cm", "head"), [(20, 6, {}), (-20, 3, {}), (20, 6, {"head": "10 cm"})])
def test_a_bare_bulb_is_a_pinpoint_where_the_mirror_law_puts_it(side_deg: float, bulb_cm: float, head) -> None:
    """The normal halves the angle between camera and bulb; the image is the bulb's f / (D + f), f = R / 2, by hand."""
    bare = {"kind": "bare", "bulb_diameter": f"{bulb_cm} cm", **head}
    stage, found = _found({"key": _key(side_deg, 20, modifier=bare)})
    assert {eye for eye, _ in found} == {"left eye", "right eye"}
    for (eye, _), seen in found.items():
        centre = stage.layout.anchors_m[eye] - CORNEA_RADIUS_M * stage.layout.anchor_normals[eye]
        bulb = stage.layout.lights[0].position_m
        normal = unit(unit(stage.layout.camera.position_m - centre) + unit(bulb - centre))
        offset_mm = 1000 * (centre + CORNEA_RADIUS_M * normal - stage.layout.anchors_m[eye])
        assert (seen.x_mm, seen.y_mm) == pytest.approx((offset_mm[0], offset_mm[1]), abs=0.03)
        away_mm, focal_mm = 1000 * np.linalg.norm(bulb - centre), 1000 * CORNEA_RADIUS_M / 2
        # Off the axis of the mirror its image is foreshortened, by no more than the lean of the glass.
        across_mm = 10 * bulb_cm * focal_mm / (away_mm + focal_mm)
        assert 0.9 * across_mm < max(seen.width_mm, seen.height_mm) < 1.05 * across_mm
        assert seen.visible > 0.99 and seen.iris_share < 0.0005
        assert "a pinpoint of 0." in sentence_from_finding(_from_catchlight(seen))


def test_size_is_that_of_a_convex_mirrors_image() -> None:
    """Image height = object height * f / (D + f) with f = R / 2 (mirror equation), for a box over the camera."""
    box = {"kind": "softbox", "width": "60 cm", "height": "90 cm", "recess": "0 cm"}
    stage, found = _found({"key": _key(0, 14, 3.5, modifier=box)})
    focal_mm = 1000 * CORNEA_RADIUS_M / 2
    for seen in found.values():
        away_mm = 1000 * np.linalg.norm(stage.layout.lights[0].position_m - stage.layout.anchors_m[seen.eye])
        scale = focal_mm / (away_mm + focal_mm)
        assert seen.visible > 0.99
        assert seen.width_mm == pytest.approx(600 * scale, rel=0.03)
        assert seen.height_mm == pytest.approx(900 * scale, rel=0.03)
        assert seen.iris_share == pytest.approx(seen.width_mm * seen.height_mm / (math.pi / 4 * 11.7**2), rel=0.05)
    assert len(found) == 2


def test_brightness_is_the_lamps_times_fresnel() -> None:
    from sim.quantities import photometry

    scene = scene_of(
        {"key": _key(0, 25, modifier={"kind": "octabox", "diameter": "40 cm", "hot_spot": "0 stop"})}, LEVEL
    )
    stage = staged(scene)
    seen = catchlights(stage, mix_from_scene(scene, stage.layout), scene.camera)[0]
    radiance = stage.layout.lights[0].rig.emitters[0].radiance()
    # 2.5 % for index 1.376 close to straight on: ((n - 1) / (n + 1)) squared.
    shown = radiance * (0.376 / 2.376) ** 2 * photometry.display_scale(8.0, 100)
    assert seen.from_grey_stops == pytest.approx(math.log2(shown / 0.18), abs=0.1)


def test_lights_that_cannot_show_are_left_out() -> None:
    grid = {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg", "grid": "10 deg"}
    lights = {
        "behind": _key(160, 20),
        "elsewhere": _key(30, 20, modifier=grid, aim="feet"),
        "muted": _key(-30, 20, mute=True),
        "hidden": _key(-20, 30),
    }
    flag = {"kind": "flag", "size": {"width": "60 cm", "height": "60 cm"},
            "place": lights["hidden"]["place"], "aim": "face"}  # fmt: skip
    place = [float(v.split()[0]) for v in flag["place"]["at"]]
    near = [0.7 * place[0], EYE_HEIGHT_M + 0.7 * (place[1] - EYE_HEIGHT_M), 0.7 * place[2]]
    flag["place"] = {"at": [f"{v} m" for v in near]}
    _, found = _found(lights, panels={"flag": flag})
    assert not found
    _, open_found = _found({**lights, "shown": _key(30, 30, source=FLASH)})
    assert {name for _, name in open_found} == {"shown", "hidden"}


def test_clock_words() -> None:
    hours = [clock_from_offset(2 * math.sin(a), 2 * math.cos(a)) for a in np.radians(np.arange(0, 360, 30))]
    assert hours == [12, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]
