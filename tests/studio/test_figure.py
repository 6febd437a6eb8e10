"""The sitter: sound meshes, anchors on the surface, and poses that go the way the scene file says."""

from __future__ import annotations

import time
import warnings

import numpy as np
import pytest
from scipy.spatial import cKDTree

from sim.scene.model.places import SITTER_PARTS
from sim.scene.model.sitter import FIGURES as FIGURE_WORDS
from sim.scene.model.sitter import HAIR_STYLES, NOBODY, SKIN_TONES, Sitter
from sim.studio.figure import FIGURES, Figure, figure_from_sitter, palette
from sim.studio.figure.asset import load_asset
from sim.studio.figure.parts import REGIONS

with warnings.catch_warnings():
    # The library remarks on plotting extras that are not installed.
    warnings.simplefilter("ignore")
    import colour

BUILDS = ("woman", "second woman", "man")


def sitter(**words: object) -> Sitter:
    return Sitter.model_validate({"stature": "1.70 m", **words})


@pytest.fixture(scope="module", params=[name for name in FIGURES if name != NOBODY])
def figure(request: pytest.FixtureRequest) -> Figure:
    return figure_from_sitter(sitter(figure=request.param))


def test_the_scene_file_knows_every_figure() -> None:
    assert set(FIGURE_WORDS) == set(FIGURES)


def test_nobody_has_no_body_but_the_places_of_its_parts() -> None:
    nobody = figure_from_sitter(sitter(figure=NOBODY))
    assert not nobody.parts
    assert {"face", "left eye", "right shoulder", "gown lower"} <= set(nobody.anchors_m)


def test_meshes_are_sound(figure: Figure) -> None:
    for part in figure.parts:
        assert part.region in REGIONS, part.name
        assert len(part.triangles) > 0, part.name
        assert np.isfinite(part.points_m).all(), part.name
        assert part.triangles.max() < len(part.points_m), part.name
        assert part.points_m.dtype == np.float32 and part.triangles.dtype == np.uint32
        corner = part.points_m[part.triangles].astype(float)
        doubled = np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
        assert (doubled < 1e-14).mean() < 0.05, f"{part.name} has empty triangles"
        if part.normals is not None:
            assert np.allclose(np.linalg.norm(part.normals, axis=1), 1.0, atol=1e-4), part.name
        if part.color_rgb is not None:
            assert part.color_rgb.min() >= 0.0 and part.color_rgb.max() <= 0.95, part.name
    assert figure.triangle_count <= 300_000


def test_figures_stand_on_the_floor_at_the_asked_stature(figure: Figure) -> None:
    low = min(float(part.points_m[:, 1].min()) for part in figure.parts)
    assert -0.002 <= low <= 0.006
    skull = max(float(p.points_m[:, 1].max()) for p in figure.parts if p.region in ("face", "hair"))
    # Hair may stand up to 3 cm over the crown.
    assert 1.70 - 0.005 <= skull <= 1.70 + 0.03


def test_every_named_part_is_a_point_on_the_surface(figure: Figure) -> None:
    names = {n for n in SITTER_PARTS if n not in ("near eye", "far eye")} | {"left eye", "right eye", "gown lower"}
    assert names <= set(figure.anchors_m)
    cloud = cKDTree(np.concatenate([part.points_m for part in figure.parts]))
    middle = {n: np.array([0.0, p[1], -0.01]) for n, p in figure.anchors_m.items()}
    for name, point in figure.anchors_m.items():
        assert cloud.query(point)[0] < 1e-4, name
        normal = figure.anchor_normals[name]
        assert abs(np.linalg.norm(normal) - 1.0) < 1e-4, name
        if name not in ("hair", "hands", "feet", "left shoulder", "right shoulder"):
            assert (point - middle[name]) @ normal > 0.0, f"{name} looks inward"
    assert figure.anchors_m["left cheek"][0] < 0 < figure.anchors_m["right cheek"][0]
    assert figure.anchors_m["left eye"][0] < 0 < figure.anchors_m["right eye"][0]


