"""Eyeballs with a corneal bulge and painted iris, brows and lashes."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import LinearNDInterpolator, PchipInterpolator

from sim.studio.figure.shapes import grid_triangles, rotation_y_from_deg, smoothstep

from .piece import ribbons
from .source import Source

IRIS_RADIUS_M = 0.0059


def eyeball(
    source: Source, points: np.ndarray, side: str
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray], np.ndarray]:
    """Eye of one side ("l" at +X): points, triangles, channels and centre (3,).

    Channels: `sclera` and `pupil` shares, `iris` brightness, `vein` redness toward the corners.
    """
    own = points[np.unique(source.quads(f"helper-{side}-eye"))]
    fit = np.linalg.lstsq(np.c_[2.0 * own, np.ones(len(own))], (own**2).sum(axis=1), rcond=None)[0]
    center, radius = fit[:3], float(np.sqrt(fit[3] + fit[:3] @ fit[:3]))
    # Crowd the rings over the iris; the back of the ball is never seen.
    rim = np.arcsin(IRIS_RADIUS_M / radius)
    ring = np.concatenate([np.linspace(0.0, rim * 1.12, 19), np.linspace(rim * 1.25, np.radians(115.0), 12)])
    around = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    polar, angle = np.meshgrid(ring, around, indexing="ij")
    from_axis = radius * np.sin(polar)
    bulge = 0.00085 * np.clip(1.0 - (from_axis / 0.0066) ** 2, 0.0, 1.0) * (polar < 1.2)
    unit = np.stack([np.sin(polar) * np.sin(angle), -np.sin(polar) * np.cos(angle), np.cos(polar)], -1)
    ball = center + unit * (radius - 0.0001 + bulge)[..., None]
    x = np.where(polar > 1.4, 9.0, from_axis / IRIS_RADIUS_M)

    # Paint fibres that run outward, a lighter collarette and a dark rim.
    rng = np.random.default_rng(11 if side == "l" else 12)
    fibre = np.repeat(rng.normal(size=(1, 72)), len(ring), 0)
    fibre = 0.6 * fibre + 0.4 * np.roll(fibre, 1, 1) + 0.5 * rng.normal(size=fibre.shape)
    iris = 0.50 + 0.13 * fibre + 0.16 * np.exp(-(((x - 0.52) / 0.14) ** 2)) - 0.12 * smoothstep(0.6, 0.9, x)
    iris *= 1.0 - 0.80 * smoothstep(0.84, 1.0, x)
    channels = {
        "iris": np.clip(iris, 0.02, 1.0).ravel(),
        "sclera": smoothstep(0.95, 1.08, x).ravel(),
        "pupil": (1.0 - smoothstep(0.34, 0.42, x)).ravel(),
        "vein": (smoothstep(1.3, 2.1, x) * np.abs(np.sin(angle)) ** 1.5).ravel(),
    }
    return ball.reshape(-1, 3), grid_triangles(len(ring), 72, True), channels, center


def front_depth(rest: np.ndarray, inside: np.ndarray) -> LinearNDInterpolator:
    """Depth z of the face surface as a function of (x, y)."""
    return LinearNDInterpolator(rest[inside][:, :2], rest[inside][:, 2])


def brow_line(x_mm: np.ndarray) -> np.ndarray:
    """Height above the eye centre in mm of the brow's middle at a distance from the midline in mm."""
    return PchipInterpolator([8, 13, 22, 34, 44, 54], [15.5, 16.2, 18.3, 20.8, 19.2, 14.0])(x_mm)


def brow_half_height(x_mm: np.ndarray) -> np.ndarray:
    """Half height of the brow in mm."""
    return np.interp(x_mm, [9, 13, 22, 34, 44, 51], [2.2, 3.3, 3.5, 2.9, 1.8, 0.6])


