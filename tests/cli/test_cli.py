"""The command line by its exit codes and its lines: 0 done, 2 to mend, 1 a bug, 130 and 143 ended."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

import sim
from sim.cli import app as cli
from sim.cli.app import run
from sim.studio.layout import layout_from_scene

ROOT = Path(__file__).resolve().parents[2]
RECITAL = ROOT / "scenes" / "recital.yaml"
CLASSIC = ROOT / "scenes" / "classic_two.yaml"
ENDED = "halfstop: ended before it was done; no file is left half written"
TINY = ["--draft", "--size", "40x60", "--samples", "4"]


def one_line_of(captured: str) -> str:
    """The one line that was printed, without its end."""
    assert captured.endswith("\n") and captured.count("\n") == 1, captured
    assert "Traceback" not in captured
    return captured[:-1]


def start(*arguments: str, cwd: Path, **environ: str) -> subprocess.Popen[str]:
    """The command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "sim", *arguments], cwd=cwd, text=True, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT), **environ},
    )  # fmt: skip


def test_help_names_every_command() -> None:
    result = CliRunner().invoke(cli.app, ["--help"])
    assert result.exit_code == 0
    for command in ("preview", "check", "schema", "doctor"):
        assert re.search(rf"^  {command} ", result.output, re.MULTILINE)


def test_no_command_shows_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 0
    assert "Usage: halfstop" in capsys.readouterr().out


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"halfstop {sim.__version__}\n"


