"""Commands and exit codes: 0 done, 2 something to mend in the input, 1 a bug of ours, 130 ended by the user.

Heavy modules load inside the commands, so that help and mistakes answer at once.
"""

from __future__ import annotations

import codecs
import gc
import os
import signal
import sys
import tempfile
import threading
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Annotated, NoReturn

import typer

from sim.cli import cache, checks, lighting, room, sweep
from sim.quantities import phrases
from sim.quantities.errors import HalfstopError, one_line
from sim.reports.fonts import missing

app = typer.Typer(
    name="halfstop",
    help="Rehearse a multi-light studio portrait: pictures per light, readings in stops, a rig plan.",
    epilog="Start with: halfstop preview scenes/recital.yaml",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

SceneArgument = Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file, such as scenes/recital.yaml.")]


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Show the version.")] = False,
) -> None:
    if version:
        from sim import __version__

        print(f"halfstop {__version__}")
        raise typer.Exit()
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command()
def preview(
    context: typer.Context,
    scene: SceneArgument,
    draft: Annotated[bool, typer.Option("--draft", help="Small and quick: 600 pixels, 4 samples.")] = False,
    final: Annotated[bool, typer.Option("--final", help="Large and clean: 1800 pixels, 256 samples.")] = False,
    size: Annotated[
        str | None, typer.Option(metavar="SIZE", help="Pixels: width x height (400x600), or the long side (600).")
    ] = None,
    samples: Annotated[int | None, typer.Option(metavar="N", help="Rays per pixel.")] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="The same seed gives the same files.")] = 0,
    lights: Annotated[
        str | None, typer.Option(metavar="NAMES", help="Only these lights, such as key,fill; others stay unlit.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the files; default out/ and the scene's name.")
    ] = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="Trace all anew; keep nothing for next time.")] = False,
) -> None:
    """Make pictures and readings of a scene.

    A picture per light, all combined, a contact sheet, layers in linear light, and readings in stops.
    """
    from sim.cli.progress import shown_progress
    from sim.cli.tables import print_preview
    from sim.reports.preview import QUALITIES, PreviewOrder, require_samples, require_seed, run_preview

    if draft and final:
        raise HalfstopError("--draft and --final ask for two things at once; keep one of them")
    order = PreviewOrder(
        quality=QUALITIES["draft" if draft else "final" if final else "standard"],
        out=out or Path("out") / scene.stem,
        size_text=size,
        samples=None if samples is None else require_samples(samples),
        seed=require_seed(seed),
        lights=None if lights is None else _names(lights),
        fresh=fresh,
    )
    with shown_progress() as show:

        def on_progress(step: str, part: float) -> None:
            # A signal that came while compiled code ran may have been swallowed there.
            if context.obj:
                raise _Ended
            show(step, part)

        made = run_preview(scene, order, on_progress)
    print_preview(made)


@app.command()
def check(
    scenes: Annotated[list[Path], typer.Argument(metavar="SCENE...", help="Scene files to check.")],
) -> None:
    """Check scene files and the files that they name; renders nothing."""
    from sim.scene.light_words import lights_text
    from sim.scene.model.checks import scene_warnings
    from sim.scene.read import load_scene
    from sim.studio.own_files import require_own_files

    faults = 0
    for path in scenes:
        try:
            scene = load_scene(path)
            require_own_files(scene)
        except HalfstopError as error:
            _say(str(error))
            faults += 1
            continue
        nobody = "" if scene.sitter.is_there else ", no sitter"
        print(one_line(f"{path}: good: {scene.title}, {lights_text(scene)}{nobody}"))
        for warning in scene_warnings(scene):
            print(one_line(f"{path}: warning: {warning}"))
    if faults:
        raise typer.Exit(2)


@app.command()
def schema(
    out: Annotated[Path | None, typer.Option(metavar="FILE", help="Write to this file.")] = None,
) -> None:
    """Print the scene file's JSON Schema, for editors."""
    import json

    from sim.scene.read import scene_schema

    text = json.dumps(scene_schema(), indent=2, ensure_ascii=False) + "\n"
    if out is None:
        sys.stdout.write(text)
        return
    from sim.reports.files import write_one_file

    write_one_file(out, text.encode())


