"""The same studio room in Radiance (reference library, through `pyradiance`): readings agree within 2 %.

Room 6 x 7 x 3 m with diffuse reflectances 0.5 (walls), 0.7 (ceiling), 0.2 (floor), once with a bare bulb, which is an
isotropic sphere without anything that holds it there, once with a 60 x 90 cm panel. Radiance runs without its
irradiance cache (`-aa 0`); each of its values is the mean of several independent traces, so that their spread tells its
noise.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sim.light.readings import Probe, ProbeId
from sim.studio.gear import modifiers
from sim.studio.gear.direct import illuminance_from_emitter
from sim.studio.gear.emitter import Emitter
from sim.studio.gear.photometric import shaped_from_file

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    pyradiance = pytest.importorskip("pyradiance", reason="reference renderer: pip install halfstop[test]")

pytestmark = pytest.mark.usefixtures("engine")

WIDTH_M, HEIGHT_M, LENGTH_M = 6.0, 3.0, 7.0
WALLS, CEILING, FLOOR = 0.5, 0.7, 0.2
FLUX_LM = 1000.0
RADIANCE_LM_PER_W = 179.0  # Radiance's own luminous efficacy, by which ies2rad divides
TRACES = 8
BOUNCES = 14

X, Z = WIDTH_M / 2, LENGTH_M / 2
SIDES = {
    "floor": (FLOOR, [(-X, 0, -Z), (-X, 0, Z), (X, 0, Z), (X, 0, -Z)]),
    "ceiling": (CEILING, [(-X, HEIGHT_M, -Z), (X, HEIGHT_M, -Z), (X, HEIGHT_M, Z), (-X, HEIGHT_M, Z)]),
    "back": (WALLS, [(-X, 0, -Z), (X, 0, -Z), (X, HEIGHT_M, -Z), (-X, HEIGHT_M, -Z)]),
    "front": (WALLS, [(-X, 0, Z), (-X, HEIGHT_M, Z), (X, HEIGHT_M, Z), (X, 0, Z)]),
    "left": (WALLS, [(-X, 0, -Z), (-X, HEIGHT_M, -Z), (-X, HEIGHT_M, Z), (-X, 0, Z)]),
    "right": (WALLS, [(X, 0, -Z), (X, 0, Z), (X, HEIGHT_M, Z), (X, HEIGHT_M, -Z)]),
}
POINT = np.array([0.0, 1.4, 0.0])
SOURCE = np.array([0.9, 2.1, 1.6])
TOWARD = (SOURCE - POINT) / np.linalg.norm(SOURCE - POINT)
METERS = {
    "facing the source": (POINT, TOWARD),
    "facing away": (POINT, -TOWARD),
    "back wall": (np.array([0.0, 1.5, -Z + 0.005]), np.array([0.0, 0.0, 1.0])),
}
BARE = modifiers.bare(0.06)
BULB = replace(BARE.emitters[0], amount=BARE.emitters[0].amount * FLUX_LM)
PANEL = Emitter("rectangle", 0.6, FLUX_LM, height_m=0.9)


def radiance_room() -> str:
    """Return the empty room in Radiance's scene language."""
    lines = []
    for name, (reflectance, corners) in SIDES.items():
        lines.append(f"void plastic paint_{name} 0 0 5 {reflectance} {reflectance} {reflectance} 0 0")
        numbers = " ".join(f"{c:g}" for corner in corners for c in corner)
        lines.append(f"paint_{name} polygon {name} 0 0 12 {numbers}")
    return "\n".join(lines) + "\n"


