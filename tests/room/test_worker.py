"""The worker: layers as a preview traces them, kept ones bit for bit, the latest request wins, no child outlives us."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.light.develop import denoised
from sim.metering.points import scene_probes, standard_probes
from sim.metering.report_points import name_from_probe, report_probes
from sim.render import fingerprint
from sim.render.cache.disk import LayerStore
from sim.render.cache.memory import LayerMemory
from sim.render.cache.stage import CachedStage
from sim.room.preview import worker_client
from sim.room.preview.frame import half_precision
from sim.room.preview.job import Replaced
from sim.room.preview.messages import ChecksReady, Failed, MetersReady, PictureReady, PreviewRequest, Result
from sim.room.preview.renderer import IncrementalRenderer
from sim.room.preview.worker import answer
from sim.room.preview.worker_client import WorkerClient
from sim.scene.read import scene_from_text
from sim.studio.layout import layout_from_scene

ROOT = Path(__file__).resolve().parents[2]
SIZE = (16, 24)
# Far more than is needed on a quiet machine.
PATIENCE_S = 120.0
SCENE = """\
halfstop: 1
title: Two lights
room: {size: {width: 6 m, height: 3.2 m, length: 9 m}, front: 6 m}
camera: {place: {at: [0 m, 1.4 m, 4.5 m]}, aim: chest, focal_length: 85 mm, orientation: portrait, aperture: f/8,
         shutter: 1/160 s, iso: 100, focus: face}
sitter: {figure: simple, turn: 20°}
backdrop: {kind: wall, reflectance: 0.3}
lights:
  key:
    source: {kind: flash, energy: 400 W·s}
    power: 1/4
    modifier: {kind: softbox, width: 90 cm, height: 120 cm}
    place: {bearing: -60°, distance: 1.6 m, height: 1.9 m}
    aim: face
  fill:
    source: {kind: flash, energy: 300 W·s}
    power: 1/16
    modifier: {kind: softbox, width: 60 cm, height: 60 cm}
    place: {bearing: 30°, distance: 2.5 m, height: 2 m}
    aim: chest
meters:
  lapel: {at: chest, kind: dome, facing: camera}
