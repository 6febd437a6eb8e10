"""The room's page, pictures and messages over HTTP and WebSocket, for this machine alone: see `sim.room.gate`."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import sys
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from sim.advice.checks.shadow_words import PATTERN_WORDS, SIDE_WORDS
from sim.quantities.errors import HalfstopError, UnitError
from sim.reports.faces import NAMES as FACES
from sim.reports.faces import svg_from_drawing
from sim.room.entrance import ROUTES as ENTRANCE
from sim.room.gate import HOST, Gate
from sim.room.handlers import handle
from sim.room.protocol.messages import Message, Packed, refusal
from sim.room.session import RoomSession
from sim.room.timed_connection import TimedConnection

SIM = Path(__file__).resolve().parents[1]
PAGE = SIM / "room" / "page"
# What a browser may load, each under its own place below `sim`, so that modules import one another alike everywhere.
SERVED = (PAGE, SIM / "web")
TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
# A message of edits is small; a whole scene text stays far below this.
LONGEST_MESSAGE = 1 << 20
# A page that was exported holds its own styles and scripts: it opens as a page of nowhere, with no way back in.
EXPORT_POLICY = (
    "sandbox allow-scripts allow-modals allow-downloads; default-src 'none'; style-src 'unsafe-inline'; "
    "script-src 'unsafe-inline'; img-src data: blob:; font-src data:; worker-src blob:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
CLOSE_WITHIN_S = 3


def app_from_session(session: RoomSession, token: str, port: int) -> ASGIApp:
    """The room as an ASGI application.

    Arguments: `token` the first part of every path; `port` that the server listens on, for Host and Origin.
    """
    app = Starlette(
        routes=[
            Route("/", _page),
            Route("/home", _home),
            *ENTRANCE,
            Route("/room/page/{file:path}", _asset),
            Route("/web/{file:path}", _asset),
            Route("/frame/{serial:int}/{layer}/{kind}", _layer),
            Route("/frame/{serial:int}/{guide}", _guide),
            Route("/thumbnail/{file}", _thumbnail),
            Route("/face/{file}", _face),
            Route("/export/{number:int}/{file}", _export),
            WebSocketRoute("/room", _room),
        ],
        exception_handlers={404: _missing, 405: _missing},
    )
    app.router.redirect_slashes = False
    app.state.session = session
    return Gate(app, token, port, lambda nonce: session.way_back.answer(nonce, token))


# -- pages and files -----------------------------------------------------------------------------


async def _page(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    return _file_served("room/page/index.html") if session.is_open else await _home(request)


async def _home(request: Request) -> Response:
    return _file_served("room/page/home/home.html")


async def _asset(request: Request) -> Response:
    return _file_served(str(request.scope["path"]).removeprefix("/"))


def _file_served(name: str) -> Response:
    # Only names that lie in the folders themselves: nothing that a path could lead elsewhere.
    files = (path for folder in SERVED for path in folder.rglob("*") if path.suffix in TYPES and path.is_file())
    path = {path.relative_to(SIM).as_posix(): path for path in files}.get(name)
    if path is None:
        return _nothing()
    return Response(path.read_bytes(), media_type=f"{TYPES[path.suffix]}; charset=utf-8")


async def _layer(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    frame = session.frame(request.path_params["serial"])
    name, kind = request.path_params["layer"], request.path_params["kind"]
    if frame is None or name not in frame.names or kind not in ("view", "raw"):
        return _nothing()
    return Response(await asyncio.to_thread(frame.layer_bytes, name, kind), media_type="application/octet-stream")


async def _guide(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    frame, guide = session.frame(request.path_params["serial"]), request.path_params["guide"]
    if frame is None or guide not in ("region", "distance"):
        return _nothing()
    data = frame.part_bytes() if guide == "region" else frame.distance_bytes()
    return Response(data, media_type="application/octet-stream")


async def _thumbnail(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    name, dot, ending = request.path_params["file"].rpartition(".")
    png = await session.thumbnail(name) if dot and ending == "png" else None
    return _nothing() if png is None else Response(png, media_type="image/png")


async def _face(request: Request) -> Response:
    """A small drawing of a pattern or of broad or short lighting, `loop-left.svg`, or the words to all of them."""
    file = request.path_params["file"]
    if file == "words.json":
        return JSONResponse([{"drawing": name, "name": words.name, "sentence": words.sentence}
                             for name, words in {**PATTERN_WORDS, **SIDE_WORDS}.items()])  # fmt: skip
    name, _, side = file.removesuffix(".svg").rpartition("-")
    if not file.endswith(".svg") or name not in FACES or side not in ("left", "right"):
        return _nothing()
    return Response(svg_from_drawing(name, side), media_type="image/svg+xml")


async def _export(request: Request) -> Response:
    session: RoomSession = request.app.state.session
    export = session.exports.all.get(request.path_params["number"])
    path = export.file(request.path_params["file"]) if export else None
    if path is None or not path.is_file():
        return _nothing()
    how = "attachment" if request.query_params.get("save") else "inline"
    response = FileResponse(path, filename=path.name, content_disposition_type=how)
    # The browser's viewer of PDF files does not work in a sandbox; such a file holds no script that could act.
    if path.suffix != ".pdf":
        response.headers["Content-Security-Policy"] = EXPORT_POLICY
    return response


def _nothing() -> Response:
    return PlainTextResponse("There is nothing here.\n", 404)


async def _missing(request: Request, error: Exception) -> Response:
    return _nothing()


# -- messages ------------------------------------------------------------------------------------


async def _room(socket: WebSocket) -> None:
    session: RoomSession = socket.app.state.session
    if not session.is_open:
        await socket.close(1008)
        return
    await socket.accept()
    tab = await session.enter()
    sending = asyncio.create_task(_send_all(socket, tab.next))
    try:
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                break
            text = message.get("text")
            if text is None:
                tab.tell(refusal(None, UnitError("this page sent bytes", "a request as text", "load the page again")))
                continue
            await handle(session, tab, text)
    except (WebSocketDisconnect, RuntimeError):
        pass
    finally:
        session.leave(tab)
        sending.cancel()
        with suppress(asyncio.CancelledError):
            await sending


async def _send_all(socket: WebSocket, following: Callable[[], Awaitable[Message | Packed]]) -> None:
    with suppress(WebSocketDisconnect, RuntimeError, OSError):
        while True:
            message = await following()
            if isinstance(message, Packed):
                await socket.send_bytes(message.packed())
                continue
            await socket.send_text(json.dumps(message, ensure_ascii=False, separators=(",", ":"), allow_nan=False))


# -- running -------------------------------------------------------------------------------------


def bound_socket(port: int = 0, *, rather: int = 0) -> socket.socket:
    """A socket on 127.0.0.1; port 0 takes any that is free, `rather` this one."""
    if not port and rather:
        with suppress(HalfstopError):
            return bound_socket(rather)
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
    except OSError as error:
        listener.close()
        cure = "leave it out to take a free one"
        raise HalfstopError(f"--port {port}: cannot be used: {error.strerror}; {cure}") from None
    except OverflowError:
        listener.close()
        raise HalfstopError(f'--port {port}: expected 1 to 65535; write "--port 8600"') from None
    return listener


class RoomServer(uvicorn.Server):
    """A server whose signals are handled outside: the first ends it tidily, the second at once."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def server_from_app(app: ASGIApp) -> RoomServer:
    """A server for the room's application, not yet running."""
    config = uvicorn.Config(
        app, log_level="error", access_log=False, http=TimedConnection, ws="websockets-sansio",
        ws_max_size=LONGEST_MESSAGE, ws_per_message_deflate=False, lifespan="off",
        timeout_graceful_shutdown=CLOSE_WITHIN_S, server_header=False, date_header=False,
    )  # fmt: skip
    return RoomServer(config)


async def serve(
    session: RoomSession, listener: socket.socket, token: str, on_ready: Callable[[str], None], *, signals: bool = True
) -> None:
    """Serve the room until a signal comes, then close the session.

    Arguments: `on_ready` told the address once it answers; `signals` whether Ctrl-C and requests to end are taken here.
    """
    port = listener.getsockname()[1]
    address = f"http://{HOST}:{port}/{token}/"
    server = server_from_app(app_from_session(session, token, port))

    def end() -> None:
        server.force_exit = server.should_exit
        server.should_exit = True

    if signals and sys.platform != "win32":
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            asyncio.get_running_loop().add_signal_handler(number, end)
    session.on_end = end
    try:
        session.way_back.keep(port)
        await session.open(address)
        running = asyncio.create_task(server.serve(sockets=[listener]))
        while not server.started and not running.done():
            await asyncio.sleep(0.01)
        if not server.should_exit:
            on_ready(address)
        await running
    finally:
        await session.close()
        listener.close()
