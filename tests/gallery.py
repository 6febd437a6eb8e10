"""Pictures of the sitters: `python -m tests.gallery [--quick] [NAME ...]` in the project's folder.

Writes under out/gallery/: `sitters` three sitters in two set-ups, `close-up` a head at 1200 x 1600, `gown` the
sequins with the frontal light on and off, `turns` the head turned in six steps, `clothes` the other cloths, hair and
poses. Without names it makes them all. --quick traces a quarter of the samples.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from sim.render.engine import preload_private_libraries, start_engine

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "out" / "gallery"
WOMAN = {"figure": "woman", "turn": "20 deg", "head": {"turn": "-12 deg"}, "skin": "light"}
SECOND = {
    "figure": "second woman", "turn": "-18 deg", "head": {"turn": "12 deg"}, "skin": "deep",
    "hair": {"style": "swept up", "color": "black"}, "clothing": {"style": "satin gown", "color": "#6a1420"},
}  # fmt: skip
MAN = {
    "figure": "man", "turn": "15 deg", "head": {"turn": "-8 deg"}, "skin": "tan",
    "hair": {"style": "cropped", "color": "dark brown"}, "clothing": {"style": "dark suit", "color": "#1a2030"},
}  # fmt: skip
# The brighter quarter of a face shows at this times its reflectance: common practice, no source.
FACE_LEVEL = 1.05


def picture(scene: Any, size: tuple[int, int], samples: int, without: str = "") -> list[np.ndarray]:
    """Developed picture, and the same without one light; exposed so that the face shows at its own reflectance."""
    from sim.light.develop import denoised, encoded, exposed
    from tests.studio.figure.setups import traced

    _, mix, stack = traced(scene, size, samples)
    clean = denoised(stack)
    mask = stack.mask("face")
    lit = np.percentile(exposed(clean, mix, scene.camera)[mask].mean(axis=1), 75)
    own = np.median(stack.albedo[mask].mean(axis=1))
    stops = float(np.log2(FACE_LEVEL * own / max(lit, 1e-9)))
    both = [encoded(exposed(clean, mix, scene.camera, exposure_stops=stops))]
    if without:
        rest = mix.only(name for name in mix.names if name != without)
        both.append(encoded(exposed(clean, rest, scene.camera, exposure_stops=stops)))
    return both


def row(pictures: list[np.ndarray]) -> np.ndarray:
    """Pictures side by side with a thin gap."""
    gap = np.full((pictures[0].shape[0], 6, 3), 24, np.uint8)
    parts = [part for p in pictures for part in (p, gap)][:-1]
    return np.concatenate(parts, axis=1)


def saved(name: str, image: np.ndarray) -> None:
    """Write one picture and say so."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    target = FOLDER / f"{name}.png"
    Image.fromarray(image).save(target, optimize=True)
    print(f"{target.relative_to(ROOT)}: {image.shape[1]} x {image.shape[0]}")


def sitters(samples: int) -> None:
    """Three sitters, each soft and hard."""
    from tests.studio.figure.setups import HARD, SOFT, scene

    rows = []
    for lights in (SOFT, HARD):
        shots = [
            picture(scene(who, lights, away_m=3.4, height_m=1.45), (440, 600), samples)[0]
            for who in (WOMAN, SECOND, MAN)
        ]
        rows.append(row(shots))
    gap = np.full((6, rows[0].shape[1], 3), 24, np.uint8)
    saved("sitters", np.concatenate([rows[0], gap, rows[1]]))


def close_up(samples: int) -> None:
    """The head at 1200 x 1600."""
    from tests.studio.figure.setups import SOFT, scene

    saved(
        "close-up",
        picture(scene(WOMAN, SOFT, aim="face", lens_mm=180, away_m=3.2, height_m=1.56), (1200, 1600), samples)[0],
    )


def gown(samples: int) -> None:
    """The gown with the frontal light on and off, at one exposure."""
    from tests.studio.figure.setups import GOWN_SCENE

    saved("gown-fill-on-off", row(picture(GOWN_SCENE, (480, 720), samples, without="fill")))


def turns(samples: int) -> None:
    """The head turned in six steps."""
    from tests.studio.figure.setups import SOFT, scene

    shots = []
    for angle in (-60, -36, -12, 12, 36, 60):
        who = {"figure": "woman", "head": {"turn": f"{angle} deg"}, "eyes": "ahead", "skin": "medium"}
        view = scene(who, SOFT, aim="neck", lens_mm=120, away_m=3.4, height_m=1.52)
        shots.append(picture(view, (300, 400), samples)[0])
    saved("head-turns", row(shots))


def clothes(samples: int) -> None:
    """Other cloths, hair, poses, the grey bust and a seated sitter."""
    from tests.studio.figure.setups import SOFT, scene

    green, blue = {"style": "velvet gown", "color": "#0d3b2a"}, {"style": "satin gown", "color": "#2a4a6a"}
    cases = [
        {**WOMAN, "arms": "playing", "prop": "viola", "turn": "-10 deg", "head": {"turn": "14 deg", "tilt": "-5 deg"}},
        {**SECOND, "skin": "brown", "arms": "hand on hip", "hair": {"style": "short bob", "color": "auburn"},
         "clothing": green},
        {**MAN, "arms": "playing", "prop": "viola"},
        {**WOMAN, "posture": "seated", "hair": {"style": "short bob", "color": "blonde"}, "clothing": blue},
        {"figure": "mannequin", "head": {"turn": "-15 deg"}},
    ]  # fmt: skip
    shots = []
    for who in cases:
        # Seated and bust are for head and chest pictures.
        near = who.get("posture") == "seated" or who["figure"] == "mannequin"
        view = scene(who, SOFT, aim="chest", lens_mm=150 if near else 70, away_m=3.8)
        shots.append(picture(view, (360, 540), samples)[0])
    saved("clothes-and-poses", row(shots))


MAKERS = {"sitters": (sitters, 48), "close-up": (close_up, 32), "gown": (gown, 64), "turns": (turns, 32),
          "clothes": (clothes, 32)}  # fmt: skip


def main() -> None:
    """Read the command line and make the pictures asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", choices=[*MAKERS, []], help="which pictures; all without a name")
    parser.add_argument("--quick", action="store_true", help="a quarter of the samples")
    arguments = parser.parse_args()
    preload_private_libraries()
    start_engine()
    for name in arguments.names or MAKERS:
        make, samples = MAKERS[name]
        make(samples // 4 if arguments.quick else samples)


if __name__ == "__main__":
    main()
