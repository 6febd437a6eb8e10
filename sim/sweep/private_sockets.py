"""A transport of the task engine that only this user can reach: Unix sockets in a folder that is closed to others.

An address is `private://FOLDER:NUMBER`, the socket the file FOLDER/NUMBER. The engine's own local transport is TCP,
where any process of this machine may hand in code to be run. Whoever may open a file of the folder is already this
user, and the kernel sees to it, so no key is made or kept.

Importing this module makes the scheme known; `PrivateWorker` carries it into worker processes.
"""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
import socket
import stat
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from distributed import Nanny, Scheduler, Worker
from distributed.comm.addressing import parse_host_port, unparse_host_port
from distributed.comm.core import CommClosedError, Connector
from distributed.comm.registry import backends
from distributed.comm.tcp import MAX_BUFFER_SIZE, TCP, BaseTCPBackend, BaseTCPListener
from distributed.comm.utils import get_tcp_server_addresses
from distributed.http.routing import RoutingApplication
from tornado.httpserver import HTTPServer
from tornado.httputil import HTTPServerRequest
from tornado.iostream import IOStream, StreamClosedError
from tornado.netutil import bind_unix_socket
from tornado.tcpserver import TCPServer
from tornado.web import ErrorHandler

from sim.quantities.errors import HalfstopError, quoted

if TYPE_CHECKING:
    from tornado.web import _HandlerDelegate

SCHEME = "private"
# Connections that may wait for a listener to take them.
BACKLOG = 2048
# A socket's path takes 107 bytes on Linux (unix(7)); its number takes 11.
LONGEST_FOLDER = 90
FOLDER_PREFIX, LEFT_BEHIND_S = "halfstop-sockets-", 60.0


@contextmanager
def private_folder() -> Iterator[str]:
    """A folder for sockets that this user alone may enter, and the address that stands for it; gone afterwards."""
    _remove_left_behind()
    with tempfile.TemporaryDirectory(prefix=FOLDER_PREFIX) as name, _held(name):
        if len(os.fsencode(name)) > LONGEST_FOLDER:
            raise HalfstopError(f"{quoted(name)}: too long a place for sockets; set TMPDIR to a shorter one")
        facts = os.stat(name)
        if facts.st_uid != os.getuid() or stat.S_IMODE(facts.st_mode) & 0o077:
            raise HalfstopError(f"{quoted(name)}: others may enter this folder; set TMPDIR to a place of your own")
        yield f"{SCHEME}://{name}"


@contextmanager
def _held(name: str) -> Iterator[None]:
    """Keep a folder marked as in use for as long as this process lives."""
    handle = os.open(name, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(handle, fcntl.LOCK_SH)
        yield
    finally:
        os.close(handle)


def _remove_left_behind() -> None:
    """Remove this user's folders whose process was killed; a young one may not be marked yet."""
    for folder in Path(tempfile.gettempdir()).glob(f"{FOLDER_PREFIX}*"):
        with suppress(OSError):
            facts = folder.lstat()
            if facts.st_uid != os.getuid() or time.time() - facts.st_mtime < LEFT_BEHIND_S:
                continue
            handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder)
            finally:
                os.close(handle)


def _path(folder: str, number: int) -> str:
    return str(Path(folder) / str(number))


class _Connector(Connector):
    async def connect(self, address: str, deserialize: bool = True, **connection_args: object) -> TCP:
        stream = IOStream(socket.socket(socket.AF_UNIX), max_buffer_size=int(MAX_BUFFER_SIZE))
        try:
            await stream.connect(_path(*parse_host_port(address)))
        except (OSError, StreamClosedError) as error:
            stream.close()
            raise CommClosedError(f"in {address}: {error}") from error
        place = f"{SCHEME}://{address}"
        return TCP(stream, place, place, deserialize)


class _Server(TCPServer):
    def __init__(self, on_stream: Callable[[IOStream, object], Awaitable[None]]) -> None:
        super().__init__(max_buffer_size=int(MAX_BUFFER_SIZE))
        self.on_stream = on_stream

    async def handle_stream(self, stream: IOStream, address: object) -> None:
        """Take a connection."""
        await self.on_stream(stream, address)


class _Listener(BaseTCPListener):
    prefix = f"{SCHEME}://"
    # Nothing leaves the machine.
    encrypted = True

    def _get_server_args(self, **connection_args: object) -> dict[str, object]:
        return {}

    async def start(self) -> None:
        number = self.port or secrets.randbelow(1 << 31) + 1
        self.tcp_server = _Server(self._handle_stream)
        self.tcp_server.add_socket(bind_unix_socket(_path(self.ip, number), mode=0o600, backlog=BACKLOG))
        self.bound_address = (self.ip, number)

    async def _handle_stream(self, stream: IOStream, address: object) -> None:
        if self.tcp_server is None:
            stream.close()
            return
        here = self.listen_address
        comm = TCP(stream, here, here, self.deserialize)
        comm.allow_offload = self.allow_offload
        try:
            await self.on_connection(comm)
        except CommClosedError:
            return
        await self.comm_handler(comm)

    @property
    def contact_address(self) -> str:
        return str(self.listen_address)


class _Backend(BaseTCPBackend):
    _connector_class = _Connector
    _listener_class = _Listener

    def resolve_address(self, loc: str) -> str:
        return loc

    def get_local_address_for(self, loc: str) -> str:
        return str(unparse_host_port(parse_host_port(loc)[0], None))


backends[SCHEME] = _Backend()


class _TokenApplication(RoutingApplication):
    """Pages below a path that cannot be guessed; all else is not there, the list of pages least of all."""

    def __init__(self, routes: object, token: str) -> None:
        super().__init__(routes)  # type: ignore[no-untyped-call]
        self.token = token

    def find_handler(self, request: HTTPServerRequest, **named: object) -> _HandlerDelegate:
        """What answers a request."""
        first, _, rest = request.path.lstrip("/").partition("/")
        if not rest or not secrets.compare_digest(first.encode(), self.token.encode()):
            return self.get_handler_delegate(request, ErrorHandler, {"status_code": 404})
        handler: _HandlerDelegate = super().find_handler(request, **named)
        return handler


class _PageServer(HTTPServer):
    port: int


class PrivateScheduler(Scheduler):
    """A scheduler that shows pages, on loopback and below the path `token`, only where there is one."""

    http_server: _PageServer

    def __init__(self, *, token: str, **named: Any) -> None:
        self.token = token
        super().__init__(dashboard=bool(token), http_prefix=f"/{token}", **named)

    def start_http_server(self, routes: object, *given: object, **named: object) -> None:
        """Open the pages' server, or none."""
        self.http_application = _TokenApplication(routes, self.token)
        if self.token:
            self.http_server = _PageServer(self.http_application)
            self.http_server.listen(0, "127.0.0.1")
            ((_, self.http_server.port),) = get_tcp_server_addresses(self.http_server)
            self.services["dashboard"] = self.http_server


class PrivateWorker(Worker):
    """A worker without a server of pages."""

    def start_http_server(self, *given: object, **named: object) -> None:
        """Open none."""
        self.http_application = RoutingApplication([])


class PrivateNanny(Nanny):
    """Keeps a worker process going, and starts it anew when it ends."""

    def __init__(self, scheduler: str, **named: Any) -> None:
        super().__init__(scheduler, worker_class=PrivateWorker, **named)