def brows(rest: np.ndarray, eye: np.ndarray, hairs: int) -> tuple[np.ndarray, np.ndarray]:
    """Brow hairs of both sides as ribbons lying on the face."""
    rng = np.random.default_rng(21)
    above = rest[:, 1] - eye[1]
    near = (rest[:, 2] > eye[2] - 0.04) & (np.abs(rest[:, 0]) < 0.085) & (above > 0.004) & (above < 0.065)
    depth = front_depth(rest, near)
    paths = []
    scale = eye[0] / 0.0305
    for side in (-1.0, 1.0):
        for share in rng.beta(0.95, 1.1, hairs):
            x = 9.5 + 39.0 * share
            spread = np.clip(rng.normal(0.0, 0.5), -1.0, 1.0)
            y = brow_line(x) + spread * brow_half_height(x)
            # Rise at the inner end, sweep outward, converge to the arch from above and below.
            lean = np.radians(
                np.interp(x, [10, 15, 25, 38, 50], [76, 50, 26, 0, -30]) - 16.0 * spread + rng.normal(0, 8)
            )
            step = np.interp(x, [10, 18, 50], [5.5, 8.0, 4.0]) * rng.uniform(0.65, 1.1) * np.linspace(0, 1, 4)
            bend = np.radians(-14.0) * np.linspace(0, 1, 4)
            px, py = scale * (x + np.cos(lean + bend) * step), y + np.sin(lean + bend) * step
            pz = depth(np.c_[side * px * 1e-3, eye[1] + py * 1e-3])
            if np.isnan(pz).any():
                raise ValueError("a brow hair leaves the face")
            paths.append(np.c_[side * px * 1e-3, eye[1] + py * 1e-3, pz + 0.0003 + 0.0005 * np.linspace(0, 1, 4)])
    path = np.array(paths)
    outward = np.broadcast_to([0.0, 0.1, 1.0], path.shape)
    return ribbons(path, outward, np.array([0.00007, 0.00009, 0.00007, 0.0]))


def lashes(source: Source, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Upper and lower lashes of both eyes as curved ribbons between the source's lash guides."""
    rng = np.random.default_rng(22)
    paths = []
    for side in "lr":
        center = source.joint(points, f"joint-{side}-eye")
        for guide, reach, count in ((1, 0.5, 44), (2, 1.05, 130)):
            own = points[np.unique(source.quads(f"helper-{side}-eyelashes-{guide}"))]
            away = np.linalg.norm(own - center, axis=1)
            low, high = away < np.quantile(away, 0.45), away > np.quantile(away, 0.7)
            across = own[:, 0]
            root_fit = [np.polyfit(across[low], own[low][:, k], 4) for k in (1, 2)]
            tip_fit = [np.polyfit(across[high], own[high][:, k], 3) for k in (1, 2)]
            for share in np.linspace(0.05, 0.98, count) + rng.normal(0, 0.004, count):
                x0 = np.interp(share, [0, 1], [across[low].min(), across[low].max()])
                x1 = np.interp(share + rng.normal(0, 0.02), [0, 1], [across[high].min(), across[high].max()])
                root = np.array([x0, *(np.polyval(f, x0) for f in root_fit)])
                tip = np.array([x1, *(np.polyval(f, x1) for f in tip_fit)])
                tip = root + (tip - root) * reach * rng.uniform(0.7, 1.05)
                bow = np.array([0.0, -0.0012 if guide == 2 else 0.0008, 0.0012])
                t = np.linspace(0.0, 1.0, 5)[:, None]
                paths.append((1 - t) ** 2 * root + 2 * t * (1 - t) * (0.5 * (root + tip) + bow) + t**2 * tip)
    path = np.array(paths)
    outward = np.broadcast_to([0.0, 0.55, 1.0], path.shape)
    return ribbons(path, outward, np.array([0.00013, 0.00013, 0.00011, 0.00007, 0.0]))


def toed_in(points: np.ndarray, center: np.ndarray, side: str, angle_deg: float = 2.0) -> np.ndarray:
    """Turn an eye inward so that the pair meets at a viewing distance of about two metres."""
    return center + (points - center) @ rotation_y_from_deg(-angle_deg if side == "l" else angle_deg).T