render: {depth: 2}
"""
MOVED = SCENE.replace("bearing: -60°", "bearing: 50°")
# The light alone changes, and nothing that another one meets.
BRIGHTER = SCENE.replace("energy: 400", "energy: 500")
DIALLED = SCENE.replace("power: 1/4", "power: 1/2")
TURNED = SCENE.replace("turn: 20°", "turn: -10°")
ALONE = SCENE[: SCENE.index("  fill:")] + SCENE[SCENE.index("meters:") :]


def request(serial: int, text: str = SCENE, **more: Any) -> PreviewRequest:
    fields: dict[str, Any] = {"size": SIZE, "samples": 4, "analyse": False, **more}
    return PreviewRequest(serial, 10 * serial, text, str(ROOT / "scenes" / "two.yaml"), **fields)


@pytest.fixture
def renderer(engine: object) -> IncrementalRenderer:
    return IncrementalRenderer({"HALFSTOP_CACHE": "off"})


def answered(
    renderer: IncrementalRenderer, asked: PreviewRequest, has_newer: Callable[[], bool] = lambda: False
) -> list[Result]:
    """Results of a request, without the progress."""
    results: list[Result] = []
    answer(renderer, asked, results.append, has_newer)
    assert all(result.serial == asked.serial and result.revision == asked.revision for result in results)
    return [result for result in results if result.kind != "progress"]


def settled(results: list[Result]) -> Any:
    """The frame of the settled picture."""
    found = [result.frame for result in results if isinstance(result, PictureReady) and result.kind == "settled"]
    assert len(found) == 1
    return found[0]


def layers_of(renderer: IncrementalRenderer, text: str) -> dict[str, np.ndarray]:
    """The layers that the renderer keeps of a scene."""
    scene = scene_from_text(text)
    keys = fingerprint.of_layers(fingerprint.of_stage(scene, layout_from_scene(scene)), size=SIZE, samples=4, depth=2)
    kept = {name: renderer.memory.get(key) for name, key in keys.items()}
    return {name: entry["pixels"] for name, entry in kept.items() if entry is not None}


def test_a_set_without_lights_is_answered_in_a_line(renderer: IncrementalRenderer) -> None:
    head = SCENE[: SCENE.index("lights:")]
    results = answered(renderer, request(90, head))
    assert [result.line for result in results if isinstance(result, Failed)] == [
        "there is no light on this set, so there is no picture and no reading; add one below lights:"
    ]


def test_a_settled_picture_holds_the_layers_of_a_preview(renderer: IncrementalRenderer) -> None:
    first, last = answered(renderer, request(1))
    assert (first.kind, last.kind) == ("first", "settled")
    frame = settled([last])
    scene = scene_from_text(SCENE)
    want = CachedStage(scene, layout_from_scene(scene)).render(size=SIZE, samples=4, depth=2)
    clean = denoised(want, quality="fast")
    assert clean.denoised is not None
    kept = layers_of(renderer, SCENE)
    for index, name in enumerate(want.names):
        assert np.array_equal(kept[name], want.pixels[index])
        assert np.array_equal(frame.raw[index], half_precision(want.pixels[index])[0])
        assert np.array_equal(frame.view[index], half_precision(clean.denoised[index])[0])
    assert np.array_equal(frame.part, want.region) and np.array_equal(frame.distance_m, want.distance_m)
    assert frame.names == want.names == ("key", "fill") and frame.size == SIZE and frame.samples == (4, 4)
    assert frame.fresh == want.names and not frame.coarse and not frame.stale


def test_a_moved_light_is_followed_at_once_and_nearer_to_the_settled_picture(renderer: IncrementalRenderer) -> None:
    before = settled(answered(renderer, request(1)))
    *live, last = answered(renderer, request(2, MOVED))
    # The renderer finds out itself which light moved; until the hand rests its layer alone grows finer.
    assert len(live) >= 2 and {(frame.kind, frame.names) for frame in live} == {("live", ("key",))}
    assert last.kind == "settled" and last.frame.fresh == ("key", "fill")
    key, was = last.frame.layer("key"), before.layer("key")
    for frame in (live[0], live[-1]):
        layer = frame.pixels[0].astype(np.float32) * frame.scale[0]
        assert layer.shape == key.shape and len(frame.data()) == key.size * 2
        assert np.abs(layer - key).mean() < 0.7 * np.abs(was - key).mean()


def test_a_hand_that_moves_on_is_followed_without_a_trace(renderer: IncrementalRenderer) -> None:
    answered(renderer, request(1))
    kinds = []
    for serial, bearing in enumerate(range(-55, -35, 5), 2):
        came: list[Result] = []
        text = SCENE.replace("bearing: -60°", f"bearing: {bearing}°")
        answer(renderer, request(serial, text), came.append, lambda came=came: any(r.kind == "live" for r in came))
        kinds.append([result.kind for result in came if result.kind != "progress"])
    # One frame for each move, whatever comes after it; nothing waits and nothing is traced.
    assert kinds == [["live"]] * 4


def test_a_light_of_another_energy_is_traced_alone(renderer: IncrementalRenderer) -> None:
    before = settled(answered(renderer, request(1)))
    kept = layers_of(renderer, SCENE)
    results = answered(renderer, request(2, BRIGHTER))
    frame = settled(results)
    assert frame.fresh == ("key",)
    assert np.array_equal(layers_of(renderer, BRIGHTER)["fill"], kept["fill"])
    assert np.array_equal(frame.raw[1], before.raw[1]) and np.array_equal(frame.view[1], before.view[1])
    # Flux goes with the energy, so the layer does too.
    assert np.allclose(frame.layer("key", "raw"), 1.25 * before.layer("key", "raw"), rtol=2e-3)


def test_kernels_for_each_light_are_compiled_while_there_is_time(renderer: IncrementalRenderer) -> None:
    answered(renderer, request(1))
    with pytest.raises(Replaced):
        renderer.compile_ahead(lambda: True)
    answered(renderer, request(2, MOVED))
    renderer.compile_ahead(lambda: False)
    assert {layers for _, layers in renderer._compiled} == {None, frozenset({0}), frozenset({1})}
    # A light moved from where it is does not ask for kernels of another kind.
    assert len({kinds for kinds, _ in renderer._compiled}) == 1


def test_a_dial_and_an_undo_trace_nothing(renderer: IncrementalRenderer) -> None:
    before = settled(answered(renderer, request(1)))
    (dialled,) = answered(renderer, request(2, DIALLED))
    assert dialled.frame.fresh == () and np.array_equal(dialled.frame.view, before.view)
    answered(renderer, request(3, MOVED))
    (undone,) = answered(renderer, request(4))
    assert undone.frame.fresh == () and np.array_equal(undone.frame.raw, before.raw)
    assert np.array_equal(undone.frame.view, before.view)
    assert answered(renderer, request(5, picture=False)) == []


def test_a_turned_sitter_is_traced_in_every_light_at_once(renderer: IncrementalRenderer) -> None:
    answered(renderer, request(1))
    rough, first, last = answered(renderer, request(2, TURNED, look_first=("key",)))
    assert rough.kind == "live" and rough.names == ("key", "fill") and rough.pixels.shape[1:3] == (12, 8)
    assert first.frame.fresh == first.frame.coarse == ("key", "fill") and not first.frame.stale
    assert np.array_equal(first.frame.part.shape, settled([last]).part.shape)
    # The outline of the first picture is that of the settled one but for pixels that a ray more decides.
    assert (first.frame.part == settled([last]).part).mean() > 0.95


def test_a_light_taken_away_leaves_the_others_as_they_were(renderer: IncrementalRenderer) -> None:
    before = settled(answered(renderer, request(1)))
    first, last = answered(renderer, request(2, ALONE))
    assert first.frame.names == ("key",) and first.frame.stale == ("key",) and not first.frame.fresh
    assert np.array_equal(first.frame.view[0], before.view[0])
    assert settled([last]).fresh == ("key",)
    back = answered(renderer, request(3))
    assert np.array_equal(settled(back).raw, before.raw)


def test_more_samples_give_no_first_picture_that_is_worse(renderer: IncrementalRenderer) -> None:
    answered(renderer, request(1))
    (finer,) = answered(renderer, request(2, samples=8))
    assert finer.kind == "settled" and finer.frame.samples == (8, 8) and finer.frame.fresh == ("key", "fill")


@pytest.mark.parametrize("looks", [1, 2, 4, 6])
def test_an_request_ends_when_a_newer_one_waits_and_leaves_nothing_half_done(
    renderer: IncrementalRenderer, looks: int
) -> None:
    left = [looks]

    def has_newer() -> bool:
        left[0] -= 1
        return left[0] < 0

    assert "settled" not in {result.kind for result in answered(renderer, request(1), has_newer)}
    frame = settled(answered(renderer, request(2, MOVED)))
    fresh = settled(answered(IncrementalRenderer({"HALFSTOP_CACHE": "off"}), request(1, MOVED)))
    assert np.array_equal(frame.raw, fresh.raw) and np.array_equal(frame.view, fresh.view)


def test_the_renderer_looks_for_a_newer_request_between_short_launches(
    renderer: IncrementalRenderer, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 16 x 24 pixels with 4 rays each in launches of 256 rays are 6 looks while the settled picture is traced.
    monkeypatch.setattr(renderer, "_at_once", {"all": 256, "few": 256, "meters": 8192}.get)
    results: list[Result] = []
    answer(renderer, request(1), results.append)
    parts = [result.part for result in results if result.kind == "progress" and result.pass_name == "settled"]
    assert len(parts) == 6 and parts == sorted(parts)
    want = settled(answered(IncrementalRenderer({"HALFSTOP_CACHE": "off"}), request(2)))
    assert np.array_equal(settled(results).raw, want.raw)


def test_a_bad_scene_is_one_plain_line_and_the_next_request_is_answered(renderer: IncrementalRenderer) -> None:
    (told,) = answered(renderer, request(1, SCENE.replace("iso: 100", "iso: loud")))
    assert isinstance(told, Failed) and told.line.startswith("two.yaml:5: camera.iso: ") and "\n" not in told.line
    assert settled(answered(renderer, request(2))).fresh == ("key", "fill")


def test_an_unforeseen_fault_is_one_plain_line_and_nothing_is_kept_of_it(
    renderer: IncrementalRenderer, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(CachedStage, "render", lambda *_, **__: 1 / 0)
        results = answered(renderer, request(1))
    assert [result.kind for result in results] == ["first", "failed"]
    assert "ZeroDivisionError" in results[-1].line and "\n" not in results[-1].line
    assert settled(answered(renderer, request(2))).fresh == ("key", "fill")


def test_meters_and_checks_follow_from_raw_layers(
    renderer: IncrementalRenderer, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, _, meters, checks = answered(renderer, request(1, analyse=True))
    assert isinstance(meters, MetersReady) and isinstance(checks, ChecksReady)
    scene = scene_from_text(SCENE)
    layout = layout_from_scene(scene)
    probes = [*standard_probes(layout), *scene_probes(scene, layout), *report_probes(scene, layout)]
    want = CachedStage(scene, layout).read_probes(probes, depth=2, target_stderr_stops=0.03, most_rays=1 << 16)
    assert np.array_equal(meters.readings.values, want.values) and meters.readings.rays == want.rays
    assert [name_from_probe(probe.id, "gown") for probe in meters.standard.probes] == [
        "face", "upper gown", "backdrop centre",
    ]  # fmt: skip
    assert [probe.id.part for probe in meters.own.probes] == ["lapel"]
    assert [probe.id for probe in meters.report.probes] == [probe.id for probe in report_probes(scene, layout)]

    assert meters.nose_shadow is not None and meters.nose_shadow.light == "key"

    from sim.advice.checks.report import check_report, record_from_report
    from sim.light.mix import mix_from_scene

    stack = CachedStage(scene, layout).render(size=SIZE, samples=4, depth=2)
    report = check_report(
        scene, renderer._staged(renderer._job(request(1), list, list)), stack, mix_from_scene(scene, layout), key="key"
    )
    assert json.dumps(checks.record, sort_keys=True) == json.dumps(record_from_report(report), sort_keys=True)
    assert checks.findings["focus"]
    # Asked again at another dial, the meters are kept ones and the checks are not.
    monkeypatch.setattr("sim.render.transport.render.render", None)
    again = answered(renderer, request(2, DIALLED, analyse=True, picture=False))
    assert [result.kind for result in again] == ["meters", "checks"]
    assert np.array_equal(again[0].readings.values, want.values)
    with pytest.raises(Replaced):
        renderer.answer(request(3, analyse=True), lambda result: None, lambda: True)


def test_layers_come_from_the_users_store_and_go_there(engine: object, tmp_path: Path) -> None:
    there = {"HALFSTOP_CACHE": str(tmp_path)}
    before = settled(answered(IncrementalRenderer(there), request(1)))
    assert len(list(tmp_path.glob("*.layer"))) == 3
    again = settled(answered(IncrementalRenderer(there), request(1)))
    assert again.fresh == () and np.array_equal(again.raw, before.raw) and np.array_equal(again.view, before.view)
    # A preview of the same picture finds them too.
    scene = scene_from_text(SCENE)
    stage = CachedStage(
        scene, layout_from_scene(scene), LayerStore(tmp_path), build=lambda: pytest.fail("built a stage")
    )
    stack = stage.render(size=SIZE, samples=4, depth=2)
    assert np.array_equal(stack.pixels[0], layers_of(IncrementalRenderer(there), SCENE)["key"])


def test_memory_lets_the_least_recently_used_go_and_writes_behind_once(tmp_path: Path) -> None:
    behind = LayerStore(tmp_path)
    memory = LayerMemory(3 * 800, behind)
    rows = {f"{name:02x}" * 32: {"pixels": np.full(100, float(name))} for name in range(1, 5)}
    keys = list(rows)
    for key in keys[:3]:
        memory.put(key, rows[key])
    assert memory.get(keys[0]) is rows[keys[0]]
    memory.put(keys[3], rows[keys[3]], only_here=True)
    assert memory.get(keys[1]) is None and memory.get(keys[0]) is rows[keys[0]]
    seen: list[int] = []
    memory.write_behind(lambda: seen.append(len(list(tmp_path.glob("*.layer")))))
    assert sorted(path.stem for path in tmp_path.glob("*.layer")) == sorted([keys[0], keys[2]]) and len(seen) == 3
    fresh = LayerMemory(800, behind).get(keys[2])
    assert fresh is not None and np.array_equal(fresh["pixels"], rows[keys[2]]["pixels"])


# -- the process ---------------------------------------------------------------------------------


class Results:
    """Keeps the results of a worker in the order that they came."""

    def __init__(self) -> None:
        self.results: list[Result] = []
        self._came = threading.Condition()

    def __call__(self, result: Result) -> None:
        with self._came:
            self.results.append(result)
            self._came.notify_all()

    def wait_for(self, serial: int, *kinds: str) -> Any:
        """The first result of a request that is of one of these kinds."""

        def found() -> Any:
            return next((r for r in self.results if r.serial == serial and r.kind in kinds), None)

        with self._came:
            assert self._came.wait_for(found, PATIENCE_S), f"{kinds} of {serial} did not come: {self.results}"
            return found()


@pytest.fixture
def results() -> Results:
    return Results()


@pytest.fixture
def worker(results: Results) -> Iterator[WorkerClient]:
    with WorkerClient(results, {**os.environ, "HALFSTOP_CACHE": "off"}) as made:
        yield made


def test_the_latest_request_wins_and_a_killed_child_is_started_again(
    worker: WorkerClient, results: Results, renderer: IncrementalRenderer
) -> None:
    assert worker.child_pid is None
    for serial in range(1, 5):
        worker.ask(request(serial, SCENE.replace("turn: 20°", f"turn: {serial}°"), size=(80, 120), samples=64))
    worker.ask(request(6))
    got = results.wait_for(6, "settled").frame
    assert np.array_equal(got.raw, settled(answered(renderer, request(6))).raw)
    assert [r.serial for r in results.results if r.kind in ("settled", "failed")] == [6]

    # Kill it at work: one plain line, and the next request is answered by another child, to the same bits.
    pid = worker.child_pid
    assert pid is not None
    worker.ask(request(7, MOVED, size=(80, 120), samples=256))
    results.wait_for(7, "progress")
    os.kill(pid, signal.SIGKILL)
    failed = results.wait_for(7, "failed")
    assert failed.line == "the picture's worker was ended by SIGKILL; the next change starts it again"
    worker.ask(request(8))
    assert np.array_equal(results.wait_for(8, "settled").frame.raw, got.raw)
    assert worker.child_pid not in (None, pid)
    assert [r.serial for r in results.results if r.kind == "failed"] == [7]

    # Kill it at rest: nobody is told, and the next request is answered.
    wait_until(lambda: not worker.busy)
    pid = worker.child_pid
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    wait_until(lambda: worker.child_pid is None)
    worker.ask(request(9, DIALLED))
    assert np.array_equal(results.wait_for(9, "settled").frame.raw, got.raw)
    assert [r.serial for r in results.results if r.kind == "failed"] == [7]

    pid = worker.child_pid
    worker.close()
    worker.close()
    assert pid is not None and not alive(pid) and worker.child_pid is None
    with pytest.raises(RuntimeError, match="closed"):
        worker.ask(request(10))


def test_a_request_that_a_killed_child_had_not_begun_is_answered_by_the_next(
    worker: WorkerClient, results: Results
) -> None:
    worker.warm_up()
    wait_until(lambda: worker.child_pid is not None)
    pid = worker.child_pid
    assert pid is not None
    # A child that stands still takes the request and begins nothing.
    os.kill(pid, signal.SIGSTOP)
    worker.ask(request(1))
    wait_until(lambda: worker._child is not None and worker._child.sent == 1)
    os.kill(pid, signal.SIGKILL)
    assert results.wait_for(1, "settled", "failed").kind == "settled"
    assert worker.child_pid not in (None, pid)
    assert "failed" not in {result.kind for result in results.results}


def test_a_request_is_sent_again_once_only(results: Results, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    start = textwrap.dedent(
        f"""
        import os, sys
        from multiprocessing.connection import Connection
        sys.path.insert(0, sys.argv[1])
        Connection(int(sys.argv[2])).recv()
        open({str(tmp_path)!r} + f"/{{os.getpid()}}", "w").close()
        os._exit(3)
        """
    )
    monkeypatch.setattr(worker_client, "_START", start)
    with WorkerClient(results) as worker:
        worker.ask(request(1))
        line = results.wait_for(1, "failed").line
        assert line == "the picture's worker stopped (status 3); the next change starts it again"
        assert len(os.listdir(tmp_path)) == 2 and not worker.busy


def test_a_child_that_cannot_start_is_one_plain_line(results: Results) -> None:
    with WorkerClient(results, {**os.environ, "HALFSTOP_ENGINE": "none of them"}) as worker:
        worker.ask(request(1))
        line = results.wait_for(1, "failed").line
    assert "HALFSTOP_ENGINE" in line and "\n" not in line


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_the_child_ends_when_its_parent_is_killed(how: signal.Signals) -> None:
    code = textwrap.dedent(
        f"""
        import sys, time
        sys.path.insert(0, {str(ROOT)!r})
        from sim.room.preview.worker_client import PreviewRequest, WorkerClient
        worker = WorkerClient(lambda result: print(result.kind, flush=True))
        worker.ask(PreviewRequest(1, 1, {SCENE!r}, "two.yaml", (400, 600), samples=4096))
        while worker.child_pid is None:
            time.sleep(0.01)
        print(worker.child_pid, flush=True)
        time.sleep(600)
        """
    )
    environ = {**os.environ, "HALFSTOP_CACHE": "off"}
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, env=environ)
    try:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        # Wait until it is at work.
        if how == signal.SIGKILL:
            assert parent.stdout.readline().strip() == "progress"
        assert alive(pid)
        parent.send_signal(how)
        parent.wait(PATIENCE_S)
        wait_until(lambda: not alive(pid))
    finally:
        parent.kill()
        parent.communicate()


def alive(pid: int) -> bool:
    """Whether a process runs; one that ended and was not waited for does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def wait_until(true: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.02)