def _way_of(figure: Figure, name: str, other: str) -> np.ndarray:
    way = figure.anchors_m[name] - figure.anchors_m[other]
    return way / np.linalg.norm(way)


def test_turns_go_the_way_of_their_sign(figure: Figure) -> None:
    name = next(n for n in FIGURES if len(figure_from_sitter(sitter(figure=n)).parts) == len(figure.parts))
    turned = figure_from_sitter(sitter(figure=name, turn="90 deg"))
    assert turned.anchor_normals["face"][0] > 0.9 and turned.facing_deg == pytest.approx(90)
    head = figure_from_sitter(sitter(figure=name, head={"turn": "40 deg"}))
    assert head.anchor_normals["forehead"][0] > 0.5
    assert head.anchors_m["chest"] == pytest.approx(figure.anchors_m["chest"], abs=0.008)
    nod = figure_from_sitter(sitter(figure=name, head={"nod": "20 deg"}))
    assert nod.anchors_m["chin"][1] < figure.anchors_m["chin"][1] - 0.01
    tilt = figure_from_sitter(sitter(figure=name, head={"tilt": "15 deg"}))
    assert tilt.anchors_m["forehead"][0] > figure.anchors_m["forehead"][0] + 0.02


@pytest.mark.parametrize("build", BUILDS)
def test_head_angles_come_out_as_asked(build: str) -> None:
    straight = figure_from_sitter(sitter(figure=build))
    turned = figure_from_sitter(sitter(figure=build, head={"turn": "60 deg"}))
    across = _way_of(turned, "right eye", "left eye")
    # The eyes' own baseline turns by the angle; neck and head share it without loss.
    angle = np.degrees(np.arctan2(-across[2], across[0]))
    assert angle == pytest.approx(60.0, abs=1.0)
    assert _way_of(straight, "right eye", "left eye")[0] > 0.999


def test_step_moves_everything_alike() -> None:
    here = figure_from_sitter(sitter(figure="woman", eyes="ahead"))
    there = figure_from_sitter(sitter(figure="woman", eyes="ahead", step=["0.3 m", "-0.2 m"]))
    for a, b in zip(here.parts, there.parts, strict=True):
        assert np.abs(b.points_m - a.points_m - [0.3, 0.0, -0.2]).max() < 1e-5, a.name


@pytest.mark.parametrize("target", [(0.0, 1.5, 4.0), (0.6, 1.4, 2.0), (-0.5, 1.8, 2.5)])
def test_eyes_look_at_their_point(target: tuple[float, float, float]) -> None:
    looking = figure_from_sitter(sitter(figure="woman", eyes={"at": [f"{v} m" for v in target]}))
    scale = 1.70 / load_asset().arrays["landmarks/woman/stature"].item()
    for k, name in enumerate(("left eye", "right eye")):
        center = load_asset().arrays["landmarks/woman/eyes"][k] * scale
        part = next(p for p in looking.parts if p.name == name)
        # The first ring of the ball is the apex of the cornea.
        apex = part.points_m[np.argmin(part.color_rgb.sum(axis=1))].astype(float)
        gaze = figure_gaze(part, apex)
        wanted = np.array(target) - center
        wanted /= np.linalg.norm(wanted)
        assert np.degrees(np.arccos(np.clip(gaze @ wanted, -1, 1))) < 4.0, name


def figure_gaze(part: object, apex: np.ndarray) -> np.ndarray:
    """Direction from the middle of the iris rim's sphere to the middle of the dark pupil."""
    points = part.points_m.astype(float)  # type: ignore[attr-defined]
    dark = points[part.color_rgb.sum(axis=1) < 0.03]  # type: ignore[attr-defined]
    fit = np.linalg.lstsq(np.c_[2 * points, np.ones(len(points))], (points**2).sum(axis=1), rcond=None)[0]
    gaze = dark.mean(axis=0) - fit[:3]
    return gaze / np.linalg.norm(gaze)


