"""The session of the room: one scene, one worker that traces it, any number of tabs, all told the same.

What a tab may ask is in `sim.room.handlers`, what it hears in `sim.room.protocol`. Everything that touches the document
happens in one thread, in the order it was asked for.
"""

from __future__ import annotations

import asyncio
import shlex
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from sim.quantities.errors import HalfstopError, line_of_bug
from sim.render.cache.disk import LayerStore
from sim.room.background.exports import Exports
from sim.room.background.library import Entry, entry_by_id
from sim.room.background.thumbnails import Thumbnails
from sim.room.balancing import Balancing
from sim.room.clients import Client
from sim.room.coordinator import PreviewCoordinator
from sim.room.hands import Hands
from sim.room.home.folders import Folders
from sim.room.home.recent import remember_recent
from sim.room.home.shelf import Shelf
from sim.room.open_scene import OpenScene, Snapshot
from sim.room.preview.frame import PreviewFrame
from sim.room.preview.worker_client import WorkerClient
from sim.room.protocol.messages import Disk, Message, Packed
from sim.room.set_pictures import keep_picture
from sim.room.snapshot.placement_cache import PlacementCache
from sim.room.table import table_message
from sim.room.versions import Versions
from sim.room.way_back import Back, WayBack

T = TypeVar("T")
WATCH_EVERY_S = 1.0
# What stands on the set is looked over once it has come to rest.
LOOK_OVER_AFTER_S = 0.3
# Work that goes on and failed is taken up again after this.
RESTART_AFTER_S = 5.0


