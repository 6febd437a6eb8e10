"""Sweeps that trace: a variation is what a preview of it is, whatever shares its group and whoever makes it."""

from __future__ import annotations

import io
import math
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from sweep_faults import damaged_files, write_study
from test_sweep_run import ROOT, _cluster, _killing

from sim.render.engine import engine_in_use
from sim.reports.preview import QUALITIES, PreviewOrder, run_preview
from sim.sweep import setup, tracing
from sim.sweep.chunks import SweepFolder
from sim.sweep.groups import groups_of
from sim.sweep.mixing import mix_variations
from sim.sweep.run import SweepRequest, request_for, run_sweep
from sim.sweep.setup import Group, GroupRequest, Result
from sim.sweep.study import load_study
from sim.sweep.table import read_table
from sim.sweep.tracing import WrongMaker, passes_of, trace_group
from sim.sweep.variations import Variation, maker, variations_of

AXES = (
    "  - {key: key.place.distance, values: [1.5 m, 1.9 m]}\n"
    "  - {key: key.modifier.grid, values: [20°, 40°]}\n"
    "  - {key: rim.power, values: [1/1, 1/8]}\n"
)
FEW_RAYS = 1 << 13


def _laid_out(study_file: Path) -> tuple[GroupRequest, list[Variation], list[Group]]:
    study = load_study(study_file)
    request = replace(request_for(study, maker(engine_in_use().variant)), meter_rays=FEW_RAYS)
    variations = variations_of(study, request)
    return request, variations, groups_of(variations, request, "set.yaml")


def _made(request: GroupRequest, group: Group) -> dict[str, Result]:
    traced = trace_group(request, group)
    return {result.id: result for result in mix_variations(request, traced, group, group.variations)}


@pytest.mark.usefixtures("engine")
def test_a_variation_shows_and_reads_what_a_preview_does(tmp_path: Path) -> None:
    study = write_study(tmp_path, AXES)
    request, variations, groups = _laid_out(study)
    made = _made(request, groups[0])
    variation = next(v for v in reversed(variations) if v.id in made)
    scene = tmp_path / "one.yaml"
    scene.write_text(variation.text, "utf-8")
    preview = run_preview(scene, PreviewOrder(QUALITIES["draft"], tmp_path / "preview", "16x24", samples=4, fresh=True))
    result = made[variation.id]
    assert result.reason == ""
    ours = np.asarray(Image.open(io.BytesIO(result.files["picture"])))
    assert np.array_equal(ours, np.asarray(Image.open(tmp_path / "preview" / "combined.png")))
    # Meters take another number of rays: they agree within four standard errors of the difference.
    compared = 0
    for point in preview.report.points:
        for kind, reading in (("incident", point.incident), ("spot", point.spot)):
            stops = result.row.get(f"{kind}.{point.name}.combined")
            if reading is None or stops is None:
                continue
            total = reading.combined
            theirs = total.over_camera_stops if total.over_camera_stops is not None else total.from_grey_stops
            error = math.hypot(total.stderr_stops, result.row[f"{kind}_error.{point.name}"])
            assert theirs is not None and abs(stops - theirs) < 4 * error + 1e-9
            compared += 1
    assert compared > 20


@pytest.mark.usefixtures("engine")
def test_what_shares_a_group_changes_nothing_and_every_layer_is_traced_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    request, _, groups = _laid_out(write_study(tmp_path, AXES))
    traced: list[int] = []
    plain = tracing._pass

    def counted(request: GroupRequest, scene: Any, stage: Any, probes: Any, fresh: Any) -> Any:
        traced.extend(fresh)
        return plain(request, scene, stage, probes, fresh)

    monkeypatch.setattr(tracing, "_pass", counted)
    together = _made(request, groups[0])
    # Two grids of the key, one emission of the rim: three layers for four variations.
    assert len(groups) == 2 and len(groups[0].variations) == 4 and sorted(traced) == [0, 0, 1]
    # The one whose key is traced second, and without company.
    variation = groups[0].variations[-1]
    alone = _made(request, replace(groups[0], variations=(variation,)))[variation.id]
    assert alone.row == together[variation.id].row and alone.files == together[variation.id].files
    assert len({result.files["picture"] for result in together.values()}) == 4


def test_passes_take_every_emission_once_and_as_few_as_can_be() -> None:
    keys = [("a", "x"), ("b", "x"), ("a", "y"), ("c", "x")]
    variations = [setup.VariationJob(str(number), "", emissions) for number, emissions in enumerate(keys)]
    turns = list(passes_of(variations, 3))
    assert len(turns) == 3
    met = [(light, key) for turn in turns for light, (member, key) in turn.items()]
    assert sorted(met) == [(0, "a"), (0, "b"), (0, "c"), (1, "x"), (1, "y"), (2, "")]
    for turn in turns:
        for light, (member, key) in turn.items():
            assert light == 2 or keys[member][light] == key


@pytest.mark.usefixtures("engine")
def test_a_worker_of_another_version_is_refused(tmp_path: Path) -> None:
    request, _, groups = _laid_out(write_study(tmp_path, AXES))
    other = replace(request, maker=(*request.maker[:-1], "0" * 16))
    with pytest.raises(WrongMaker, match="this worker runs other software"):
        trace_group(other, groups[0])


