"""Exports of the room: plan, handout, finished picture and preview, written by a child process while work goes on."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from sim.quantities.errors import HalfstopError, line_of_bug
from sim.room.background.messages import Answer, ExportKind, ExportRequest, ExportWritten, Failed, Step
from sim.room.background.process import Child
from sim.room.background.worker import WHATS, folder_of
from sim.room.protocol import messages
from sim.scene.edit import text_with_value
from sim.scene.read import scene_from_text

TITLES = {"plan": "rig plan", "handout": "handout", "finish": "finished picture", "preview": "preview"}
# Reads as one bar: how far the whole is when a step begins and ends.
STEP_SPAN = {"trace": (0.0, 0.6), "meters": (0.6, 0.8), "denoise": (0.8, 0.9), "files": (0.9, 1.0)}
PLAN_SPAN = {"meters": (0.0, 0.8), "files": (0.8, 1.0)}
CANCELLED = "cancelled; nothing was written"


@dataclass
class Export:
    """One export: what it is, where it goes, how far it is, and in the end its files or the line that ended it."""

    id: int
    what: ExportKind
    folder: Path
    step: str = "waiting"
    part: float = 0.0
    files: tuple[str, ...] = ()
    error: str | None = None
    done: bool = False
    cancelled: bool = field(default=False, repr=False)

    def message(self) -> messages.Export:
        """It as the tabs hear it."""
        return {
            "type": "export", "id": self.id, "what": self.what, "title": TITLES[self.what], "step": self.step,
            "part": round(self.part, 3), "folder": str(self.folder), "error": self.error, "done": self.done,
            "files": [{"name": name, "url": f"export/{self.id}/{name}"} for name in self.files],
        }  # fmt: skip

    def file(self, name: str) -> Path | None:
        """Path of one of its files by its name, None for any other name."""
        return self.folder / name if name in self.files else None


class Exports:
    """All exports of a session; one is under way at a time.

    Arguments: `out` folder that scenes' folders are made in; `on_change` hears of an export that moved on.
    """

    def __init__(self, out: Path, on_change: Callable[[Export], None], environ: dict[str, str] | None = None) -> None:
        self._out = out
        self._on_change = on_change
        self._environ = environ or {}
        self._child: Child | None = None
        self.all: dict[int, Export] = {}

    @property
    def under_way(self) -> Export | None:
        """The export that is being made, or None."""
        return next((export for export in self.all.values() if not export.done), None)

    def begun(self, what: object, path: Path) -> Export:
        """A new export, not yet run; refuses an unknown kind and a second one beside the first."""
        kind = next((each for each in WHATS if each == what), None)
        if kind is None:
            raise HalfstopError(f"there is no export of that name; expected one of {', '.join(WHATS)}")
        if self.under_way is not None:
            busy = TITLES[self.under_way.what]
            raise HalfstopError(f"the {busy} is still being written; wait for it or cancel it")
        export = Export(len(self.all) + 1, kind, folder_of(kind, self._out / path.stem))
        self.all[export.id] = export
        return export

    async def run(
        self, export: Export, path: Path, text: str, *, draft: bool = False, size_px: int | None = None,
        samples: int | None = None,
    ) -> None:  # fmt: skip
        """Make an export of a scene as it stands in the room, saved or not; see `ExportRequest`."""
        self._on_change(export)
        with tempfile.TemporaryDirectory(prefix="halfstop-room-") as folder:
            # Work from a copy of its own, so that edits and saves during the export cannot mix in.
            copy = Path(folder) / path.name
            child = self._child = Child(environ=self._environ)
            try:
                copy.write_bytes(standing_alone(text, path).encode("utf-8"))
                if export.cancelled:
                    raise HalfstopError(CANCELLED)
                await child.start()
                await child.ask(ExportRequest(export.what, copy, self._out / path.stem, draft, size_px, samples))
                self._end(export, await self._last_answer(export, child), copy, path)
            except (HalfstopError, OSError) as error:
                export.error = str(error)
            except Exception as error:
                # A fault of ours ends this export alone, and is said.
                export.error = CANCELLED if export.cancelled else line_of_bug(error)
            finally:
                export.done = True
                export.part = export.part if export.error else 1.0
                self._child = None
                await child.end()
        self._on_change(export)

    async def _last_answer(self, export: Export, child: Child) -> Answer | None:
        """Follow the steps; returns what ends them, None for a child that ended first."""
        spans = PLAN_SPAN if export.what == "plan" else STEP_SPAN
        while isinstance(answer := await child.answer(), Step):
            export.step = answer.name
            low, high = spans.get(export.step, (export.part, export.part))
            export.part = max(export.part, low + (high - low) * answer.part)
            self._on_change(export)
        return answer

    def _end(self, export: Export, answer: Answer | None, copy: Path, path: Path) -> None:
        match answer:
            case ExportWritten(files=files):
                export.files = files
            # What a child says while it is being ended may be anything.
            case _ if export.cancelled:
                export.error = CANCELLED
            case Failed(line=line):
                # Name the scene by its own place, not by the copy's.
                export.error = line.replace(str(copy), str(path))
            case _:
                export.error = f"the {TITLES[export.what]} ended before it was done; try again"

    async def cancel(self, number: object) -> None:
        """End an export that is under way; nothing of it is written."""
        export = self.under_way
        if export is None or export.id != number:
            raise HalfstopError("this export is not under way")
        export.cancelled = True
        if self._child is not None:
            await self._child.end()

    async def close(self) -> None:
        """End what is under way."""
        export = self.under_way
        if export is not None:
            await self.cancel(export.id)


def standing_alone(text: str, path: Path) -> str:
    """The text of a scene with the files it names given by their whole path, so that it may stand elsewhere."""
    scene = scene_from_text(text.removeprefix("\ufeff"), str(path), path.parent)
    named: dict[tuple[str, ...], str] = {}
    for name, light in scene.lights.items():
        if hasattr(light.source, "file"):
            named["lights", name, "source", "file"] = light.source.file
    if not isinstance(scene.sitter.figure, str):
        named["sitter", "figure", "file"] = scene.sitter.figure.file
    if hasattr(scene.backdrop, "file"):
        named["backdrop", "file"] = scene.backdrop.file
    for where, file in named.items():
        text = text_with_value(text, where, str((path.parent / file).resolve()), str(path))
    return text
