"""Sparkle of the gown: how many of the sequins that the lens sees glint, and which light makes them.

Each sequin is looked at by itself, along its own ray from the lens, so that the figure does not hang on the picture's
size or on its rays per pixel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from sim.advice.checks.frame import frame_from_camera
from sim.light.mix import Mix
from sim.quantities import color
from sim.render.cache.queries import StageLike, first_hits, radiance_along
from sim.scene.model import Camera
from sim.studio.figure import Figure
from sim.studio.figure.sewing import CORNERS

# A glint is a sequin this many times as bright as the sequins in view are on average; common practice, no source.
GLINT_TIMES = 4.0
# It also outshines those about it by this factor: a smooth bright edge is no sparkle. Common practice, no source.
AROUND_TIMES, AROUND_M = 1.5, 0.03
# A gown of which less glints does not sparkle; common practice, no source.
LEAST_SHARE = 0.01
# A ray to a sequin's middle that ends this much before or behind it met something else.
REACHES_M = 0.001
SAMPLES = 32


@dataclass(frozen=True)
class SequinLight:
    """What the lens sees of n sequins, all in the picture and hidden by nothing.

    `places_m` (n, 3) their middles; `radiance` (n, k, 3) that each of k lights sends by them to the lens at full dial
    and white, cd/m2 (flash: cd s/m2).
    """

    places_m: np.ndarray
    radiance: np.ndarray

    def of_light(self, layer: int) -> SequinLight:
        """The light of one layer alone."""
        return SequinLight(self.places_m, self.radiance[:, [layer]])

    @classmethod
    def joined(cls, lights: Sequence[SequinLight]) -> SequinLight:
        """Lights on the same sequins as the layers of one."""
        return cls(lights[0].places_m, np.concatenate([light.radiance for light in lights], axis=1))


@dataclass(frozen=True)
class Sparkle:
    """How many sequins glint.

    `sequins` in view; `share` of them that glint, 0..1, all lights; `by_light` those that the light makes alone, over
    the same threshold; `without` what is left of `share` with the light off; `maker` the light whose loss costs most,
    None if nothing sparkles.
    """

    sequins: int
    share: float
    by_light: dict[str, float]
    without: dict[str, float]
    maker: str | None


def sequin_light(
    stage: StageLike,
    *,
    seed: int = 0,
    samples: int = SAMPLES,
    on_launch: Callable[[], None] | None = None,
    most_rays_at_once: int | None = None,
) -> SequinLight | None:
    """Look at every sequin in the picture from the middle of the lens; None where there is none.

    Arguments: `samples` paths to each; others as in `sim.render.transport.rays.radiance_along`.
    """
    camera = stage.layout.camera
    middles_m = sequin_middles(stage.layout.figure)
    middles_m = middles_m[frame_from_camera(camera).holds(middles_m)]
    if not len(middles_m):
        return None
    way = middles_m - camera.position_m
    away_m = np.linalg.norm(way, axis=1)
    directions = way / away_m[:, None]
    met = first_hits(stage, camera.position_m, directions)
    seen = np.abs(met.distance_m - away_m) < REACHES_M
    if not seen.any():
        return None
    radiance = radiance_along(
        stage, camera.position_m, directions[seen], samples=samples, seed=seed, on_launch=on_launch,
        most_rays_at_once=most_rays_at_once,
    )  # fmt: skip
    return SequinLight(middles_m[seen], radiance)


def sequin_middles(figure: Figure) -> np.ndarray:
    """Middles (n, 3) of all sequins that a sitter wears, world metres."""
    sewn = [part.points_m.reshape(-1, CORNERS, 3) for part in figure.parts if part.material.kind == "sequin"]
    middles_m: np.ndarray = np.concatenate(sewn).mean(axis=1, dtype=float) if sewn else np.zeros((0, 3))
    return middles_m


def sparkle(light: SequinLight | None, mix: Mix, camera: Camera) -> Sparkle | None:
    """Count the sequins that glint under a mix; None without sequins in view.

    A sequin glints where it is over 4 times as bright toward the lens as those in view are on average with all lights
    on, and over 1.5 times those within 3 cm. Definition: ours (common practice, no source).
    Does not: count what shines on the cloth between, on skin or on jewellery.
    """
    if light is None:
        return None
    layers = color.luminance(light.radiance * mix.weights_rgb(camera.shutter_s)).T
    total = layers.sum(axis=0)
    threshold = GLINT_TIMES * float(total.mean())
    pairs = cKDTree(light.places_m).query_pairs(AROUND_M, output_type="ndarray")
    near = np.bincount(pairs.ravel(), minlength=len(total))

    def share_of(brightness: np.ndarray) -> float:
        if threshold <= 0:
            return 0.0
        about = np.bincount(pairs[:, 0], brightness[pairs[:, 1]], len(total))
        about += np.bincount(pairs[:, 1], brightness[pairs[:, 0]], len(total))
        return float(((brightness > threshold) & (brightness * near > AROUND_TIMES * about)).mean())

    share = share_of(total)
    without = {name: share_of(total - layers[k]) for k, name in enumerate(mix.names)}
    maker = min(without, key=lambda name: without[name])
    return Sparkle(
        sequins=len(total),
        share=share,
        by_light={name: share_of(layers[k]) for k, name in enumerate(mix.names)},
        without=without,
        maker=maker if share > LEAST_SHARE and without[maker] < 0.9 * share else None,
    )