@pytest.mark.usefixtures("engine")
def test_readings_alone_need_no_picture_and_layers_come_on_request(tmp_path: Path) -> None:
    axes = "  - {key: key.power, values: [1/2]}\n"
    request, _, groups = _laid_out(write_study(tmp_path, axes, "keep: [readings]\n"))
    traced = trace_group(request, groups[0])
    assert all(layer.pixels is None and layer.clean is None for layer in traced.layers.values())
    (result,) = mix_variations(request, traced, groups[0], groups[0].variations)
    assert result.files == {} and "incident.face.key" in result.row and "verdict.flare" not in result.row
    request, _, groups = _laid_out(write_study(tmp_path, axes, "keep: [layers]\n"))
    (made,) = _made(request, groups[0]).values()
    # OpenEXR's magic number (OpenEXR file layout).
    assert set(made.files) == {"layers"} and made.files["layers"][:4] == bytes([0x76, 0x2F, 0x31, 0x01])


def test_one_worker_and_two_make_the_same_rows_and_pictures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(setup.METER_RAYS, "draft", FEW_RAYS)
    study = write_study(tmp_path, AXES, "wanted: {wishes: [face=f/8, shadow cheek=-2]}\n")
    tables = []
    for workers in (1, 2):
        out = tmp_path / str(workers)
        made = run_sweep(study, SweepRequest(out, workers))
        assert (made.made, made.failed) == (8, 0) and made.page.is_file()
        assert damaged_files(SweepFolder(out)) == []
        tables.append(read_table(out))
    assert tables[0].equals(tables[1])
    assert tables[0].column("rank").null_count == 0


# -- long forms ----------------------------------------------------------------------------------


@pytest.mark.slow
def test_two_tracing_workers_killed_and_a_killed_command_cost_no_row(tmp_path: Path) -> None:
    axes = AXES.replace("[1.5 m, 1.9 m]", "[1.5 m, 1.6 m, 1.7 m, 1.8 m, 1.9 m]")
    study = write_study(tmp_path, axes)
    run_sweep(study, SweepRequest(tmp_path / "calm", 2))
    out = tmp_path / "disturbed"
    command = [sys.executable, "-m", "sim", "sweep", str(study), "--out", str(out), "--workers", "2"]
    child = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    while child.poll() is None and not list(out.glob("chunks/chunk-*")):
        try:
            child.wait(0.05)
        except subprocess.TimeoutExpired:
            continue
    child.kill()
    child.wait()
    with _killing(2, out, seed=11):
        made = run_sweep(study, SweepRequest(out, 2))
    assert made.kept > 0 and made.failed == 0
    assert read_table(out).equals(read_table(tmp_path / "calm"))
    assert damaged_files(SweepFolder(out)) == []


@contextmanager
def _hosts(count: int) -> Iterator[list[str]]:
    """Hosts of their own, as network name spaces joined by a bridge; yields their names."""
    bridge, names = "hsweep0", [f"hsweep{number}" for number in range(1, count + 1)]

    def ip(*words: str) -> None:
        done = subprocess.run(["ip", *words], capture_output=True, text=True)
        if done.returncode:
            pytest.skip(f"network name spaces take the right to make them: {done.stderr.strip()}")

    with ExitStack() as stack:
        ip("link", "add", bridge, "type", "bridge")
        stack.callback(subprocess.run, ["ip", "link", "del", bridge], capture_output=True)
        ip("addr", "add", "10.213.7.254/24", "dev", bridge)
        ip("link", "set", bridge, "up")
        for number, name in enumerate(names, start=1):
            ip("netns", "add", name)
            stack.callback(subprocess.run, ["ip", "netns", "del", name], capture_output=True)
            ip("link", "add", f"{name}a", "type", "veth", "peer", "name", f"{name}b")
            ip("link", "set", f"{name}a", "master", bridge, "up")
            ip("link", "set", f"{name}b", "netns", name)
            ip("-n", name, "addr", "add", f"10.213.7.{number}/24", "dev", f"{name}b")
            ip("-n", name, "link", "set", f"{name}b", "up")
            ip("-n", name, "link", "set", "lo", "up")
        yield names


@pytest.mark.slow
def test_three_hosts_on_a_network_make_the_same_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = write_study(tmp_path, AXES)
    run_sweep(study, SweepRequest(tmp_path / "here", 1))
    with _hosts(3) as names, ExitStack() as stack:
        spaces = [["ip", "netns", "exec", name] for name in names]
        addresses = [f"10.213.7.{number}" for number in (1, 2, 3)]
        address = stack.enter_context(_cluster(tmp_path, addresses, spaces))
        assert address.startswith("tcp://10.213.7.1:")
        made = run_sweep(study, SweepRequest(tmp_path / "there", cluster=address, insecure_cluster=True))
    assert (made.made, made.failed) == (8, 0)
    assert read_table(tmp_path / "there").equals(read_table(tmp_path / "here"))
