"""Builds against measured adults: each size within two standard deviations of its mean."""

from __future__ import annotations

import pytest

from tests.studio.figure.sizes import sizes_mm

# Mean and standard deviation in mm. Stature and biacromial breadth: [Gordon:2014].
# Head: [ZhuangBradtmiller:2005]. All from memory.
WOMEN = {
    "stature": (1628.5, 64.2), "biacromial breadth": (365.3, 18.3), "head breadth": (146.8, 5.6),
    "head length": (187.5, 7.2), "interpupillary distance": (61.9, 3.5), "menton-sellion": (113.4, 6.1),
}  # fmt: skip
MEN = {
    "stature": (1756.2, 68.6), "biacromial breadth": (415.7, 19.2), "head breadth": (153.0, 6.0),
    "head length": (197.3, 7.4), "interpupillary distance": (64.5, 3.6), "menton-sellion": (122.7, 7.0),
}  # fmt: skip


@pytest.mark.parametrize("size", WOMEN)
@pytest.mark.parametrize(("build", "table"), [("woman", WOMEN), ("second woman", WOMEN), ("man", MEN)])
def test_sizes_are_those_of_adults(build: str, table: dict[str, tuple[float, float]], size: str) -> None:
    mean, deviation = table[size]
    off = (sizes_mm(build)[size] - mean) / deviation
    assert abs(off) < 2.0, f"{size} of {build} is {off:+.1f} standard deviations off"
