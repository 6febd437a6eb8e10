"""No skin through cloth, no gap at strap, armhole, collar or hairline, at the ends of the poses' ranges."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from sim.render.engine import Engine
from sim.scene.model.sitter import Sitter
from sim.studio.figure import Figure, figure_from_sitter
from tests.studio.figure.rays import seen_parts

PIXEL_M = 0.001
# A patch of skin this small, walled in by cloth, is skin through cloth; an armhole or neckline is far larger.
POKE_MM2 = 150
# The ends of turn, nod and tilt together, both ways.
ENDS = [(0, 0, 0), (60, 20, 15), (-60, -20, -15), (60, -20, 15), (-60, 20, -15)]


def _figure(**words: object) -> Figure:
    return figure_from_sitter(Sitter.model_validate({"stature": "1.70 m", **words}))


def pokes(figure: Figure, bearing_deg: float, low_m: float, high_m: float) -> int:
    """Patches of body skin that rays meet inside the clothes' own outline."""
    seen = seen_parts(figure, bearing_deg, low_m, high_m, PIXEL_M)
    region = np.array([part.region for part in figure.parts] + ["nothing"])[seen]
    skin = np.isin(region, ("chest", "arms", "neck"))
    cloth = np.isin(region, ("gown", "suit"))
    label, _ = ndimage.label(skin, structure=np.ones((3, 3)))
    found = 0
    for k, box in enumerate(ndimage.find_objects(label), start=1):
        own = label[box] == k
        if own.sum() * (PIXEL_M * 1e3) ** 2 >= POKE_MM2:
            continue
        grown = tuple(slice(max(s.start - 2, 0), s.stop + 2) for s in box)
        ring = ndimage.binary_dilation(label[grown] == k, iterations=2) & (label[grown] != k)
        found += bool(cloth[grown][ring].mean() > 0.9)
    return found


@pytest.mark.parametrize("head", ENDS)
@pytest.mark.parametrize(("build", "clothing"), [("woman", "velvet gown"), ("second woman", "satin gown"),
                                                 ("man", "dark suit")])  # fmt: skip
def test_no_skin_through_cloth(engine: Engine, build: str, clothing: str, head: tuple[int, int, int]) -> None:
    turn, nod, tilt = (f"{a} deg" for a in head)
    figure = _figure(figure=build, clothing={"style": clothing}, head={"turn": turn, "nod": nod, "tilt": tilt})
    for bearing in (-60.0, 0.0, 60.0, 180.0):
        assert pokes(figure, bearing, 0.95, 1.50) == 0, f"from {bearing} degrees"


@pytest.mark.parametrize("arms", ["hand on hip", "playing"])
@pytest.mark.parametrize(("build", "clothing"), [("woman", "velvet gown"), ("man", "dark suit")])
def test_no_skin_through_cloth_with_the_arms_moved(engine: Engine, build: str, clothing: str, arms: str) -> None:
    figure = _figure(figure=build, clothing={"style": clothing}, arms=arms)
    for bearing in (-60.0, 0.0, 60.0, 180.0):
        assert pokes(figure, bearing, 0.95, 1.50) == 0, f"from {bearing} degrees"


def holes(figure: Figure, bearing_deg: float, low_m: float, high_m: float) -> int:
    """Rays that pass between the parts although the figure surrounds them: gaps in the surface."""
    seen = seen_parts(figure, bearing_deg, low_m, high_m, PIXEL_M)
    label, count = ndimage.label(seen < 0)
    outside = np.unique(np.concatenate([label[0], label[-1], label[:, 0], label[:, -1]]))
    sizes = ndimage.sum_labels(np.ones_like(label), label, np.arange(1, count + 1))
    # Daylight between arm and waist is larger than this; one ray may slip past behind an ear.
    return sum(1 for k, size in enumerate(sizes, start=1) if k not in outside and 2 <= size < 60)


@pytest.mark.parametrize("build", ["woman", "second woman"])
@pytest.mark.parametrize("turn", [-60, 0, 60])
def test_no_gaps_from_hairline_to_straps(engine: Engine, build: str, turn: int) -> None:
    figure = _figure(figure=build, head={"turn": f"{turn} deg"})
    fringe = ("hair", "brows", "lashes", "sequins")
    body = [k for k, part in enumerate(figure.parts) if part.name not in fringe]
    for bearing in (-45.0, 0.0, 45.0):
        # Hairs and sequins leave slits of sky at the outline; the body under them must be whole.
        bare = Figure(tuple(figure.parts[k] for k in body), (), figure.anchors_m, figure.anchor_normals)
        assert holes(bare, bearing, 1.20, 1.72) == 0
