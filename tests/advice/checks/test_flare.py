"""Light into the lens and the flag against it: who strikes it, how much, and that the flag is just enough."""

from __future__ import annotations

import numpy as np
import pytest

from sim.advice.checks.flare import flares, lens_points, smallest_flag
from sim.advice.checks.frame import frame_from_camera
from sim.advice.checks.intrusions import face_mesh
from sim.light.mix import mix_from_scene
from sim.studio.layout import layout_from_scene
from tests.advice.checks.setups import FLASH, light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")

BARE = {"kind": "bare", "bulb_diameter": "6 cm"}
RIM = {"source": FLASH, "modifier": BARE, "place": {"bearing": "150 deg", "distance": "1.5 m", "height": "2.3 m"},
       "aim": "right shoulder", "stand": "none"}  # fmt: skip


def _found(scene):
    stage = staged(scene)
    return {f.name: f for f in flares(stage, mix_from_scene(scene, stage.layout), scene.camera.shutter_s)}


def test_a_bare_bulb_behind_the_sitter_strikes_the_lens_and_a_gridded_one_does_not() -> None:
    gridded = {**RIM, "modifier": {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg", "grid": "10 deg"}}
    found = _found(scene_of({"key": light(20, 30), "rim": RIM, "tight": {**gridded, "place": RIM["place"]}}))
    assert set(found) == {"rim"}
    assert 0.3 < found["rim"].share <= 1
    assert found["rim"].flag is not None and not found["rim"].in_frame


def test_share_of_two_bulbs_goes_with_the_square_of_their_distance() -> None:
    """Two equal bulbs at one angle off the axis, one twice as far: a quarter of the light, two stops."""
    camera = {"place": {"at": ["0 m", "1.53 m", "3 m"]}, "aim": {"at": ["0 m", "1.53 m", "0 m"]}}
    off = np.tan(np.radians(25))
    lights = {
        name: {
            **RIM,
            "place": {"at": [f"{side * off * away} m", "1.53 m", f"{3 - away} m"]},
            "aim": {"at": ["0 m", "1.53 m", "3 m"]},
        }
        for name, away, side in (("near", 2.0, 1), ("far", 4.0, -1))
    }
    found = _found(scene_of(lights, camera))
    assert found["near"].share / found["far"].share == pytest.approx(4, rel=0.05)
    assert found["near"].off_axis_deg == pytest.approx(25, abs=0.1)


def test_a_muted_light_and_one_behind_the_camera_are_no_risk() -> None:
    behind = light(0, 20, 3.5)
    assert not _found(scene_of({"key": light(20, 30), "rim": {**RIM, "mute": True}, "back": behind}))


def _crossings(lens: np.ndarray, ends: np.ndarray, flag, grow: float = 1.0) -> np.ndarray:
    """Which lines from lens points (n, 3) to end points (m, 3) meet the flag grown by a factor, (n, m) bool."""
    axis = np.cross(flag.right, flag.up)
    run = (ends[None] - lens[:, None]) @ axis
    t = ((flag.middle_m - lens) @ axis)[:, None] / run
    offset = lens[:, None] + t[..., None] * (ends[None] - lens[:, None]) - flag.middle_m
    inside = np.abs(offset @ flag.right) <= grow * flag.width_m / 2 + 1e-9
    inside &= np.abs(offset @ flag.up) <= grow * flag.height_m / 2 + 1e-9
    return inside & (t > 0) & (t < 1)


@pytest.mark.parametrize("least_m", [0.0, 0.5])
@pytest.mark.parametrize("name", ["rim", "box"])
def test_the_flag_cuts_every_line_to_the_light_and_none_of_the_picture(name: str, least_m: float) -> None:
    box = {**RIM, "modifier": {"kind": "softbox", "width": "60 cm", "height": "90 cm"},
           "place": {"at": ["-1.6 m", "1.9 m", "-0.6 m"]}}  # fmt: skip
    layout = layout_from_scene(scene_of({"rim": RIM, "box": box}))
    frame, camera = frame_from_camera(layout.camera), layout.camera
    flag = smallest_flag(camera, frame, layout.light(name), least_m=least_m)
    assert flag is not None and flag.from_lens_m >= least_m
    lens = lens_points(camera, frame)
    source = np.vstack([face_mesh(emitter, layout.light(name)).vertices for emitter in layout.light(name).rig.emitters])
    assert _crossings(lens, source, flag).all()
    assert not _crossings(lens, source, flag, grow=0.97).all()
    corners = frame.corners_at(frame.forward, float(frame.tip_m @ frame.forward) + 10)
    # The outermost rays of the picture start on the lens and run beside its edges.
    beside = (corners - frame.tip_m)[None] + lens[:, None]
    for start, ends in zip(lens, beside, strict=True):
        assert not _crossings(start[None], ends, flag).any()


def test_the_size_of_a_flag_for_a_bulb_is_the_closed_form() -> None:
    """At the share t of the way the bundle of lines is (1 - t) lens + t bulb wide (similar triangles)."""
    layout = layout_from_scene(scene_of({"rim": RIM}))
    camera = layout.camera
    flag = smallest_flag(camera, frame_from_camera(camera), layout.light("rim"), least_m=0.5)
    assert flag is not None
    t = flag.from_lens_m / np.linalg.norm(layout.light("rim").position_m - camera.position_m)
    expected_m = (1 - t) * 2 * camera.lens_radius_m + t * 0.06
    # The lens opening is seen a little from the side, and the bulb's ends lie nearer and farther.
    assert flag.height_m == pytest.approx(expected_m, rel=0.05)
    assert flag.width_m == pytest.approx(expected_m, rel=0.1)


def test_the_flag_set_up_in_the_scene_shades_the_lens_and_stays_out_of_the_picture() -> None:
    from sim.render.transport.render import render

    lights = {"key": light(20, 30), "rim": RIM}
    flag = _found(scene_of(lights))["rim"].stand_flag
    assert flag is not None
    place = [f"{v:.5f} m" for v in flag.middle_m]
    panel = {"kind": "flag", "size": {"width": f"{1.02 * flag.width_m} m", "height": f"{1.02 * flag.height_m} m"},
             "place": {"at": place}, "aim": {"at": ["0 m", "1.53 m", "3 m"]}}  # fmt: skip
    shaded = scene_of(lights, panels={"flag": panel})
    assert "rim" not in _found(shaded)
    assert not render(staged(shaded), size=(60, 90), samples=8, depth=1).mask("panel").any()


def test_no_flag_hides_a_light_in_the_picture() -> None:
    inside = {**RIM, "place": {"at": ["0.3 m", "1.9 m", "-1 m"]}}
    found = _found(scene_of({"rim": inside}))["rim"]
    assert found.in_frame and found.flag is None
