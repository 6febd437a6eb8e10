"""The start page over HTTP: what it shows, and opening or beginning a set from it; see `sim.room.home`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, StrictInt, StrictStr, ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from sim.quantities.errors import HalfstopError
from sim.room.document.state_folder import bytes_from_file
from sim.room.home.shelf import Home, OpenSet
from sim.room.home.starts import copied_start, starts
from sim.room.session import RoomSession

# A request names a file and a title.
LONGEST_BODY = 8192
LONGEST_PICTURE = 1 << 20
REFUSED = 409


class _Asked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _OpenRecent(_Asked):
    """Open a set that was open before, by its place in the row."""

    recent: StrictInt


class _OpenFile(_Asked):
    """Open a set of a named folder."""

    here: StrictInt
    below: StrictStr = ""
    name: StrictStr


class _Begin(_Asked):
    """Begin a set: a copy of a start under a name and a title of its own."""

    start: StrictStr
    title: Annotated[StrictStr, Field(max_length=200)] = ""
    here: StrictInt
    below: StrictStr = ""
    name: StrictStr


async def _home(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    asked = request.query_params
    try:
        here, below = int(asked.get("here", "0")), asked.get("below", "")
        home = await session.run(lambda: _view(session, here, below))
    except ValueError:
        return _refused("there is no such folder here; load the page again")
    except HalfstopError as error:
        return _refused(str(error))
    return JSONResponse(home)


def _view(session: RoomSession, here: int, below: str) -> Home:
    shelf = session.shelf
    sets, inner, more = shelf.sets(here, below)
    return {
        "folders": [{"number": n, "path": str(root)} for n, root in enumerate(shelf.folders.roots)],
        "here": here, "below": below, "inner": inner, "sets": sets, "more": more,
        "recent": shelf.recent(), "starts": shelf.starts(), "open": _open_set(session),
        "back": session.back,
    }  # fmt: skip


def _open_set(session: RoomSession) -> OpenSet | None:
    if not session.is_open:
        return None
    scene = session.open_scene
    return {"title": scene.snapshot().scene.title, "name": scene.path.name, "saved": scene.saved}


async def _open(request: Request) -> Response:
    session: RoomSession = request.app.state.session

    def path_of(body: bytes) -> Path:
        if b'"recent"' in body:
            return session.shelf.recent_path(_OpenRecent.model_validate_json(body).recent)
        return _named(session, _OpenFile.model_validate_json(body))

    return await _gone_to(request, path_of)


def _named(session: RoomSession, asked: _OpenFile | _Begin) -> Path:
    return session.folders.scene_path(asked.name, session.folders.folder(asked.here, asked.below))


async def _begin(request: Request) -> Response:
    session: RoomSession = request.app.state.session

    def path_of(body: bytes) -> Path:
        asked = _Begin.model_validate_json(body)
        return copied_start(asked.start, _named(session, asked), asked.title)

    return await _gone_to(request, path_of)


async def _gone_to(request: Request, path_of: Callable[[bytes], Path]) -> Response:
    """Go to the set that a request names: where it lies, or why the room stays where it is."""
    session: RoomSession = request.app.state.session
    try:
        body = await _body(request) or b""
        path = await session.run(lambda: path_of(body))
        async with session.turn:
            await session.go_to(path)
    except ValidationError:
        return _refused("this page asks for something the room does not know; load the page again")
    except HalfstopError as error:
        return _refused(str(error))
    return JSONResponse({"path": str(path)})


async def _start_picture(request: Request) -> Response:
    name = request.path_params["file"]
    return _picture(next((each.picture for each in starts() if each.picture.name == name), None))


async def _kept_picture(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    name = Path(request.path_params["file"])
    safe = name.suffix == ".webp" and name.name == str(name)
    return _picture(session.shelf.pictures / name if safe else None)


def _picture(path: Path | None) -> Response:
    try:
        data = bytes_from_file(path, LONGEST_PICTURE, follow_link=False) if path else b""
    except OSError:
        data = b""
    return Response(data, media_type="image/webp") if data else PlainTextResponse("There is nothing here.\n", 404)


async def _body(request: Request) -> bytes | None:
    data = b""
    async for piece in request.stream():
        data += piece
        if len(data) > LONGEST_BODY:
            return None
    return data


def _refused(line: str) -> JSONResponse:
    return JSONResponse({"text": line}, REFUSED)


ROUTES = [
    Route("/home/all", _home, methods=["GET"]),
    Route("/home/open", _open, methods=["POST"]),
    Route("/home/begin", _begin, methods=["POST"]),
    Route("/home/start/{file}", _start_picture, methods=["GET"]),
    Route("/home/kept/{file}", _kept_picture, methods=["GET"]),
]