def radiance_lux(folder: Path, source: str, meters: list[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
    """Return mean illuminances (m, 2: value, standard error) that Radiance traces; sources are given in cd/m2."""
    octree = folder / "room.oct"
    octree.write_bytes(pyradiance.oconv(stdin=(radiance_room() + source).encode(), warning=False))
    rays = "".join(
        " ".join(f"{c:.9g}" for c in (*point, *normal)) + "\n" for point, normal in meters for _ in range(TRACES)
    )
    # Divide large sources finely and let each bounce see them whole.
    params = f"-ab {BOUNCES} -aa 0 -ad 32768 -dj 1 -ds .05 -dt 0 -dc 1".split()
    text = pyradiance.rtrace(
        rays.encode(), str(octree), header=False, irradiance=True, inform="a", outform="a", params=params
    )
    values = np.array([float(line.split()[0]) for line in text.decode().splitlines()]).reshape(len(meters), TRACES)
    return np.stack([values.mean(1), values.std(1, ddof=1) / math.sqrt(TRACES)], -1)


def our_lux(emitter: Emitter, meters: dict[str, tuple[np.ndarray, np.ndarray]], room: bool = True) -> np.ndarray:
    """Return the same from the renderer: (m, 2) value and standard error."""
    import mitsuba as mi

    from sim.render.transport.probe import read_probes
    from tests.physics.stages import bare_stage, faced

    surfaces = []
    for reflectance, corners in SIDES.values() if room else ():
        corner = np.array(corners, float)
        centre, normal = corner.mean(0), np.cross(corner[1] - corner[0], corner[2] - corner[1])
        to_world = mi.ScalarTransform4f().look_at(
            origin=list(centre), target=list(centre + normal / np.linalg.norm(normal)), up=_up(normal)
        )
        side = np.abs(corner - centre).max(0)
        half = (side[0], side[2]) if abs(normal[1]) > 0 else (side[0] + side[2], side[1])
        surfaces.append(
            ({"type": "rectangle", "to_world": to_world.scale([float(half[0]), float(half[1]), 1.0])}, reflectance)
        )
    if emitter is BULB:
        # Ours stands on a rod, which shades a little behind it.
        (rod,) = BARE.body
        front, back = (SOURCE + TOWARD * (end * rod.sizes_m[1] / 2 - rod.offset_m[2]) for end in (-1, 1))
        ends = {"p0": list(front), "p1": list(back), "radius": rod.sizes_m[0] / 2}
        surfaces.append(({"type": "cylinder", **ends}, rod.reflectance))
    stage = bare_stage([faced(emitter, list(SOURCE), list(POINT))], surfaces)
    probes = [Probe(ProbeId("flat", name), "flat", point, normal) for name, (point, normal) in meters.items()]
    got = read_probes(stage, probes, depth=BOUNCES, target_stderr_stops=0.01, most_rays=1 << 21)
    return np.stack([got.values[:, 0].mean(-1), got.stderr[:, 0]], -1)


def _up(normal: np.ndarray) -> list[float]:
    return [0.0, 0.0, 1.0] if abs(normal[1]) > 0 else [0.0, 1.0, 0.0]


def radiance_source(kind: str) -> str:
    """Return the light in Radiance's scene language."""
    if kind == "bulb":
        radius = BULB.width_m / 2
        luminance = FLUX_LM / (4 * math.pi**2 * radius**2)
        place = " ".join(f"{c:.9g}" for c in SOURCE)
        return f"void light lamp 0 0 3 {luminance} {luminance} {luminance}\nlamp sphere bulb 0 0 4 {place} {radius}\n"
    luminance = FLUX_LM / (math.pi * PANEL.width_m * PANEL.height_m)
    forward = -TOWARD
    across = np.cross([0, 1, 0], forward)
    across /= np.linalg.norm(across)
    up = np.cross(forward, across)
    corners = [
        SOURCE + sx * PANEL.width_m / 2 * across + sy * PANEL.height_m / 2 * up
        for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    numbers = " ".join(f"{c:.9g}" for corner in corners for c in corner)
    return f"void light lamp 0 0 3 {luminance} {luminance} {luminance}\nlamp polygon panel 0 0 12 {numbers}\n"


@pytest.mark.parametrize(("kind", "emitter"), [("bulb", BULB), ("panel", PANEL)])
def test_studio_room_agrees_with_radiance(kind, emitter, tmp_path):
    # Reference library: Radiance, rtrace without cache. 2 % on each of three meters, one of them bounce only.
    theirs = radiance_lux(tmp_path, radiance_source(kind), list(METERS.values()))
    ours = our_lux(emitter, METERS)
    assert (theirs[:, 1] / theirs[:, 0] < 0.01).all() and (ours[:, 1] / ours[:, 0] < 0.01).all()
    for name, mine, reference in zip(METERS, ours[:, 0], theirs[:, 0], strict=True):
        print(f"{kind}, {name}: {mine:.3f} lx, Radiance {reference:.3f} lx, {100 * (mine / reference - 1):+.2f} %")
        assert mine == pytest.approx(reference, rel=0.02), name


LAMP = """IESNA:LM-63-2002
[TEST] none, invented
[TESTLAB] none
[ISSUEDATE] 2026-01-01
[MANUFAC] none
TILT=NONE
1 -1 1 {n_vertical} {n_horizontal} 1 2 {width} {length} 0
1 1 60
{vertical}
{horizontal}
{candela}
"""


@pytest.mark.parametrize(("width", "length", "surface"), [(0.2, 0.4, "rectangle"), (-0.3, -0.3, "disc")])
def test_photometric_file_lights_as_in_radiance(width, length, surface, tmp_path, monkeypatch):
    # Reference library: the file read by Radiance's ies2rad; 1 % in seven directions, one-sided distribution.
    monkeypatch.chdir(tmp_path)
    vertical, planes = np.linspace(0, 90, 37), np.arange(0, 361, 15.0)
    sine = np.sin(np.radians(vertical))
    lean = 0.4 * np.cos(np.radians(planes)) + 0.5 * np.sin(np.radians(planes))
    candela = 1000 * (1 + lean[:, None] * sine) * np.cos(np.radians(vertical)) ** 3
    text = LAMP.format(
        n_vertical=len(vertical), n_horizontal=len(planes), width=width, length=length,
        vertical=_rows(vertical), horizontal=_rows(planes), candela="\n".join(_rows(plane) for plane in candela),
    )  # fmt: skip
    (tmp_path / "lamp.ies").write_text(text)
    pyradiance.ies2rad("lamp.ies", outname="lamp")
    octree = tmp_path / "lamp.oct"
    octree.write_bytes(pyradiance.oconv("lamp.rad", warning=False))
    face = shaped_from_file(tmp_path / "lamp.ies").emitters[0]
    assert face.surface == surface
    for theta, phi in (
        (0, 0),
        (0.3, 0.0),
        (0.6, math.pi / 2),
        (0.6, -math.pi / 2),
        (0.6, math.pi),
        (0.9, 2.0),
        (1.2, 4.0),
    ):
        # Radiance hangs the lamp with its axis along -z; half a turn about x brings it to our frame.
        hung = np.array([math.sin(theta) * math.cos(phi), math.sin(theta) * math.sin(phi), -math.cos(theta)])
        ray = " ".join(f"{c:.9g}" for c in (*(3 * hung), *-hung)) + "\n"
        out = pyradiance.rtrace(
            ray.encode(), "lamp.oct", header=False, irradiance=True, inform="a", outform="a",
            params=["-ab", "0", "-dj", "0", "-ds", ".01", "-dt", "0", "-dc", "1"],
        )  # fmt: skip
        reference = float(out.split()[0]) * RADIANCE_LM_PER_W
        ours = hung * [1, -1, -1]
        assert illuminance_from_emitter(face, [3 * ours], [-ours])[0] == pytest.approx(reference, rel=0.01)


def _rows(values: np.ndarray) -> str:
    return "\n".join(" ".join(f"{v:.6g}" for v in values[i : i + 10]) for i in range(0, len(values), 10))
