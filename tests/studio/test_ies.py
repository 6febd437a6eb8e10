"""IES files written to the standard, lumens against integrals done by hand, clear refusals, and a fuzz."""

from __future__ import annotations

import doctest
import math
import random
import time

import numpy as np
import pytest

import sim.studio.gear.ies as ies
from sim.quantities.errors import HalfstopError, SceneError, UnitError
from sim.scene.model import Light
from sim.studio.gear.direct import illuminance_from_emitter
from sim.studio.gear.photometric import shaped_from_file, shaped_from_lamp
from sim.studio.gear.rig import rig_from_light

VERSION = {
    "1986": "",
    "1991": "IESNA91",
    "1995": "IESNA:LM-63-1995",
    "2002": "IESNA:LM-63-2002",
    "2019": "IES:LM-63-2019",
}


def write(
    candela: np.ndarray,
    vertical: np.ndarray,
    horizontal: np.ndarray,
    form: str = "2002",
    lumens: float = -1,
    multiplier: float = 1.0,
    kind: int = 1,
    units: int = 2,
    size: tuple[float, float, float] = (0, 0, 0),
    ballast: float = 1.0,
    factor: float = 1.0,
    tilt: str = "TILT=NONE",
    newline: str = "\r\n",
) -> str:
    """Write a photometric file as [IESLM63:2019] lays it down: lines of at most ten numbers."""
    lines = [VERSION[form]] if VERSION[form] else []
    if form == "1986":
        lines += ["A LAMP OF OUR OWN", "NO KEYWORDS IN THIS FORM"]
    else:
        lines += [
            "[TEST] none, invented",
            "[TESTLAB] none",
            "[ISSUEDATE] 2026-01-01",
            "[MANUFAC] none",
            "[LUMINAIRE] a lamp of our own",
            "[MORE] with a second line",
        ]
    lines += tilt.split("\n")
    lines.append(
        f"1 {lumens:g} {multiplier:g} {len(vertical)} {len(horizontal)} {kind} {units} "
        + " ".join(f"{s:g}" for s in size)
    )
    lines.append(f"{ballast:g} {factor:g} 60")
    for block in [vertical, horizontal, *np.atleast_2d(candela)]:
        numbers = [f"{v:.6g}" for v in np.asarray(block)]
        lines += [" ".join(numbers[i : i + 10]) for i in range(0, len(numbers), 10)]
    return newline.join(lines) + newline


VERTICAL = np.linspace(0, 90, 37)
FULL = np.linspace(0, 180, 73)
ROUND = np.array([0.0])


def cosine(vertical: np.ndarray, power: float = 1.0, peak: float = 1000.0) -> np.ndarray:
    return peak * np.clip(np.cos(np.radians(vertical)), 0, 1) ** power


def test_docstring_numbers():
    # The worked numbers in the docstrings are part of the tests.
    assert doctest.testmod(ies).failed == 0


@pytest.mark.parametrize("form", VERSION)
def test_lambertian_lumens_in_each_form(form):
    # Lambert: I0 cos(theta) carries pi I0 lumens; LM-63 of 1986, 1991, 1995, 2002 and 2019. 1 %.
    factor = {"2019": 1.00001}.get(form, 1.0)
    lamp = ies.parse_ies(write(cosine(VERTICAL), VERTICAL, ROUND, form, factor=factor))
    assert lamp.form == form
    assert ies.total_lumens(lamp) == pytest.approx(1000 * math.pi, rel=0.01)
    assert ies.total_lumens(lamp) == pytest.approx(1000 * math.pi, rel=2e-4)


def test_isotropic_lumens():
    # Definition of the candela: an even I over the sphere carries 4 pi I.
    lamp = ies.parse_ies(write(np.full(73, 100.0), FULL, ROUND))
    assert ies.total_lumens(lamp) == pytest.approx(400 * math.pi, rel=1e-9)
    # -1 lumens say that the candelas are absolute [IESLM63:2019]; anything else counts for each of the lamps.
    assert lamp.lamp_lumens == -1
    assert ies.parse_ies(write(np.full(73, 100.0), FULL, ROUND, lumens=900)).lamp_lumens == 900


