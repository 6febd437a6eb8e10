"""Spill by the inverse square and duties from what is lost without a light."""

from __future__ import annotations

import numpy as np
import pytest

from sim.advice.checks.duties import duties, duty_readings, loss_stops
from sim.advice.checks.duty_words import sentence_from_tasks
from sim.advice.checks.separation import separation
from sim.advice.checks.sparkle import sequin_light, sparkle
from sim.advice.checks.spill import spills
from sim.light.mix import mix_from_scene
from sim.studio.layout import layout_from_scene
from tests.advice.checks.setups import FACE_HEIGHT_M, light, scene_of, staged

pytestmark = pytest.mark.usefixtures("engine")

PAPER = {"kind": "paper", "size": {"width": "3 m", "height": "3 m"}, "distance": "2 m", "reflectance": 0.0}
BARE = {"kind": "reflector", "diameter": "18 cm", "beam": "120 deg"}


def duty_of(duties, light: str):
    """The duty of one light."""
    return next(duty for duty in duties.duties if duty.light == light)


def test_spill_of_a_small_lamp_on_the_backdrop_is_the_inverse_square() -> None:
    """A cosine lamp aimed at the face: the corner gets I0 cos(angle) / d^2 on a receptor turned to it."""
    lamp = light(0, 0, modifier=BARE, place={"at": ["0 m", "2.4 m", "2 m"]})
    scene = scene_of({"lamp": lamp}, backdrop=PAPER)
    layout = layout_from_scene(scene)
    (found,) = spills(staged(scene), mix_from_scene(scene, layout))
    assert (found.target, found.target_group, found.blocked, found.blocker) == ("face", "head", 0.0, "")
    lamp_m, axis = layout.lights[0].position_m, layout.lights[0].axis

    def strength(point: np.ndarray) -> float:
        way = point - lamp_m
        away = np.linalg.norm(way)
        return float(way @ axis / away) / away**2

    toward = layout.lights[0].position_m - layout.anchors_m["face"]
    target = strength(layout.anchors_m["face"] + 0.04 * toward / np.linalg.norm(toward))
    for corner in ("backdrop top left", "backdrop top right"):
        here = strength(layout.anchors_m[corner] + np.array([0, 0, 0.04]))
        assert found.below_stops[corner] == pytest.approx(np.log2(target / here), abs=0.04)


def test_a_grid_keeps_to_its_target() -> None:
    tight = light(20, 30, modifier={"kind": "reflector", "diameter": "18 cm", "beam": "65 deg", "grid": "5 deg"})
    scene = scene_of({"tight": tight}, backdrop={**PAPER, "reflectance": 0.3})
    (found,) = spills(staged(scene), mix_from_scene(scene, layout_from_scene(scene)))
    # All that is left is light thrown back by the face.
    assert min(found.below_stops.values()) > 4
    assert all(below > 7 for place, below in found.below_stops.items() if place.startswith("backdrop"))


def test_a_flag_on_the_way_to_the_target_is_told() -> None:
    middle = {"at": ["0 m", f"{FACE_HEIGHT_M} m", "1 m"]}
    flag = {"kind": "flag", "size": {"width": "1 m", "height": "1 m"}, "place": middle, "aim": "face"}
    camera = {"place": {"at": ["2 m", "1.53 m", "2.5 m"]}}
    scene = scene_of({"lamp": light(0, 0)}, camera, panels={"flag": flag})
    (found,) = spills(staged(scene), mix_from_scene(scene, layout_from_scene(scene)))
    assert (found.blocked, found.blocker) == (1.0, "flag")


@pytest.mark.parametrize(
    ("total", "part", "stops"), [(2.0, 1.0, 1.0), (8.0, 7.0, 3.0), (1.0, 0.0, 0.0), (1.0, 1.0, 9.9)]
)
def test_loss_is_stops_without_the_part(total: float, part: float, stops: float) -> None:
    assert loss_stops(total, part) == pytest.approx(stops)


def _told(scene):
    from sim.render.transport.render import render

    stage = staged(scene)
    mix = mix_from_scene(scene, stage.layout)
    stack = render(stage, size=(80, 120), samples=8, depth=2)
    parted = separation(stack, mix, scene.camera)
    glints = sparkle(sequin_light(stage), mix, scene.camera)
    return duties(stack, stage.layout, mix, scene.camera, duty_readings(stage, most_rays=1 << 13), parted, glints)


def test_idle_tight_and_only_lights_are_told_apart() -> None:
    grid = {"kind": "reflector", "diameter": "18 cm", "beam": "65 deg", "grid": "5 deg"}
    lights = {
        "lamp a": light(35, 30),
        "lamp b": light(30, 15, 4.0, power="-7 stops"),
        "lamp c": light(-20, 20, modifier=grid, power="-1 stop"),
        "lamp d": light(0, 30, mute=True),
    }
    found = _told(scene_of(lights, backdrop={**PAPER, "reflectance": 0.4}))
    assert duty_of(found, "lamp b").idle and "idle" in sentence_from_tasks(duty_of(found, "lamp b").tasks, "gown")
    assert duty_of(found, "lamp d").idle and "muted" in sentence_from_tasks(duty_of(found, "lamp d").tasks, "gown")
    assert not duty_of(found, "lamp a").idle
    assert duty_of(found, "lamp a").lost_stops["gown"] > 3
    told = duty_of(found, "lamp c")
    assert not told.idle and max(told.lost_stops["left cheek"], told.lost_stops["forehead"]) > 0.1
    assert all(told.lost_stops[name] < 0.1 for name in ("gown", "hip", "backdrop centre"))
    sentence = sentence_from_tasks(told.tasks, "gown")
    assert "nothing elsewhere" in sentence and "gown" not in sentence


def test_sentences_come_from_the_light_and_not_from_its_name() -> None:
    one, other = {"key": light(35, 30), "fill": light(-10, 20, power="-2 stops")}, {}
    other["fill"], other["key"] = one["key"], one["fill"]
    first, second = _told(scene_of(one)), _told(scene_of(other))
    assert (
        sentence_from_tasks(duty_of(first, "key").tasks, "gown").split(" stop")[0]
        == sentence_from_tasks(duty_of(second, "fill").tasks, "gown").split(" stop")[0]
    )