@pytest.mark.parametrize("arguments", [["--help"], ["check", str(RECITAL)], ["schema"]])
def test_quick_commands_leave_heavy_modules_alone(arguments: list[str]) -> None:
    code = (
        "import sys; from sim.cli.app import run; assert run(sys.argv[1:]) == 0; "
        "heavy = {'mitsuba', 'drjit', 'scipy', 'trimesh', 'PIL', 'pyoidn', 'OpenEXR'} & set(sys.modules); "
        "sys.exit(', '.join(sorted(heavy)) or None)"
    )
    child = subprocess.run(
        [sys.executable, "-c", code, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert child.returncode == 0, child.stderr


def test_check_says_good_and_names_the_title(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(RECITAL), str(CLASSIC)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == f"{RECITAL}: good: Season poster - violist, 5 lights" and len(told) == 2


def test_check_goes_on_after_a_bad_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text("halfstop: 1\ntitle: x\n", "utf-8")
    assert run(["check", str(bad), str(RECITAL)]) == 2
    captured = capsys.readouterr()
    assert one_line_of(captured.err).startswith(f"halfstop: {bad}:") and "good" in captured.out


def test_schema_is_valid_json_schema(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    assert run(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.validators.validator_for(schema).check_schema(schema)
    assert run(["schema", "--out", str(tmp_path / "scene.schema.json")]) == 0
    assert json.loads((tmp_path / "scene.schema.json").read_text("utf-8")) == schema
    assert [path.name for path in tmp_path.iterdir()] == ["scene.schema.json"]


USAGE_FAULTS = [
    (["prevew"], "did you mean 'preview'"),
    (["preview"], "missing argument 'scene'"),
    (["preview", str(RECITAL), "--sise", "3"], "no such option: --sise"),
    (["preview", str(RECITAL), "--samples", "many"], "--samples"),
    (["preview", str(RECITAL), "--seed"], "--seed"),
    (["check"], "missing argument"),
]
INPUT_FAULTS = [
    (["preview", "none.yaml"], "none.yaml:1: there is no such file"),
    (["preview", str(RECITAL), "--draft", "--final"], "keep one of them"),
    (["preview", str(RECITAL), "--size", "600x400"], 'write "400x600"'),
    (["preview", str(RECITAL), "--size", "huge"], "expected width x height"),
    (["preview", str(RECITAL), "--samples", "0"], "--samples 0: expected 4 to 4096"),
    (["preview", str(RECITAL), "--seed", "-1"], "--seed -1: expected a whole number from 0"),
    (["preview", str(RECITAL), "--lights", "kay"], 'did you mean "key"?'),
    (["preview", str(RECITAL), "--lights", "zzz"], "it has key, accent, halo, edge, fill"),
    (["preview", str(RECITAL), "--lights", " , "], 'write "--lights key,fill"'),
    (["schema", "--out", "no/such/folder/x.json"], "cannot write"),
]


@pytest.mark.parametrize(("arguments", "told"), USAGE_FAULTS + INPUT_FAULTS, ids=lambda x: " ".join(x)[-40:])
def test_a_fault_is_one_line_and_exit_code_2(
    arguments: list[str], told: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    captured = capsys.readouterr()
    line = one_line_of(captured.err)
    assert line.startswith("halfstop: ") and told.lower() in line.lower()
    assert captured.out == "" and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("place", ["file", "file/deep/er", "null/x"])
def test_a_folder_that_cannot_be_written_is_one_line(
    place: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("mine")
    os.symlink("/proc/self", "null")
    assert run(["preview", str(CLASSIC), "--out", place, *TINY]) == 2
    line = one_line_of(capsys.readouterr().err)
    assert "choose another place with --out" in line
    assert {path.name for path in tmp_path.iterdir()} == {"file", "null"} and Path("file").read_text() == "mine"


def test_a_malformed_scene_writes_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    text = CLASSIC.read_text("utf-8")
    bad = tmp_path / "bad.yaml"
    bad.write_text(text.replace("aperture: f/8", "aperture: 8"), "utf-8")
    assert run(["preview", str(bad), "--out", str(tmp_path / "out"), *TINY]) == 2
    line = one_line_of(capsys.readouterr().err)
    where = text.splitlines().index(next(x for x in text.splitlines() if "aperture: f/8" in x)) + 1
    assert line.startswith(f"halfstop: {bad}:{where}: camera.aperture: ") and 'write "f/8"' in line
    assert [path.name for path in tmp_path.iterdir()] == ["bad.yaml"]


def test_an_unforeseen_error_names_its_trace(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(path: Path) -> None:
        raise KeyError("umbrella\nhandle")

    monkeypatch.setattr("sim.scene.read.load_scene", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.delenv("HALFSTOP_DEBUG", raising=False)
    assert run(["check", str(RECITAL)]) == 1
    line = one_line_of(capsys.readouterr().err)
    assert "this is a bug in halfstop: KeyError" in line
    trace = Path(re.search(r"its trace is in (\S+),", line)[1])  # type: ignore[index]
    assert "in broken" in trace.read_text("utf-8")
    monkeypatch.setenv("HALFSTOP_DEBUG", "1")
    assert run(["check", str(RECITAL)]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_too_little_memory_is_one_line(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def greedy(path: Path) -> None:
        raise MemoryError

    monkeypatch.setattr("sim.scene.read.load_scene", greedy)
    assert run(["check", str(RECITAL)]) == 2
    assert "smaller --size" in one_line_of(capsys.readouterr().err)


def test_doctor_tells_which_engine_runs_and_fails_without_one(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sim.cli.doctor.doctor_lines", lambda: (["engine: LLVM"], True))
    assert run(["doctor"]) == 0 and capsys.readouterr().out == "engine: LLVM\n"
    monkeypatch.setattr("sim.cli.doctor.doctor_lines", lambda: (["engine: NONE WORKS"], False))
    assert run(["doctor"]) == 2
    monkeypatch.undo()
    monkeypatch.setenv("HALFSTOP_ENGINE", "steam")
    assert run(["doctor"]) == 2
    assert "HALFSTOP_ENGINE=steam" in one_line_of(capsys.readouterr().err.replace("engine: NONE WORKS\n", ""))


def test_preview_in_a_process_of_its_own(tmp_path: Path, engine: object) -> None:
    child = start("preview", str(CLASSIC), *TINY, "--lights", "key", cwd=tmp_path)
    out, err = child.communicate(timeout=120)
    assert child.returncode == 0, err
    # Piped, everything is plain ASCII in at most 100 columns, and steps go to stderr.
    assert out.isascii() and "\x1b" not in out + err
    assert max(map(len, out.splitlines())) <= 100
    assert re.search(r"^ face\s*$", out, re.MULTILINE) and re.search(r"^   key +f/\d", out, re.MULTILINE)
    for step in ("trace the light", "read the meters", "clean the pictures", "write the files"):
        assert f"{step}: done in" in err
    folder = tmp_path / "out" / "classic_two"
    assert (folder / "key.png").is_file() and not (folder / "fill.png").exists()
    assert "contact-sheet.png" in out


@pytest.mark.parametrize("scene", sorted((ROOT / "scenes").glob("*.yaml")), ids=lambda path: path.stem)
def test_every_scene_that_is_shipped_makes_a_preview(
    scene: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], engine: object
) -> None:
    assert (
        run(["preview", str(scene), "--draft", "--size", "60", "--samples", "32", "--out", str(tmp_path / "out")]) == 0
    )
    captured = capsys.readouterr()
    assert "combined" in captured.out and "dark" not in captured.out
    assert (tmp_path / "out" / "readings.json").is_file()


def test_a_lying_picture_makes_a_preview(tmp_path: Path, capsys: pytest.CaptureFixture[str], engine: object) -> None:
    scene = tmp_path / "lying.yaml"
    text = CLASSIC.read_text("utf-8")
    assert "orientation: portrait" in text
    scene.write_text(text.replace("orientation: portrait", "orientation: landscape"), "utf-8")
    assert (
        run(["preview", str(scene), "--draft", "--size", "60x40", "--samples", "4", "--out", str(tmp_path / "out")])
        == 0
    )
    assert run(["preview", str(scene), "--size", "40x60", "--out", str(tmp_path / "out")]) == 2
    assert 'is lying, 3:2; write "60x40"' in capsys.readouterr().err


def test_an_engine_that_is_none_is_one_line(tmp_path: Path) -> None:
    child = start("preview", str(CLASSIC), *TINY, cwd=tmp_path, HALFSTOP_ENGINE="steam")
    out, err = child.communicate(timeout=60)
    assert child.returncode == 2 and out == "" and list(tmp_path.iterdir()) == []
    assert err.splitlines()[1:] == [one_line_of(err.partition("\n")[2])] and "HALFSTOP_ENGINE=steam" in err


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupted_run_says_so_and_leaves_nothing(
    number: signal.Signals, code: int, tmp_path: Path, engine: object
) -> None:
    # So many samples take many minutes: the signal comes in the middle of the render.
    child = start("preview", str(CLASSIC), "--size", "600", "--samples", "4096", cwd=tmp_path)
    assert child.stderr is not None
    assert "trace the light" in child.stderr.readline()
    time.sleep(2)
    child.send_signal(number)
    try:
        out, err = child.communicate(timeout=60)
    finally:
        child.kill()
    assert child.returncode == code
    last = [line for line in err.splitlines() if not line.startswith("trace the light")]
    assert last == [ENDED] and out == ""
    assert list(tmp_path.iterdir()) == []


def test_a_signal_counts_even_where_compiled_code_hides_it(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def hiding(path: Path) -> None:
        try:
            signal.raise_signal(signal.SIGTERM)
        except BaseException:
            raise ImportError("initialization failed") from None

    monkeypatch.setattr("sim.scene.read.load_scene", hiding)
    before = signal.getsignal(signal.SIGTERM)
    assert run(["check", str(RECITAL)]) == 143
    assert one_line_of(capsys.readouterr().err) == ENDED
    assert signal.getsignal(signal.SIGTERM) == before


def test_a_swallowed_signal_ends_the_run_at_the_next_step(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def swallowing(scene: object, folder: Path) -> None:
        with contextlib.suppress(BaseException):
            signal.raise_signal(signal.SIGINT)
        return layout_from_scene(scene, folder)  # type: ignore[arg-type, return-value]

    monkeypatch.setattr("sim.session.layout_from_scene", swallowing)
    assert run(["preview", str(CLASSIC), *TINY, "--out", str(tmp_path / "out")]) == 130
    assert one_line_of(capsys.readouterr().err) == ENDED
    assert list(tmp_path.iterdir()) == []


def test_a_reader_that_has_gone_is_no_bug(tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    child = subprocess.run(
        [sys.executable, "-P", "-m", "sim", "schema"], cwd=tmp_path, stdout=writer, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, text=True, timeout=60, check=False,
    )  # fmt: skip
    os.close(writer)
    # 141 is what a shell reports of a program that ended by SIGPIPE (128 + 13).
    assert child.returncode in (1, 141) and child.stderr == ""


def test_a_narrow_encoding_does_not_break_the_output(tmp_path: Path) -> None:
    scene = tmp_path / "größe.yaml"
    scene.write_text(CLASSIC.read_text("utf-8").replace("Classic of two lights", "Größe ½"), "utf-8")
    child = start("check", str(scene), cwd=tmp_path, PYTHONIOENCODING="ascii")
    out, err = child.communicate(timeout=60)
    assert child.returncode == 0 and err == "" and "2 lights" in out
    # Signs that have a plain stand-in are told by it, others by their number.
    assert "Gr\\xf6\\xdfe 1/2, 2 lights" in out


def test_bars_are_shown_on_a_terminal(tmp_path: Path, engine: object) -> None:
    import pty

    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", "sim", "preview", str(CLASSIC), *TINY],
        cwd=tmp_path, stdin=theirs, stdout=theirs, stderr=theirs,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color", "COLUMNS": "100", "LC_ALL": "C.UTF-8"},
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    # A terminal whose other side has closed reads as an error on Linux.
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:
            break
        if not part:
            break
        seen += part
    os.close(ours)
    assert child.wait(timeout=120) == 0
    text = seen.decode("utf-8", "replace")
    for words in (
        "trace the light",
        "read the meters",
        "clean the pictures",
        "write the files",
        "━",
        "100%",
        "combined",
    ):
        assert words in text