@pytest.mark.parametrize("power", [2, 8, 30])
def test_beam_lumens(power):
    # I0 cos^m carries 2 pi I0 / (m + 1); elementary integral.
    fine = np.linspace(0, 90, 181)
    lamp = ies.parse_ies(write(cosine(fine, power), fine, ROUND))
    assert ies.total_lumens(lamp) == pytest.approx(2000 * math.pi / (power + 1), rel=0.002)


@pytest.mark.parametrize(
    ("ends", "even"),
    [
        ((0, 90), lambda p: np.cos(2 * p)),
        ((0, 180), lambda p: np.cos(p)),
        ((90, 270), lambda p: np.sin(p)),
        ((0, 360), lambda p: np.cos(p) + np.sin(2 * p)),
    ],
)
def test_symmetries_fold_as_type_C_says(ends, even):
    # [IESLM63:2019]: planes 0-90 quadrant, 0-180 and 90-270 bilateral, 0-360 none. I = (1 + w(phi) / 2) cos(theta).
    planes = np.arange(ends[0], ends[1] + 1, 7.5)
    table = (1 + even(np.radians(planes))[:, None] / 2) * cosine(VERTICAL)
    lamp = ies.parse_ies(write(table, VERTICAL, planes))
    # The whole-turn mean of each w is 0, so the lumens are Lambert's.
    assert ies.total_lumens(lamp) == pytest.approx(1000 * math.pi, rel=0.005)
    phi = np.radians(np.arange(0, 360, 7.5))
    got = ies.intensity_cd(lamp, math.radians(30), phi)
    assert got == pytest.approx((1 + even(phi) / 2) * 1000 * math.cos(math.radians(30)), rel=1e-4)


def test_upward_light_and_none_outside():
    # [IESLM63:2019]: 90 to 180 is a lamp that lights upward only.
    up = np.linspace(90, 180, 37)
    lamp = ies.parse_ies(write(cosine(180 - up), up, ROUND))
    assert ies.total_lumens(lamp) == pytest.approx(1000 * math.pi, rel=2e-3)
    assert ies.intensity_cd(lamp, 0.5, 0.0) == 0 and ies.intensity_cd(lamp, math.pi - 0.5, 0.0) > 0


def test_multipliers():
    # [IESLM63:2019]: candelas are scaled by multiplier and ballast factor; in 1995 also by the ballast-lamp factor.
    plain = ies.total_lumens(ies.parse_ies(write(cosine(VERTICAL), VERTICAL, ROUND)))
    for form, expected in (("1995", 2 * 0.9 * 0.8), ("2002", 2 * 0.9), ("2019", 2 * 0.9)):
        text = write(cosine(VERTICAL), VERTICAL, ROUND, form, multiplier=2, ballast=0.9, factor=0.8)
        assert ies.total_lumens(ies.parse_ies(text)) == pytest.approx(plain * expected, rel=1e-9)


def test_tilt_block_is_read_over():
    # [IESLM63:2019]: TILT=INCLUDE carries geometry, count, angles, factors.
    tilt = "TILT=INCLUDE\n1\n3\n0 45 90\n1.0 0.95 0.9"
    lamp = ies.parse_ies(write(cosine(VERTICAL), VERTICAL, ROUND, tilt=tilt))
    assert lamp.tilt == ((0.0, 1.0), (45.0, 0.95), (90.0, 0.9))
    assert ies.total_lumens(lamp) == pytest.approx(1000 * math.pi, rel=0.01)


def test_feet_commas_and_line_ends():
    # [IESLM63:2019]: unit 1 is feet; commas and spaces both part numbers; lines end as they like.
    text = write(cosine(VERTICAL), VERTICAL, ROUND, units=1, size=(2, 4, 0))
    lamp = ies.parse_ies(text)
    assert (lamp.width_m, lamp.length_m) == pytest.approx((0.6096, 1.2192))
    head, body = text.split("TILT=NONE")
    comma = ies.parse_ies(head + "TILT=NONE" + body.replace(" ", ", ").replace("\r\n", "\n"))
    assert ies.total_lumens(comma) == ies.total_lumens(lamp)
    assert lamp.keywords["LUMINAIRE"].endswith("second line")


