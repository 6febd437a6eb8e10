"""What the room does for each request of a page: one function for each, in a table by the request's type."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TypeAlias, TypeVar

from sim.quantities.errors import LONGEST_FAULT, HalfstopError
from sim.room.background.library import entries
from sim.room.clients import Client
from sim.room.protocol import requests as ask
from sim.room.protocol.messages import refusal
from sim.room.session import RoomSession
from sim.room.table import keep_table
from sim.room.targets import edits_from_balance

R = TypeVar("R", bound=ask.Request)
Work: TypeAlias = Callable[[RoomSession, Client, R], Awaitable[None]]
HANDLERS: dict[type[object], Work[ask.Request]] = {}


async def handle(session: RoomSession, tab: Client, text: str) -> None:
    """Do what a tab asks by a message of JSON and answer it; whatever is wrong with it becomes one plain refusal."""
    number: ask.RequestId = None
    try:
        request = ask.request_from_text(text)
        number = request.id
        await HANDLERS[type(request)](session, tab, request)
        # A search for dials answers for itself, once the meters have been read; a hand waits for no answer.
        if not isinstance(request, (ask.FindDials, *ask.UNANSWERED)):
            tab.tell({"type": "done", "id": number})
    except ask.RequestError as error:
        tab.tell(refusal(error.id, error.fault))
    except HalfstopError as error:
        tab.tell(refusal(number, error))
    except (TypeError, ValueError, KeyError, AttributeError, IndexError, RecursionError) as error:
        # A request that breaks something must not end the room; it is a fault of ours.
        line = f"this could not be done ({type(error).__name__}: {error})"
        tab.tell(refusal(number, HalfstopError(line[:LONGEST_FAULT])))


def _handles(kind: type[R]) -> Callable[[Work[R]], Work[R]]:
    """Enter a function into the table as the one for a type of request."""

    def enter(work: Work[R]) -> Work[R]:
        async def done(session: RoomSession, tab: Client, request: ask.Request) -> None:
            assert isinstance(request, kind)
            await work(session, tab, request)

        HANDLERS[kind] = done
        return work

    return enter


# -- the scene -----------------------------------------------------------------------------------


@_handles(ask.EditScene)
async def _edit(session: RoomSession, tab: Client, request: ask.EditScene) -> None:
    gesture = ask.gesture_from_request(request, tab.number)
    touched = ask.lights_from_edits(request.edits)
    stood = session.hands.stood(tab)
    try:
        await session.change(lambda: session.open_scene.apply(request.edits, gesture), touched)
    except HalfstopError:
        # Leave what a hand has held where it could stand last.
        if stood and gesture is not None:
            await session.change(lambda: session.open_scene.apply(stood, gesture), touched)
        raise


@_handles(ask.FollowHand)
async def _follow_hand(session: RoomSession, tab: Client, request: ask.FollowHand) -> None:
    session.hands.follow(tab, request.poses)


@_handles(ask.LetGo)
async def _let_go(session: RoomSession, tab: Client, request: ask.LetGo) -> None:
    session.hands.let_go(tab)


@_handles(ask.Drawn)
async def _drawn(session: RoomSession, tab: Client, request: ask.Drawn) -> None:
    session.hands.drawn(tab, request.serial)


@_handles(ask.Undo)
async def _undo(session: RoomSession, tab: Client, request: ask.Undo) -> None:
    await session.change(lambda: session.open_scene.undo())


@_handles(ask.Redo)
async def _redo(session: RoomSession, tab: Client, request: ask.Redo) -> None:
    await session.change(lambda: session.open_scene.redo())


@_handles(ask.TakeRecovery)
async def _take_recovery(session: RoomSession, tab: Client, request: ask.TakeRecovery) -> None:
    await session.change(lambda: session.open_scene.take_recovery())


@_handles(ask.DiscardRecovery)
async def _discard_recovery(session: RoomSession, tab: Client, request: ask.DiscardRecovery) -> None:
    await session.change(lambda: session.open_scene.discard_recovery())


@_handles(ask.EndTour)
async def _end_tour(session: RoomSession, tab: Client, request: ask.EndTour) -> None:
    await session.change(lambda: session.open_scene.end_tour())


# -- the file ------------------------------------------------------------------------------------


@_handles(ask.Save)
async def _save(session: RoomSession, tab: Client, request: ask.Save) -> None:
    async with session.turn:
        try:
            path = await session.run(lambda: session.open_scene.save(request.force))
        finally:
            await session.look_at_disk()
        await session.show()
        session.tell({"type": "saved", "path": str(path)})
        await session.keep_picture()


@_handles(ask.SaveAs)
async def _save_as(session: RoomSession, tab: Client, request: ask.SaveAs) -> None:
    async with session.turn:
        path = session.folders.scene_path(request.path, session.open_scene.path.parent)
        await session.run(lambda: session.open_scene.save_as(path, request.force))
        session.versions.follow(session.open_scene.versions_file)
        await session.look_at_disk()
        await session.show()
        session.tell({"type": "saved", "path": str(path)})


@_handles(ask.Reload)
async def _reload(session: RoomSession, tab: Client, request: ask.Reload) -> None:
    async with session.turn:
        await session.run(session.open_scene.reload)
        await session.look_at_disk()
        await session.show()


# -- targets -------------------------------------------------------------------------------------


@_handles(ask.FindDials)
async def _find_dials(session: RoomSession, tab: Client, request: ask.FindDials) -> None:
    session.balancing.add(tab, request, await session.snapshot())


@_handles(ask.TakeDials)
async def _take_dials(session: RoomSession, tab: Client, request: ask.TakeDials) -> None:
    if tab.dials_found is None:
        raise HalfstopError("there is nothing to take yet; say first what a point should read")
    revision, result = tab.dials_found
    edits = edits_from_balance(result, (await session.snapshot()).text)
    if not edits:
        return

    def take() -> None:
        if session.open_scene.revision != revision:
            raise HalfstopError("the set has changed since; ask for the wishes again")
        session.open_scene.apply(edits, None)

    await session.change(take)
    tab.dials_found = None


# -- kept versions -------------------------------------------------------------------------------


@_handles(ask.KeepVersion)
async def _keep_version(session: RoomSession, tab: Client, request: ask.KeepVersion) -> None:
    snapshot = await session.snapshot()
    serial, frame, message = session.preview.current_frame(snapshot)
    session.versions.keep(request.title, snapshot.text, snapshot.version_facts, serial, frame, message)
    session.tell(session.versions.message())


@_handles(ask.NameVersion)
async def _name_version(session: RoomSession, tab: Client, request: ask.NameVersion) -> None:
    session.versions.rename(request.version, request.title)
    session.tell(session.versions.message())


@_handles(ask.DropVersion)
async def _drop_version(session: RoomSession, tab: Client, request: ask.DropVersion) -> None:
    session.versions.drop(request.version)
    session.tell(session.versions.message())


@_handles(ask.RestoreVersion)
async def _restore_version(session: RoomSession, tab: Client, request: ask.RestoreVersion) -> None:
    version = session.versions.by_id(request.version)
    await session.change(lambda: session.open_scene.put_text(version.text, f"go back to {version.title}"))


# -- pictures, the library, exports --------------------------------------------------------------


@_handles(ask.TraceFiner)
async def _trace_finer(session: RoomSession, tab: Client, request: ask.TraceFiner) -> None:
    session.preview.trace_finer(await session.snapshot())


@_handles(ask.LookAt)
async def _look_at(session: RoomSession, tab: Client, request: ask.LookAt) -> None:
    session.preview.looked_at = request.light


@_handles(ask.PictureSize)
async def _picture_size(session: RoomSession, tab: Client, request: ask.PictureSize) -> None:
    tab.picture_px = request.long_side_px
    session.preview.show_at(session.widest_picture_px, await session.snapshot())


@_handles(ask.KeepTable)
async def _keep_table(session: RoomSession, tab: Client, request: ask.KeepTable) -> None:
    await session.run(lambda: keep_table(session.state_folder, request))


@_handles(ask.ShowLibrary)
async def _show_library(session: RoomSession, tab: Client, request: ask.ShowLibrary) -> None:
    session.thumbnails.want(entries())
    tab.tell(session.thumbnails.message())


@_handles(ask.BeginExport)
async def _begin_export(session: RoomSession, tab: Client, request: ask.BeginExport) -> None:
    from sim.reports.preview import require_samples

    samples = None if request.samples is None else require_samples(request.samples)
    snapshot = await session.snapshot()
    path = session.open_scene.path
    export = session.exports.begun(request.what, path)
    session.begin(
        session.exports.run(export, path, snapshot.text, draft=request.draft, size_px=request.size_px, samples=samples)
    )


@_handles(ask.CancelExport)
async def _cancel_export(session: RoomSession, tab: Client, request: ask.CancelExport) -> None:
    await session.exports.cancel(request.export)