@app.command()
def doctor() -> None:
    """Say what runs on this machine, and why not the rest."""
    from sim.cli.doctor import doctor_lines

    lines, usable = doctor_lines()
    print("\n".join(lines))
    if not usable:
        raise typer.Exit(2)


lighting.add_commands(app)
checks.add_commands(app)
room.add_commands(app)
sweep.add_commands(app)
cache.add_commands(app)


def _plain_sign(error: UnicodeError) -> tuple[str | bytes, int]:
    """Print what the terminal's encoding lacks in signs that it has, or as an escape, rather than fail."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end].translate(phrases.PLAIN_SIGNS)
    return text.encode("ascii", "backslashreplace").decode("ascii"), error.end


PLAIN_SIGNS = "halfstop.plain-signs"
codecs.register_error(PLAIN_SIGNS, _plain_sign)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and exit."""
    code = run(arguments)
    # Leave what is left to the end of the process, uncollected.
    gc.freeze()
    sys.exit(code)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; whatever goes wrong is one line on stderr."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError):
            stream.reconfigure(errors=PLAIN_SIGNS)  # type: ignore[union-attr]
    ended: list[int] = []
    try:
        with _signals_as_exceptions(ended):
            code = app(args=arguments, standalone_mode=False, prog_name="halfstop", obj=ended)
            sys.stdout.flush()
        if line := missing.take_line():
            _say(line)
        return code if isinstance(code, int) else 0
    except (_Ended, KeyboardInterrupt, typer.Abort, Exception) as error:
        # Compiled code may turn the exception of a signal into one of its own: the signal is what counts.
        if ended or not isinstance(error, Exception) or isinstance(error, typer.Abort):
            _say("ended before it was done; no file is left half written")
            return 128 + (ended[0] if ended else signal.SIGINT)
        return _code_from_error(error)


def _code_from_error(error: Exception) -> int:
    """Say what went wrong in one line and return the exit code."""
    match error:
        case HalfstopError():
            _say(str(error))
            return 2
        case typer.TyperException():
            _say(_usage_line(error))
            return 2
        case MemoryError():
            _say("not enough memory; choose a smaller --size")
            return 2
        case BrokenPipeError():
            # Whoever read the output has gone: keep the interpreter from complaining as it closes.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 141
        case _:
            _say(_bug_line(error))
            return 1


class _Ended(BaseException):
    """The user or the system asked the program to end."""


@contextmanager
def _signals_as_exceptions(ended: list[int]) -> Iterator[None]:
    """Turn Ctrl-C and a request to end into an exception, so that temporary files are taken away.

    The numbers of the signals that came are added to `ended`.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: FrameType | None) -> NoReturn:
        ended.append(number)
        raise _Ended

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.getsignal(getattr(signal, name)) for name in names}
    for number, handler in before.items():
        if handler != signal.SIG_IGN:
            signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _names(text: str) -> tuple[str, ...]:
    """Names from `key, fill`."""
    names = tuple(dict.fromkeys(name for part in text.split(",") if (name := " ".join(part.split()))))
    if not names:
        raise HalfstopError('--lights: expected names of lights with commas between them; write "--lights key,fill"')
    return names


def _usage_line(error: typer.TyperException) -> str:
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "halfstop"
    message = error.format_message().rstrip(".")
    return f"{message[:1].lower()}{message[1:]}; `{command} --help` tells what it takes"


def _bug_line(error: Exception) -> str:
    """Describe an unforeseen error, and keep its trace in a file or, with HALFSTOP_DEBUG=1, print it."""
    what = f"this is a bug in halfstop: {type(error).__name__}: {error}"
    if os.environ.get("HALFSTOP_DEBUG", "") not in ("", "0"):
        traceback.print_exception(error)
        return what
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="halfstop-trace-", suffix=".txt", delete=False, encoding="utf-8"
        ) as stream:
            traceback.print_exception(error, file=stream)
        return f"{what[:300]}; its trace is in {stream.name}, please report it with the scene file"
    except OSError:
        return f"{what[:300]}; run again with HALFSTOP_DEBUG=1 for its trace"


def _say(line: str) -> None:
    with suppress(OSError):
        print(f"halfstop: {one_line(line)}", file=sys.stderr, flush=True)