# -- as a light -------------------------------------------------------------------------------


def test_file_as_a_light_keeps_its_lumens_and_candelas(tmp_path):
    # Outside check by the inverse square: lux x distance squared far away is the file's candela, lumens are kept.
    planes = np.arange(0, 361, 15.0)
    table = (1 + 0.5 * np.sin(np.radians(planes))[:, None] * np.sin(np.radians(VERTICAL))) * cosine(VERTICAL, 3)
    for size, surface in (((0, 0, 0), "sphere"), ((0.2, 0.4, 0), "rectangle"), ((-0.3, -0.3, 0), "disc")):
        path = tmp_path / "lamp.ies"
        path.write_text(write(table, VERTICAL, planes, size=size), encoding="latin-1", newline="")
        source = {"kind": "ies", "file": "lamp.ies"}
        place = {"bearing": "0°", "distance": "2 m", "height": "2 m"}
        rig = rig_from_light(Light.model_validate({"source": source, "place": place}), tmp_path)
        lamp = ies.read_ies(path)
        assert rig.emitters[0].surface == surface and not rig.is_flash
        assert rig.output.amount == pytest.approx(ies.total_lumens(lamp), rel=1e-9)
        for theta, phi in ((0, 0), (0.3, 0.0), (0.6, math.pi), (0.9, 2.0)):
            # Azimuth runs against the clock seen from behind: x to -y when looking along z.
            w = np.array([math.sin(theta) * math.cos(phi), -math.sin(theta) * math.sin(phi), math.cos(theta)])
            lux = illuminance_from_emitter(rig.emitters[0], [60 * w], [-w])[0]
            assert lux * 3600 == pytest.approx(float(ies.intensity_cd(lamp, theta, phi)), rel=0.01)


def test_file_that_lights_all_round():
    # 4 pi I lumens (definition of the candela), seen from behind as well.
    lamp = ies.parse_ies(write(np.full(73, 100.0), FULL, ROUND, size=(0.1, 0.1, 0.1)))
    ball = shaped_from_lamp(lamp).emitters[0]
    assert ball.surface == "sphere" and ball.amount == pytest.approx(400 * math.pi)
    assert illuminance_from_emitter(ball, [[0, 0, -5.0]], [[0, 0, 1.0]])[0] == pytest.approx(4.0, rel=1e-3)


def test_flux_override_and_flash(tmp_path):
    # The scene's own number replaces the file's.
    (tmp_path / "lamp.ies").write_text(write(cosine(VERTICAL), VERTICAL, ROUND))
    place = {"bearing": "0°", "distance": "2 m", "height": "2 m"}
    for extra, flux, flash in (
        ({"flux": "8000 lm"}, 8000, False),
        ({"flash": True, "light": "16000 lm·s"}, 16000, True),
    ):
        source = {"kind": "ies", "file": "lamp.ies", **extra}
        rig = rig_from_light(Light.model_validate({"source": source, "place": place}), tmp_path)
        assert rig.output.amount == pytest.approx(flux) and rig.is_flash is flash


def test_a_file_takes_no_modifier(tmp_path):
    # The file already holds the lamp's optics; a modifier would be left out silently.
    (tmp_path / "lamp.ies").write_text(write(cosine(VERTICAL), VERTICAL, ROUND))
    place = {"bearing": "0°", "distance": "2 m", "height": "2 m"}
    lamp = {"source": {"kind": "ies", "file": "lamp.ies"}, "place": place}
    softbox = {"kind": "softbox", "width": "60 cm", "height": "90 cm"}
    with pytest.raises(UnitError, match="softbox"):
        rig_from_light(Light.model_validate({**lamp, "modifier": softbox}), tmp_path)


# -- refusals ---------------------------------------------------------------------------------

