"""Sheets: a tile for every light, captions in a photographer's words, text that fits."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageColor

from sim.advice.checks.latitude import MOVES, Latitude, MoveSweep, Sample
from sim.advice.checks.noseshadow import NoseShadow
from sim.light.develop import encoded
from sim.light.mix import Mix
from sim.metering.points import STANDARD_POINTS, PointReadings, Reading
from sim.metering.report_points import worn_name
from sim.quantities import phrases
from sim.reports import latitude_files
from sim.reports.faces import picture_from_shadow
from sim.reports.faces.outline import SKIN
from sim.reports.sheets import contact_sheet, levelled_sheet, page, settings_text
from sim.reports.sheets.captions import lift_text, stops_text
from sim.reports.sheets.contact import CROWDED_WIDTH_PX, TILE_WIDTH_PX
from sim.reports.sheets.lettering import fitted, width_px, wrapped
from sim.reports.sheets.page import HEADER, MARGIN
from sim.scene import model
from sim.scene.light_words import modifier_words, power_words
from sim.scene.read import load_scene

ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Drawn:
    """What was written on a page, and in which sizes."""

    texts: list[str] = field(default_factory=list)


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> Drawn:
    from sim.reports.sheets import lettering, page

    seen = Drawn()

    def write(draw: object, x: float, y: float, text: str, *more: object, **named: object) -> None:
        seen.texts.append(text)
        lettering.write(draw, x, y, text, *more, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(page, "write", write)
    return seen


def scene_of(count: int) -> model.Scene:
    scene = load_scene(ROOT / "scenes" / "recital.yaml")
    kinds = list(scene.lights.values())
    return scene.model_copy(update={"lights": {f"light {i + 1}": kinds[i % len(kinds)] for i in range(count)}})


def flat_pictures(scene: model.Scene, size: tuple[int, int]) -> dict[str, np.ndarray]:
    """A flat picture of its own colour for each light, linear."""
    width, height = size
    return {
        name: np.full((height, width, 3), (0.02 + 0.03 * i, 0.6 - 0.03 * i, 0.3), np.float32)
        for i, name in enumerate(scene.lights)
    }


def readings(scene: model.Scene) -> list[PointReadings]:
    def reading(stops: float) -> Reading:
        return Reading(1.0, 8 * 2 ** (stops / 2), stops, None, 0.01, 0.5)

    return [
        PointReadings(
            probe, "dome", {name: reading(-1.1 * (i + 1)) for i, name in enumerate(scene.lights)}, reading(0.3)
        )
        for probe in STANDARD_POINTS
    ]


def mix_of(scene: model.Scene) -> Mix:
    count = len(scene.lights)
    return Mix(tuple(scene.lights), (0.0,) * count, np.ones((count, 3)), (False,) * count, (True,) * count)


def box_of_color(sheet: np.ndarray, color: np.ndarray) -> tuple[int, int, int, int]:
    """Left, top, width and height of the pixels of exactly one colour, which must fill their box."""
    hit = (sheet == color).all(axis=-1)
    rows, columns = np.flatnonzero(hit.any(axis=1)), np.flatnonzero(hit.any(axis=0))
    left, top, width, height = columns[0], rows[0], np.ptp(columns) + 1, np.ptp(rows) + 1
    assert hit[top : top + height, left : left + width].all()
    return int(left), int(top), int(width), int(height)


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 16])
@pytest.mark.parametrize("size", [(80, 120), (120, 80), (60, 60)])
def test_contact_sheet_has_a_whole_tile_for_every_light(count: int, size: tuple[int, int], drawn: Drawn) -> None:
    scene = scene_of(count)
    alone = flat_pictures(scene, size)
    combined = np.full((size[1], size[0], 3), (0.7, 0.1, 0.05), np.float32)
    image = contact_sheet(scene, mix_of(scene), combined, alone, readings(scene), "made so")
    sheet = np.asarray(image)
    boxes = [box_of_color(sheet, encoded(picture)[0, 0]) for picture in alone.values()]
    # Every tile is whole, of one size and of the picture's shape, less its outline of one pixel.
    assert len({box[2:] for box in boxes}) == 1
    _, _, width, height = boxes[0]
    assert (width + 2) / (height + 2) == pytest.approx(size[0] / size[1], rel=0.01)
    assert width >= 270
    large = box_of_color(sheet, encoded(combined)[0, 0])
    assert large[2] * large[3] > 1.5 * width * height
    assert max(image.size) < 4000
    # Each light is named with what it reads; the black and white stands last.
    for i, name in enumerate(scene.lights):
        assert name in drawn.texts
        assert phrases.signed_stops(-1.1 * (i + 1), darkest=-10) in drawn.texts
    assert {
        "combined",
        "one light" if count == 1 else f"{count} lights together",
        "black and white",
        "+0.3",
        scene.title,
        settings_text(scene.camera),
    } <= set(drawn.texts)


def test_levelled_sheet_tells_how_far_each_light_was_lifted(drawn: Drawn) -> None:
    scene = scene_of(2)
    # A flat grey of 0.15 needs two stops to reach 0.6; one of 1.2 comes down by one.
    alone = {
        "light 1": np.full((30, 20, 3), 0.15, np.float32),
        "light 2": np.full((30, 20, 3), 1.2, np.float32),
    }
    sheet = np.asarray(levelled_sheet(scene, alone, "made so"))
    assert "lifted 2 stops" in drawn.texts and "lowered 1 stop" in drawn.texts
    level = encoded(np.full(3, 0.6, np.float32))
    hit = (sheet == level).all(axis=-1)
    assert hit.sum() > 2 * 300 * 400


def test_darkness_is_drawn_and_worded_without_a_fault(drawn: Drawn) -> None:
    scene = scene_of(1)
    dark = Reading(0.0, 0.0, -math.inf, None, 0.0, 0.0)
    points = [PointReadings(probe, "dome", {"light 1": dark}, dark) for probe in STANDARD_POINTS]
    black = {"light 1": np.zeros((30, 20, 3), np.float32)}
    contact_sheet(scene, mix_of(scene), black["light 1"], black, points, "made so")
    levelled_sheet(scene, black, "made so")
    assert "dark" in drawn.texts and "as it is" in drawn.texts


def test_same_pictures_same_sheet() -> None:
    scene = scene_of(2)
    alone = flat_pictures(scene, (40, 60))
    first, again = (
        contact_sheet(scene, mix_of(scene), alone["light 1"], alone, readings(scene), "made so").tobytes()
        for _ in range(2)
    )
    assert first == again


MODIFIERS = {
    "bare bulb 6 cm": {"kind": "bare"},
    "reflector 18 cm, 10° grid": {"kind": "reflector", "grid": "10°"},
    "reflector 18 cm, barn doors": {"kind": "reflector", "barn_doors": {"left": "30°"}},
    "snoot 7 cm, 20 cm long": {"kind": "snoot"},
    "beauty dish 55 cm with sock": {"kind": "beauty dish", "sock": True},
    "softbox 90 x 120 cm": {"kind": "softbox", "width": "90 cm", "height": "120 cm"},
    "softbox 61 x 91.4 cm": {"kind": "softbox", "width": "2 ft", "height": "3 ft"},
    "strip 30 x 120 cm, 40° grid": {"kind": "strip", "width": "30 cm", "height": "120 cm", "grid": "40°"},
    "octabox 120 cm": {"kind": "octabox", "diameter": "120 cm"},
    "white umbrella 105 cm": {"kind": "umbrella", "diameter": "105 cm"},
    "silver umbrella 105 cm": {"kind": "umbrella", "diameter": "105 cm", "surface": "silver"},
    "shoot-through umbrella 105 cm": {"kind": "shoot-through", "diameter": "105 cm"},
    "white covered umbrella 150 cm": {"kind": "covered umbrella", "diameter": "150 cm"},
    "focusing spot, lens 15 cm, 12° beam": {"kind": "spot"},
}


def light_of(**keys: object) -> model.Light:
    place = {"bearing": "-40°", "distance": "2 m", "height": "2 m"}
    return model.Light.model_validate({"source": {"kind": "flash", "energy": "400 W·s"}, "place": place, **keys})


@pytest.mark.parametrize(("text", "modifier"), MODIFIERS.items(), ids=MODIFIERS)
def test_every_modifier_has_words(text: str, modifier: dict[str, object]) -> None:
    assert modifier_words(light_of(modifier=modifier)) == text


def test_every_modifier_of_the_model_is_among_them() -> None:
    kinds = {sub.model_fields["kind"].annotation.__args__[0] for sub in _leaves(model.Modifier)}
    assert kinds == {str(modifier["kind"]) for modifier in MODIFIERS.values()}


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("full power", {}),
        ("2 stops below full (1/4)", {"power": "1/4"}),
        ("3.5 stops below full", {"power": "-3.5 stops"}),
        # log2 0.8 is -0.3219280948873623.
        ("0.32 stops below full", {"power": "80 %"}),
        ("1 stop below full (1/2)", {"power": "-0.999 stops"}),
        ("full power", {"power": "-0.004 stops"}),
        ("1 stop below full (1/2), 3200 K", {"power": "1/2", "color": "3200 K"}),
        ("full power, #ff8800", {"color": "#ff8800"}),
        ("full power, gel +60 mired (warmer), gel ND 1 stop", {"gels": [{"mired": 60}, {"nd": "1 stop"}]}),
        ("full power, gel −80 mired (cooler)", {"gels": [{"mired": -80}]}),
        ("full power, gel #ff8800", {"gels": [{"color": "#ff8800"}]}),
    ],
)
def test_power_says_dial_colour_and_gels(text: str, keys: dict[str, object]) -> None:
    assert power_words(light_of(**keys)) == text


@given(st.floats(-30, 30))
def test_stops_are_rounded_with_their_sign(stops: float) -> None:
    text = stops_text(Reading(8.0, stops, stops, None, 1.0, 0.0))
    if stops < -10:
        assert text == "< −10"
    else:
        assert abs(float(text.replace(phrases.MINUS, "-")) - stops) <= 0.05 + 1e-9
        assert text[0] in "+−" or text == "0.0"


@given(st.floats(-12, 12))
def test_lift_is_told_as_lifted_or_lowered(stops: float) -> None:
    text = lift_text(stops)
    assert (text == "as it is") == (abs(stops) < 0.05) or abs(abs(stops) - 0.05) < 1e-9
    assert text.startswith({True: "lifted", False: "lowered"}[stops > 0]) or text == "as it is"


@given(st.text(max_size=60), st.integers(12, 40), st.integers(40, 600))
def test_text_never_leaves_its_room(text: str, size_px: int, room_px: int) -> None:
    # Three dots alone may be wider than the least room; nothing else may.
    least = width_px("...", size_px)
    for line in (fitted(text, size_px, room_px), *wrapped(text, size_px, room_px)):
        assert width_px(line, size_px) <= max(room_px, least)


def _leaves(kind: type) -> list[type]:
    subs = kind.__subclasses__()
    return [leaf for sub in subs for leaf in _leaves(sub)] if subs else [kind]


def test_the_latitude_page_draws_each_pattern_under_its_piece_of_the_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    shadows = [NoseShadow("loop", "short", "left", 50.0, 0.3, 0.9, 0.0)] * 2
    shadows += [NoseShadow("split", "short", "left", 60.0, 0.0, 0.9, 0.0)] * 2
    samples = tuple(
        Sample(x, 0.0, 0.01, shadow, ()) for x, shadow in zip((-30.0, 0.0, 10.0, 30.0), shadows, strict=True)
    )
    reach = Latitude("key", (), samples[1], (MoveSweep(MOVES[0], samples, ()),))
    drawn: list[str] = []

    def kept(shadow: NoseShadow, height_px: int) -> Image.Image:
        drawn.append(shadow.pattern)
        return picture_from_shadow(shadow, height_px)

    monkeypatch.setattr(latitude_files, "picture_from_shadow", kept)
    black = np.zeros((21, 17, 3), np.uint8)
    page = latitude_files.latitude_page(load_scene(ROOT / "scenes" / "recital.yaml"), reach, [[black] * 5])
    assert drawn == ["loop", "split"]
    # Nothing else on the page has the colour of skin; the sitter's pictures here are black.
    rows, columns = np.nonzero((np.abs(np.asarray(page).astype(int) - ImageColor.getrgb(SKIN)) < 3).all(axis=2))
    bar_ends = MARGIN + HEADER + latitude_files.CURVE_HEIGHT
    assert bar_ends < rows.min() and rows.max() < bar_ends + latitude_files.ROW_GAP
    # The pattern changes half-way from 0 to 10 of -30 to 30 degrees: a drawing in the middle of either side of it.
    left, right = MARGIN + 136, MARGIN + latitude_files.CURVE_WIDTH
    cut = left + 35 / 60 * (right - left)
    middles = [columns[columns < cut].mean(), columns[columns >= cut].mean()]
    assert middles == pytest.approx([(left + cut) / 2, (cut + right) / 2], abs=12)


@pytest.mark.parametrize("garment", ["gown", "suit"])
@pytest.mark.parametrize("width", [CROWDED_WIDTH_PX, *TILE_WIDTH_PX])
def test_no_name_of_a_point_is_cut_off_below_a_picture(width: int, garment: str) -> None:
    """Names of the standard points stand whole under a small picture; each as the other reports have it."""
    labels = [worn_name(name, garment) for name in ("face", "upper gown", "backdrop centre")]
    columns = page._columns([(label, "−10.0") for label in labels], width)
    assert sum(columns) == pytest.approx(width)
    for label, column in zip(labels, columns, strict=True):
        assert fitted(label, page.LABEL, column - page.LABEL_GAP) == label