def test_eyes_do_not_roll_past_their_sockets() -> None:
    aside = figure_from_sitter(sitter(figure="woman", eyes={"at": ["4 m", "1.5 m", "0.1 m"]}))
    part = next(p for p in aside.parts if p.name == "left eye")
    gaze = figure_gaze(part, part.points_m[0])
    assert np.degrees(np.arctan2(gaze[0], gaze[2])) < 32.0


def test_seated_sitters_are_lowered_and_cut_at_the_floor() -> None:
    standing = figure_from_sitter(sitter(figure="woman"))
    seated = figure_from_sitter(sitter(figure="woman", posture="seated"))
    drop = standing.anchors_m["face"][1] - seated.anchors_m["face"][1]
    # 1.70 m less sitting height 0.52 of it and a 0.44 m seat.
    assert drop == pytest.approx(1.70 - 0.52 * 1.70 - 0.44, abs=0.003)
    assert min(point[1] for point in seated.anchors_m.values()) >= 0.0
    for part in seated.parts:
        assert part.points_m[part.triangles][:, :, 1].max(axis=1).min() > 0.0, part.name


@pytest.mark.parametrize("style", HAIR_STYLES)
@pytest.mark.parametrize("build", BUILDS)
def test_hair_lies_on_the_skull(build: str, style: str) -> None:
    made = figure_from_sitter(sitter(figure=build, hair={"style": style}))
    hair = [part for part in made.parts if part.region == "hair"]
    if style == "none":
        assert not hair
        return
    skin = cKDTree(np.concatenate([p.points_m for p in made.parts if p.name in ("face", "ears", "neck")]))
    away = skin.query(hair[0].points_m)[0]
    # A strand is at most a hand's breadth off the skin; the shell as a whole hugs it.
    assert away.max() < 0.11 and np.median(away) < 0.04


@pytest.mark.parametrize("tone", SKIN_TONES)
def test_skin_tones_against_a_colour_library(tone: str) -> None:
    """Back from linear sRGB to CIELAB with colour-science; classes of [DelBinoBernerd:2013]."""
    rgb = palette.linear_rgb_from_lab(palette.SKIN_LAB[tone])
    xyz = colour.RGB_to_XYZ(np.array(rgb), "sRGB", apply_cctf_decoding=False)
    lab = colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    assert lab == pytest.approx(palette.SKIN_LAB[tone], abs=0.15)
    typology_deg = np.degrees(np.arctan2(lab[0] - 50.0, lab[2]))
    classes = {"very light": (55, 91), "light": (41, 55), "medium": (28, 41), "tan": (10, 28), "brown": (-30, 10),
               "deep": (-91, -30)}  # fmt: skip
    low, high = classes[tone]
    assert low < typology_deg <= high


def test_props_belong_to_the_pose() -> None:
    playing = figure_from_sitter(sitter(figure="woman", arms="playing", prop="viola"))
    names = {part.name for part in playing.parts if part.region == "prop"}
    assert {"viola body", "viola strings", "bow stick", "bow hair"} <= names
    hands = np.concatenate([p.points_m for p in playing.parts if p.region == "hands"])
    for name in ("bow frog", "viola neck"):
        part = next(p for p in playing.parts if p.name == name)
        assert cKDTree(hands).query(part.points_m)[0].min() < 0.02, f"no hand at the {name}"
    body = next(p for p in playing.parts if p.name == "viola body").points_m
    chin = playing.anchors_m["chin"]
    assert np.linalg.norm(body - chin, axis=1).min() < 0.09
    assert not [p for p in figure_from_sitter(sitter(figure="woman")).parts if p.region == "prop"]


def test_loading_and_posing_is_quick() -> None:
    spent_s = []
    for _ in range(4):
        load_asset.cache_clear()
        start = time.perf_counter()
        figure_from_sitter(sitter(figure="woman", head={"turn": "20 deg"}))
        spent_s.append(time.perf_counter() - start)
    assert min(spent_s) < 0.7