GOOD = write(cosine(VERTICAL), VERTICAL, ROUND, newline="\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (write(cosine(VERTICAL), VERTICAL, ROUND, kind=2), ["type B", "type C"]),
        (write(cosine(VERTICAL), VERTICAL, ROUND, kind=3), ["type A", "type C"]),
        ("", ["empty"]),
        ("hello\nworld\n", ["TILT="]),
        (GOOD.replace("LM-63-2002", "LM-63-2031"), ["LM-63-2031", "1995"]),
        (GOOD.replace("TILT=NONE", "TILT=other.tlt"), ["other.tlt", "TILT=NONE"]),
        (GOOD[: len(GOOD) // 2], ["ends"]),
        (GOOD + "17 18\n", ["more values", "37 x 1"]),
        (GOOD.replace("1000 ", "x1000 ", 1), ["x1000", "number"]),
        (GOOD.replace("1000 ", "-1000 ", 1), ["-1000", "0 or more"]),
        (GOOD.replace("1000 ", "nan ", 1), ["nan", "number"]),
        (GOOD.replace(" 2.5 ", " 0 ", 1), ["rise"]),
        (write(cosine(VERTICAL), VERTICAL, ROUND, multiplier=0), ["multiplier", "above 0"]),
        (write(np.zeros(37), VERTICAL, ROUND), ["all candelas are 0"]),
        (write(np.full((2, 37), 5.0), VERTICAL, np.array([0.0, 45.0])), ["0 to 90"]),
        (write(cosine(VERTICAL), np.linspace(0, 80, 37), ROUND), ["0 to 90"]),
        (write(cosine(VERTICAL), VERTICAL, ROUND, size=(1e6, 1, 0)), ["at most 5 m", "unit"]),
        (write(cosine(VERTICAL), VERTICAL, ROUND, size=(99, 1, 0)), ["99 m wide", "at most 5 m"]),
        (write(np.full(37, 1e-320), VERTICAL, ROUND), ["all candelas are 0"]),
        (GOOD.replace(" 2.5 ", " 1e-300 ", 1), ["1e-300 follows 0", "apart"]),
        ("IESNA91\n" + "[MORE] x\n" * 100_000 + "TILT=NONE\n", ["20000", "TILT="]),
        (GOOD.replace(" 37 1 1 ", " 37.5 1 1 "), ["whole number"]),
        (GOOD.replace(" 37 1 1 ", " 3700 3000 1 "), ["1000000"]),
    ],
)
def test_faults_are_told_in_one_clear_line(text, words):
    # One line with file, line and what was expected.
    with pytest.raises(SceneError) as caught:
        ies.parse_ies(text, "lamp.ies")
    message = str(caught.value)
    assert message.startswith("lamp.ies:") and "\n" not in message and len(message) < 400
    for word in words:
        assert word in message


def test_fault_points_at_its_line():
    # The line of the damaged number, counted by hand.
    lines = GOOD.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("1000 ")) + 2
    lines[at] = lines[at].replace(lines[at].split()[3], "oops")
    with pytest.raises(SceneError) as caught:
        ies.parse_ies("\n".join(lines), "lamp.ies")
    assert caught.value.line == at + 1