class RoomSession:
    """Joins the open scene, the worker and the tabs.

    Arguments: `path` of the scene file, None for none yet; `state_folder` for journals; `folders` that pages may write
    in, the scene file's own where none are named; `command` that starts it all again, for who lost it; `out` folder
    for exports; `long_side_px` of the picture, None for that at which the pages show it; `store` cache for the
    library's pictures, None keeps none; `environ` of the children besides this process's own; `worker` what traces;
    `fill_library` whether the library's pictures are made unasked.
    Does not: open the scene before `open`, or serve anything.
    """

    def __init__(
        self, path: Path | None, state_folder: Path, *, folders: Folders | None = None, command: str = "",
        out: Path = Path("out"), long_side_px: int | None = None, samples: int = 8,
        store: LayerStore | None = None, environ: dict[str, str] | None = None,
        worker: type[WorkerClient] = WorkerClient, fill_library: bool = True,
    ) -> None:  # fmt: skip
        self._path, self.state_folder = path, state_folder
        self.folders = folders or Folders.named([path.parent if path else Path()])
        self.shelf = Shelf(self.folders, state_folder)
        self.way_back = WayBack(state_folder, path or self.folders.roots[0])
        place = str((path or self.folders.roots[0]).absolute())
        self.back: Back = {"key": self.way_back.key, "command": command or shlex.join(["halfstop", "open", place])}
        environ = environ or {}
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="document")
        self.turn = asyncio.Lock()
        self._placements = PlacementCache()
        self._tabs: list[Client] = []
        self._count = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self._disk: Disk = {"type": "disk", "what": "same", "text": ""}
        self._resting: asyncio.TimerHandle | None = None
        self._open = False
        self.address = ""
        self.on_end: Callable[[], None] | None = None
        self.open_scene: OpenScene
        self.versions: Versions
        self.preview = PreviewCoordinator(
            self.tell, self._on_readings, long_side_px=long_side_px, samples=samples, environ=environ, worker=worker
        )
        self.hands = Hands(self.preview)
        self.balancing = Balancing(self.begin, self.preview.readings_for)
        self.thumbnails = Thumbnails(
            store, self._on_thumbnail, lambda: fill_library and self.preview.resting, environ=environ
        )
        self.exports = Exports(out.absolute(), lambda export: self.tell(export.message()), environ)

    # -- opening and closing ---------------------------------------------------------------------

    async def open(self, address: str) -> None:
        """Open the scene, if one was named, and begin to trace it; `address` is told to who opens it elsewhere."""
        self.address = address
        if self._path is not None:
            await self._begin_with(self._path)

    async def _begin_with(self, path: Path) -> None:
        await self._take_up(path)
        self.begin(self._lasting("watching the file", self._watch))
        self.begin(self._lasting("making the library's pictures", self.thumbnails.run))
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
        await self.thumbnails.close()
        await self.keep_picture()
        await asyncio.to_thread(self.preview.close)
        await self.run(self.open_scene.close)
        self._thread.shutdown()

    @property
    def saved(self) -> bool:
        """Whether nothing waits to be saved."""
        return self._path is None or self.open_scene.saved

    @property
    def is_open(self) -> bool:
        """Whether there is an open scene."""
        return self._open

    async def _take_up(self, path: Path) -> None:
        self.open_scene = await self.run(lambda: self._opened(path))
        self.versions = Versions(self.open_scene.versions_file)
        await self.run(lambda: self.open_scene.caution(self.versions.damage))
        self._path = path
        self.preview.leave()
        self.preview.look_at(await self.run(self.open_scene.snapshot))
        await self.run(lambda: remember_recent(self.state_folder, path))

    def _opened(self, path: Path) -> OpenScene:
        return OpenScene(path, self.state_folder, self.address, self._placements, self.back)

    async def go_to(self, path: Path) -> None:
        """Leave the open scene for another one, in a turn; what is not saved stays in its journal."""
        if not self._open:
            await self._begin_with(path)
            return
        if self.open_scene.is_at(path):
            return
        await self.keep_picture()
        # Let go of the old scene only once the new one is held.
        before = self.open_scene
        await self._take_up(path)
        await self.run(before.close)
        self.balancing.clear()
        for tab in self._tabs:
            tab.dials_found = None
        self._disk = {"type": "disk", "what": "same", "text": ""}
        await self.show()
        for tab in self._tabs:
            self._greet(tab)

    async def keep_picture(self) -> None:
        """Keep a small picture of the open set for the start page, if there is one of what its file holds."""
        snapshot = await self.run(self.open_scene.snapshot)
        frame = self.preview.current_frame(snapshot)[1]
        if frame is not None and frame.names and self.open_scene.saved:
            await asyncio.to_thread(keep_picture, self.shelf, snapshot, frame)

    # -- tabs ------------------------------------------------------------------------------------

    async def enter(self) -> Client:
        """A new tab, told all there is."""
        self._count += 1
        tab = Client(self._count)
        async with self.turn:
            snapshot = await self.run(self.open_scene.snapshot)
            tab.tell(snapshot.state)
            self._greet(tab)
            self._tabs.append(tab)
        return tab

    def _greet(self, tab: Client) -> None:
        tab.tell(table_message(self.state_folder))
        tab.tell(self.versions.message())
        tab.tell(self.thumbnails.message())
        for message in self.preview.messages():
            tab.tell(message)
        if self.open_scene.recovery is not None:
            tab.tell(self.open_scene.recovery)
        if self._disk["what"] != "same":
            tab.tell(self._disk)
        for export in self.exports.all.values():
            tab.tell(export.message())

    def leave(self, tab: Client) -> None:
        """A tab that was closed."""
        self.hands.let_go(tab)
        with suppress(ValueError):
            self._tabs.remove(tab)
        self.balancing.forget(tab)

    @property
    def widest_picture_px(self) -> int:
        """The largest long side at which a tab shows the picture: nobody is to see less than the screen can show."""
        return max((tab.picture_px for tab in self._tabs), default=0)

    def tell(self, message: Message | Packed) -> None:
        """Tell every tab."""
        for tab in self._tabs:
            tab.tell(message)

    # -- the scene -------------------------------------------------------------------------------

    async def snapshot(self) -> Snapshot:
        """The scene as it stands once its turn has come."""
        async with self.turn:
            return await self.run(self.open_scene.snapshot)

    async def change(self, work: Callable[[], object], look_first: tuple[str, ...] = ()) -> None:
        """Change the scene in a turn, tell every tab, and have traced what has to be."""
        async with self.turn:
            try:
                await self.run(work)
            except HalfstopError:
                # The picture may show where a hand held what cannot stand there.
                self.preview.return_from_hand()
                raise
            await self.show(look_first)

    async def show(self, look_first: tuple[str, ...] = ()) -> None:
        """Tell every tab how the scene stands, in a turn; `look_first` the lights to trace first."""
        snapshot = await self.run(self.open_scene.snapshot)
        self.tell(snapshot.state)
        self.preview.look_at(snapshot, look_first)
        self.balancing.answer(snapshot)
        self._look_over_later()

    def _look_over_later(self) -> None:
        if self._resting is not None:
            self._resting.cancel()
        loop = asyncio.get_running_loop()
        self._resting = loop.call_later(LOOK_OVER_AFTER_S, lambda: self.begin(self._look_over()))

    async def _look_over(self) -> None:
        async with self.turn:
            if await self.run(self.open_scene.look_over):
                self.tell((await self.run(self.open_scene.snapshot)).state)

    def _on_readings(self) -> None:
        """The meters were read: answer the searches that waited for them."""
        if self.balancing.waits:
            self.begin(self._answer_searches())

    async def _answer_searches(self) -> None:
        self.balancing.answer(await self.snapshot())

    # -- the file --------------------------------------------------------------------------------

    async def _watch(self) -> None:
        """Tell when the file is changed by someone else."""
        while True:
            await asyncio.sleep(WATCH_EVERY_S)
            async with self.turn:
                await self.look_at_disk()

    async def look_at_disk(self) -> None:
        """Tell every tab if the file does not stand as it did, in a turn."""
        what, text = await self.run(self.open_scene.disk)
        disk: Disk = {"type": "disk", "what": what, "text": text}
        if disk != self._disk:
            self._disk = disk
            self.tell(disk)

    # -- pictures --------------------------------------------------------------------------------

    def frame(self, serial: int) -> PreviewFrame | None:
        """A frame that is still held, by the serial that the tabs were told."""
        kept = next((version.frame for version in self.versions.all if version.serial == serial), None)
        return kept or self.preview.frame(serial)

    async def thumbnail(self, name: str) -> bytes | None:
        """The picture of a modifier of the library, None while it is not there; asking brings it nearer."""
        entry = entry_by_id(name)
        return None if entry is None else await self.thumbnails.png(entry)

    def _on_thumbnail(self, entry: Entry) -> None:
        self.tell({"type": "thumbnail", "modifier": entry.id, "url": f"thumbnail/{entry.id}.png"})

    # -- plumbing --------------------------------------------------------------------------------

    async def run(self, work: Callable[[], T]) -> T:
        """Do work in the document's thread."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    def begin(self, work: Coroutine[object, object, None]) -> None:
        """Start work that goes on beside the rest until the session is closed."""
        task: asyncio.Task[None] = asyncio.ensure_future(self._whole(work))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _whole(self, work: Coroutine[object, object, None]) -> None:
        """Do work whose failure is said on the page and ends nothing else."""
        try:
            await work
        except Exception as error:
            await self._say(line_of_bug(error))

    async def _lasting(self, doing: str, work: Callable[[], Coroutine[object, object, None]]) -> None:
        """Do work until it is done; where it fails, say so once for each new fault and take it up again."""
        said = ""
        while True:
            try:
                return await work()
            except Exception as error:
                line = f"{doing} failed and is taken up again: {line_of_bug(error)}"
            if line != said:
                said = line
                await self._say(line)
            await asyncio.sleep(RESTART_AFTER_S)

    async def _say(self, line: str) -> None:
        """Say a line on every page, beside the scene's name."""
        async with self.turn:
            await self.run(lambda: self.open_scene.caution(line))
            self.tell((await self.run(self.open_scene.snapshot)).state)
