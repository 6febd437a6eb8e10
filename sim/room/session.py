"""The hub of the room: one document, one painter, any number of tabs, all told the same.

A tab's request is answered by one message in that tab, "done" or "refused"; what it changed is told to every tab
before that. Everything that touches the document happens in one thread, in the order it was asked for.

Server to browser: state, painting, frame, meters, checks, wishes, slots, library, ball, examples, export, saved, disk,
recovered, failed, done, refused. Browser to server: edit, undo, redo, save, save_as, reload, wish, take_wishes,
keep_slot, name_slot, drop_slot, restore_slot, export, cancel_export, start_from, take_recovery, discard_recovery,
library, look, settle, tour_done.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from sim.quantities.errors import HalfstopError
from sim.render.cache.disk import LayerStore
from sim.room.background.exports import Export, Exports
from sim.room.background.library import Entry, entries, entry_by_id
from sim.room.background.thumbnails import Thumbnails
from sim.room.clients import Client
from sim.room.coordinator import PreviewCoordinator
from sim.room.examples import copied_example, examples, path_from_text
from sim.room.open_scene import OpenScene, Snapshot
from sim.room.preview.worker_client import WorkerClient
from sim.room.protocol import edits_of, export_options, gesture_of, lights_of
from sim.room.snapshot.placement_cache import PlacementCache
from sim.room.targets import balanced, edits_from_balance, message_from_balance, wishes_from_message
from sim.room.versions import Versions

T = TypeVar("T")
WATCH_EVERY_S = 1.0
# What is on the table is looked over once it has come to rest.
LOOK_OVER_AFTER_S = 0.3


class RoomSession:
    """Joins document, painter and tabs.

    Arguments: `path` of the scene file; `state_folder` for journals; `out` folder for exports; `long_side_px` of the
    picture; `store` cache for the library's pictures, None keeps none; `environ` of the children besides this
    process's own; `painter` what paints; `fill_library` whether the library's pictures are made unasked.
    Does not: open the document before `open`, or serve anything.
    """

    def __init__(
        self, path: Path, state_folder: Path, *, out: Path = Path("out"), long_side_px: int = 600, samples: int = 8,
        store: LayerStore | None = None, environ: dict[str, str] | None = None,
        painter: type[WorkerClient] = WorkerClient, fill_library: bool = True,
    ) -> None:  # fmt: skip
        self._path, self._state_folder = path, state_folder
        self._out = out.absolute()
        self._environ = environ or {}
        self._store = store
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="document")
        self._turn = asyncio.Lock()
        self._staging = PlacementCache()
        self._tabs: list[Client] = []
        self._count = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self._disk: dict[str, Any] = {"type": "disk", "what": "same", "text": ""}
        self._wishing: list[tuple[Client, dict[str, Any]]] = []
        self._resting: asyncio.TimerHandle | None = None
        self._open = False
        self.address = ""
        self.on_end: Callable[[], None] | None = None
        self.desk: OpenScene
        self.slots: Versions
        self.studio = PreviewCoordinator(
            self._tell, self._metered, long_side_px=long_side_px, samples=samples, environ=self._environ,
            painter=painter,
        )  # fmt: skip
        self.shelf = Thumbnails(
            self._store, self._ball_ready, lambda: fill_library and self.studio.resting, environ=self._environ
        )
        self.exports = Exports(self._out, lambda export: self._tell(export.message()), self._environ)

    # -- opening and closing ---------------------------------------------------------------------

    async def open(self, address: str) -> None:
        """Open the document and begin to paint it; `address` is told to whoever opens the same scene elsewhere."""
        self.address = address
        await self._open_scene(self._path)
        self._begin(self._watch())
        self._begin(self.shelf.run())
        self._open = True

    async def close(self) -> None:
        """End everything that runs; what is not saved stays in the journal."""
        if not self._open:
            self._thread.shutdown()
            return
        self._open = False
        if self._resting is not None:
            self._resting.cancel()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self.exports.close()
        await self.shelf.close()
        await asyncio.to_thread(self.studio.close)
        await self._run(self.desk.close)
        self._thread.shutdown()

    @property
    def saved(self) -> bool:
        """Whether nothing waits to be saved."""
        return self.desk.saved

    async def _open_scene(self, path: Path) -> None:
        desk = await self._run(lambda: OpenScene(path, self._state_folder, self.address, self._staging))
        self.desk, self.slots = desk, Versions(desk.slots_file)
        standing = await self._run(self.desk.standing)
        self.studio.look_at(standing)

    # -- tabs ------------------------------------------------------------------------------------

    async def enter(self) -> Client:
        """A new tab, told all there is."""
        self._count += 1
        tab = Client(self._count)
        async with self._turn:
            standing = await self._run(self.desk.standing)
            tab.tell(standing.view)
            self._greet(tab)
            self._tabs.append(tab)
        return tab

    def _greet(self, tab: Client) -> None:
        tab.tell(self.slots.message())
        tab.tell(self.shelf.message())
        tab.tell({"type": "examples", "examples": [vars(example) for example in examples()]})
        for message in self.studio.messages():
            tab.tell(message)
        if self.desk.recovery is not None:
            tab.tell({"type": "recovered", **self.desk.recovery})
        if self._disk["what"] != "same":
            tab.tell(self._disk)
        for export in self.exports.all.values():
            tab.tell(export.message())

    def leave(self, tab: Client) -> None:
        """A tab that was closed."""
        with suppress(ValueError):
            self._tabs.remove(tab)
        self._wishing = [(other, message) for other, message in self._wishing if other is not tab]

    def _tell(self, message: dict[str, Any]) -> None:
        for tab in self._tabs:
            tab.tell(message)

    # -- requests --------------------------------------------------------------------------------

    async def handle(self, tab: Client, message: dict[str, Any]) -> None:
        """Do what a tab asks and answer it; whatever is wrong with it becomes one plain line."""
        number, kind = message.get("id"), message.get("type")
        if not isinstance(number, (int, str)):
            number = None
        work = _HANDLERS.get(kind) if isinstance(kind, str) else None
        try:
            if work is None:
                raise HalfstopError("this page asks for something the room does not know; load the page again")
            if await work(self, tab, message) is not LATER:
                tab.tell({"type": "done", "id": number})
        except HalfstopError as error:
            tab.tell({"type": "refused", "id": number, "text": str(error)})
        except (TypeError, ValueError, KeyError, AttributeError, IndexError, RecursionError) as error:
            # A malformed request must not end the room; it is a fault of the page, or of ours.
            text = f"this could not be done ({type(error).__name__}: {error})"
            tab.tell({"type": "refused", "id": number, "text": text[:300]})

    async def _edit(self, tab: Client, message: dict[str, Any]) -> object:
        edits, key = edits_of(message, str(self.desk.path)), gesture_of(message, tab.number)
        await self._change(lambda: self.desk.apply(edits, key), lights_of(edits))
        return None

    async def _undo(self, tab: Client, message: dict[str, Any]) -> object:
        await self._change(lambda: self.desk.undo())
        return None

    async def _redo(self, tab: Client, message: dict[str, Any]) -> object:
        await self._change(lambda: self.desk.redo())
        return None

    async def _change(self, work: Callable[[], object], look_first: tuple[str, ...] = ()) -> None:
        """Change the document, tell every tab, and have painted what has to be."""
        async with self._turn:
            await self._run(work)
            await self._show(look_first)

    async def _show(self, look_first: tuple[str, ...] = ()) -> None:
        standing = await self._run(self.desk.standing)
        self._tell(standing.view)
        self.studio.look_at(standing, look_first)
        self._answer_wishes(standing)
        self._look_over_later()

    def _look_over_later(self) -> None:
        if self._resting is not None:
            self._resting.cancel()
        loop = asyncio.get_running_loop()
        self._resting = loop.call_later(LOOK_OVER_AFTER_S, lambda: self._begin(self._look_over()))

    async def _look_over(self) -> None:
        async with self._turn:
            if await self._run(self.desk.look_over):
                self._tell((await self._run(self.desk.standing)).view)

    # -- the file --------------------------------------------------------------------------------

    async def _save(self, tab: Client, message: dict[str, Any]) -> object:
        force = message.get("force") is True
        async with self._turn:
            try:
                path = await self._run(lambda: self.desk.save(force))
            finally:
                await self._look_at_disk()
            await self._show()
            self._tell({"type": "saved", "path": str(path)})
        return None

    async def _save_as(self, tab: Client, message: dict[str, Any]) -> object:
        async with self._turn:
            path = path_from_text(message.get("path"), self.desk.path)
            force = message.get("force") is True
            await self._run(lambda: self.desk.save_as(path, force))
            self.slots.follow(self.desk.slots_file)
            await self._look_at_disk()
            await self._show()
            self._tell({"type": "saved", "path": str(path)})
        return None

    async def _reload(self, tab: Client, message: dict[str, Any]) -> object:
        async with self._turn:
            await self._run(self.desk.reload)
            await self._look_at_disk()
            await self._show()
        return None

    async def _start_from(self, tab: Client, message: dict[str, Any]) -> object:
        async with self._turn:
            if not self.desk.saved and message.get("force") is not True:
                raise HalfstopError("there are changes that are not saved; save them first")
            path = path_from_text(message.get("path"), self.desk.path)
            await self._run(lambda: copied_example(message.get("example"), path))
            # Let go of the old scene only once the new one is held.
            before = self.desk
            await self._open_scene(path)
            await self._run(before.close)
            self._wishing = []
            for other in self._tabs:
                other.wished = None
            self._disk = {"type": "disk", "what": "same", "text": ""}
            await self._show()
            for other in self._tabs:
                self._greet(other)
        return None

    async def _take_recovery(self, tab: Client, message: dict[str, Any]) -> object:
        await self._change(lambda: self.desk.take_recovery())
        return None

    async def _discard_recovery(self, tab: Client, message: dict[str, Any]) -> object:
        await self._change(lambda: self.desk.discard_recovery())
        return None

    async def _watch(self) -> None:
        """Tell when the file is changed by someone else."""
        while True:
            await asyncio.sleep(WATCH_EVERY_S)
            async with self._turn:
                await self._look_at_disk()

    async def _look_at_disk(self) -> None:
        what, text = await self._run(self.desk.disk)
        found = {"type": "disk", "what": what, "text": text}
        if found != self._disk:
            self._disk = found
            self._tell(found)

    # -- wishes ----------------------------------------------------------------------------------

    async def _wish(self, tab: Client, message: dict[str, Any]) -> object:
        async with self._turn:
            standing = await self._run(self.desk.standing)
        # Refuse words that mean nothing before any waiting.
        wishes_from_message(standing.scene, standing.layout, message)
        self._wishing = [(other, asked) for other, asked in self._wishing if other is not tab]
        self._wishing.append((tab, message))
        self._answer_wishes(standing)
        return LATER

    def _metered(self) -> None:
        """The meters were read: answer the wishes that waited for them."""
        if self._wishing:
            self._begin(self._answer_late())

    async def _answer_late(self) -> None:
        async with self._turn:
            standing = await self._run(self.desk.standing)
        self._answer_wishes(standing)

    def _answer_wishes(self, standing: Snapshot) -> None:
        report = self.studio.readings_for(standing)
        if report is None:
            return
        waiting, self._wishing = self._wishing, []
        for tab, message in waiting:
            self._begin(self._balance(tab, message, standing, report))

    async def _balance(self, tab: Client, message: dict[str, Any], standing: Snapshot, report: Any) -> None:
        number = message.get("id")
        scene, layout = standing.scene, standing.layout
        try:
            wishes, reference, locked = wishes_from_message(scene, layout, message)
            result = await asyncio.to_thread(balanced, scene, layout, report, wishes, reference, locked)
        except HalfstopError as error:
            tab.tell({"type": "refused", "id": number, "text": str(error)})
            return
        tab.wished = (standing.revision, result)
        tab.tell({"type": "wishes", "id": number, "revision": standing.revision, **message_from_balance(result)})
        tab.tell({"type": "done", "id": number})

    async def _take_wishes(self, tab: Client, message: dict[str, Any]) -> object:
        if tab.wished is None:
            raise HalfstopError("there is nothing to take yet; say first what a point should read")
        revision, result = tab.wished
        edits = edits_from_balance(result)
        if not edits:
            return None

        def take() -> None:
            if self.desk.revision != revision:
                raise HalfstopError("the set has changed since; ask for the wishes again")
            self.desk.apply(edits, None)

        await self._change(take)
        tab.wished = None
        return None

    # -- kept versions ---------------------------------------------------------------------------

    async def _keep_slot(self, tab: Client, message: dict[str, Any]) -> object:
        async with self._turn:
            standing = await self._run(self.desk.standing)
            serial, frame, told = self.studio.current_frame(standing)
            self.slots.keep(message.get("title"), standing.text, standing.slot_facts, serial, frame, told)
            self._tell(self.slots.message())
        return None

    async def _name_slot(self, tab: Client, message: dict[str, Any]) -> object:
        self.slots.rename(message.get("slot"), message.get("title"))
        self._tell(self.slots.message())
        return None

    async def _drop_slot(self, tab: Client, message: dict[str, Any]) -> object:
        self.slots.drop(message.get("slot"))
        self._tell(self.slots.message())
        return None

    async def _restore_slot(self, tab: Client, message: dict[str, Any]) -> object:
        slot = self.slots.by_id(message.get("slot"))
        await self._change(lambda: self.desk.put_text(slot.text, f"go back to {slot.title}"))
        return None

    # -- pictures, the library, exports ----------------------------------------------------------

    def frame(self, serial: int) -> Any:
        """A frame that is still held, by the serial that the tabs were told."""
        kept = next((slot.frame for slot in self.slots.all if slot.serial == serial), None)
        return kept or self.studio.frame(serial)

    async def _settle(self, tab: Client, message: dict[str, Any]) -> object:
        async with self._turn:
            self.studio.settle(await self._run(self.desk.standing))
        return None

    async def _look(self, tab: Client, message: dict[str, Any]) -> object:
        name = message.get("light")
        self.studio.looked_at = str(name) if isinstance(name, str) else None
        return None

    async def ball(self, name: str) -> bytes | None:
        """The picture of a modifier of the library, None while it is not there; asking brings it nearer."""
        entry = entry_by_id(name)
        return None if entry is None else await self.shelf.png(entry)

    async def _library(self, tab: Client, message: dict[str, Any]) -> object:
        self.shelf.want(entries())
        tab.tell(self.shelf.message())
        return None

    def _ball_ready(self, entry: Entry) -> None:
        self._tell({"type": "ball", "modifier": entry.id, "url": f"ball/{entry.id}.png"})

    async def _export(self, tab: Client, message: dict[str, Any]) -> object:
        options = export_options(message)
        async with self._turn:
            standing = await self._run(self.desk.standing)
            export = self.exports.begun(message.get("what"), self.desk.path)
        self._begin(self._run_export(export, standing, options))
        return None

    async def _run_export(self, export: Export, standing: Snapshot, options: dict[str, Any]) -> None:
        await self.exports.run(export, self.desk.path, standing.text, options)

    async def _cancel_export(self, tab: Client, message: dict[str, Any]) -> object:
        await self.exports.cancel(message.get("export"))
        return None

    async def _tour_done(self, tab: Client, message: dict[str, Any]) -> object:
        await self._change(lambda: self.desk.tour_done())
        return None

    # -- plumbing --------------------------------------------------------------------------------

    async def _run(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    def _begin(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)


LATER = object()
Handler = Callable[[RoomSession, Client, dict[str, Any]], Awaitable[object]]
_HANDLERS: dict[str, Handler] = {
    name: getattr(RoomSession, f"_{name}")
    for name in (
        "edit", "undo", "redo", "save", "save_as", "reload", "wish", "take_wishes", "keep_slot", "name_slot",
        "drop_slot", "restore_slot", "export", "cancel_export", "start_from", "take_recovery", "discard_recovery",
        "library", "look", "settle", "tour_done",
    )
}  # fmt: skip