def test_files_that_cannot_be_read(tmp_path):
    # Missing, a folder, too large: one clear line each.
    for path in (tmp_path / "none.ies", tmp_path):
        with pytest.raises(SceneError, match="cannot be read"):
            ies.read_ies(path)
    big = tmp_path / "big.ies"
    big.write_bytes(b"0 " * (ies.LARGEST_FILE_BYTES // 2 + 1))
    with pytest.raises(SceneError, match="bytes"):
        ies.read_ies(big)
    (tmp_path / "zero.ies").write_bytes(b"")
    with pytest.raises(SceneError, match="empty"):
        shaped_from_file(tmp_path / "zero.ies")


def test_many_keyword_lines_take_linear_time():
    # 19,000 lines that continue one keyword: joined once, at the end.
    text = GOOD.replace("[TEST] none, invented", "[TEST] none" + "\n[MORE] x" * 19_000)
    start = time.process_time()
    lamp = ies.parse_ies(text)
    assert lamp.keywords["TEST"] == "none" + " x" * 19_000
    assert time.process_time() - start < 1.0


@pytest.mark.parametrize(
    ("candela", "size"),
    [(np.r_[np.zeros(36), 5.0], (0.2, 0.2, 0)), (np.r_[np.zeros(180), 1e-9], (0, 0, 0)), (np.zeros(37), (0, 0, 0))],
)
def test_a_lamp_without_light_is_told_and_divides_nothing(tmp_path, candela, size):
    # Light in the face's own plane alone, or none: no efficiency to divide by.
    path = tmp_path / "dark.ies"
    path.write_text(write(candela, np.linspace(0, 90, len(candela)), ROUND, size=size))
    place = {"bearing": "0°", "distance": "2 m", "height": "2 m"}
    light = Light.model_validate({"source": {"kind": "ies", "file": "dark.ies"}, "place": place})
    try:
        rig = rig_from_light(light, tmp_path)
    except HalfstopError as error:
        assert "light" in str(error) or "candelas" in str(error)
    else:
        assert all(math.isfinite(emitter.radiance()) for emitter in rig.emitters)


def test_a_spike_between_the_finest_angles_is_told():
    vertical = np.array([0, 45.02, 45.03, 45.04, 90])
    lamp = ies.parse_ies(write(np.array([0, 0, 1000.0, 0, 0]), vertical, ROUND))
    with pytest.raises(HalfstopError, match="finer than a tenth"):
        shaped_from_lamp(lamp)


def mutated(text: str, rng: random.Random) -> str:
    """Damage a file as copying, editing and bad luck do."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(text)) if text else 0
        kind = rng.randrange(9)
        if kind == 0:
            text = text[:at]
        elif kind == 1:
            text = text[:at] + chr(rng.choice([0, 9, 10, 13, 26, 34, 44, 91, 127, 200, 255])) + text[at:]
        elif kind == 2:
            text = text[:at] + text[at + rng.randint(1, 40) :]
        elif kind == 3:
            text = text[:at] + text[at : at + rng.randint(1, 200)] * 2 + text[at + 1 :]
        elif kind in (4, 5):
            # Swap one number for a strange one.
            words = text.split(" ")
            strange = [
                "-1",
                "0",
                "1e308",
                "1e999",
                "-1e-320",
                "nan",
                "inf",
                "1_000",
                "99999999999999999999",
                "0x10",
                "1,5",
                "½",
                "--3",
                "2",
                "3",
                "180",
                "360",
                "4000",
                "1e3",
                "",
                "TILT=NONE",
            ]
            words[rng.randrange(len(words))] = rng.choice(strange)
            text = " ".join(words)
        elif kind == 6:
            lines = text.split("\n")
            rng.shuffle(lines)
            text = "\n".join(lines)
        elif kind == 7:
            lines = text.split("\n")
            del lines[rng.randrange(len(lines))]
            text = "\n".join(lines)
        else:
            text = text.replace(
                rng.choice(["\n", " ", "1", "0", "TILT", "."]), rng.choice(["", " ", "\n", "9", "-"]), 3
            )
    return text


def test_ten_thousand_damaged_files():
    # Robustness: a damaged file is read with finite lumens or refused in one line; never a crash, never a hang.
    rng = random.Random(63)
    small = np.linspace(0, 90, 7)
    seeds = [
        write(cosine(small), small, ROUND, form, newline="\n", tilt=tilt)
        for form in VERSION
        for tilt in ("TILT=NONE", "TILT=INCLUDE\n1\n3\n0 45 90\n1.0 0.95 0.9")
    ]
    seeds.append(
        write(np.full((5, 7), 3.0), small, np.array([0, 22.5, 45, 67.5, 90]), newline="\n", size=(0.2, 0.3, 0))
    )
    read, worst_s, started = 0, 0.0, time.monotonic()
    for _ in range(10_000):
        text = mutated(rng.choice(seeds), rng)
        before = time.monotonic()
        try:
            lamp = ies.parse_ies(text, "lamp.ies")
            assert math.isfinite(ies.total_lumens(lamp)) and ies.total_lumens(lamp) >= 0
            read += 1
            if read % 4 == 0:
                assert all(math.isfinite(e.radiance()) for e in shaped_from_lamp(lamp).emitters)
        except SceneError as fault:
            assert str(fault).startswith("lamp.ies:") and "\n" not in str(fault) and fault.line >= 1
        worst_s = max(worst_s, time.monotonic() - before)
    assert 100 < read < 9900
    assert worst_s < 2.0 and time.monotonic() - started < 120
