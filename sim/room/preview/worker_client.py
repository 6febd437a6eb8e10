"""The worker as the server sees it: requests go in, pictures and readings come back from a process of its own.

    worker = WorkerClient(on_result, environment)   # starts nothing yet
    worker.ask(Request(serial=7, revision=12, text=..., path=..., size=(400, 600), look_first=("key",)))
    worker.warm_up()                           # optional: start the child and its renderer before the first request
    worker.close()

The latest request wins: `ask` replaces what is waiting and ends what is under way, within a quarter of a second.
`on_result` is called from a thread of the worker's, one call at a time, with the results of
`sim.room.preview.messages`; it should hand them on and return (asyncio: `loop.call_soon_threadsafe`). Progress and
failures of requests that a newer one replaced are left out.

The child keeps renderer, sitter, stage and layers from request to request. When it dies at work, the request it was at
is answered with one `Failed`, and the next `ask` starts another; a request that it had not begun is sent to the next
child, once. The child ends when this process does, however that ends.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path

from sim.room.preview.frame import PreviewFrame
from sim.room.preview.messages import (
    ChecksReady,
    Failed,
    LiveMetersReady,
    LiveReady,
    MetersReady,
    PictureReady,
    PoseRequest,
    PreviewRequest,
    Progress,
    Result,
)

__all__ = [
    "ChecksReady",
    "Failed",
    "LiveMetersReady",
    "LiveReady",
    "MetersReady",
    "PictureReady",
    "PoseRequest",
    "PreviewFrame",
    "PreviewRequest",
    "Progress",
    "Result",
    "WorkerClient",
]

ROOT = Path(__file__).resolve().parents[3]
# How long a child may take to end by itself before it is killed.
FAREWELL_S = 1.0


class WorkerClient:
    """One child process that answers the latest request.

    Arguments: `on_result` gets every result; `environment` of the child, this process's own by default.
    Does not: block in `ask`, or keep requests other than the latest.
    """

    def __init__(self, on_result: Callable[[Result], None], environment: Mapping[str, str] | None = None) -> None:
        self._on_result = on_result
        self._environment = dict(os.environ if environment is None else environment)
        self._changed = threading.Condition()
        self._waiting: PreviewRequest | PoseRequest | None = None
        self._asked: PreviewRequest | PoseRequest | None = None
        self._sent_again: int | None = None
        self._wants_child = False
        self._closing = False
        self._child: _Child | None = None
        self._sender = threading.Thread(target=self._send_requests, name="worker requests", daemon=True)
        self._sender.start()

    def ask(self, request: PreviewRequest | PoseRequest) -> None:
        """Answer this request next, in place of whatever is waiting or under way."""
        with self._changed:
            if self._closing:
                raise RuntimeError("the worker is closed")
            self._waiting = self._asked = request
            self._changed.notify_all()

    def warm_up(self) -> None:
        """Start the child now, so that the first request finds its renderer ready."""
        with self._changed:
            self._wants_child = True
            self._changed.notify_all()

    @property
    def child_pid(self) -> int | None:
        """Process id of the child, None when there is none alive."""
        child = self._child
        return None if child is None or child.process.poll() is not None else child.process.pid

    @property
    def busy(self) -> bool:
        """Whether a request waits or is under way."""
        return self._asked is not None

    def close(self) -> None:
        """End the child and tell no more results; closing twice is the same as once."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if threading.current_thread() is not self._sender:
            self._sender.join()
        if self._child is not None:
            self._child.end()

    def __enter__(self) -> WorkerClient:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- threads ---------------------------------------------------------------------------------

    def _send_requests(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closing or self._waiting is not None or self._wants_child)
                if self._closing:
                    return
                request, self._waiting, self._wants_child = self._waiting, None, False
            try:
                self._hand_over(request)
            except OSError as error:
                if request is not None:
                    self._on_result(
                        Failed(
                            request.serial,
                            request.revision,
                            f"the picture's worker could not be started ({error})",
                        )
                    )

    def _hand_over(self, request: PreviewRequest | PoseRequest | None) -> None:
        """Send a request to the child; a child that is found dead is replaced once."""
        for attempt in (1, 2):
            if self._child is None or not self._child.alive:
                if self._child is not None:
                    self._child.end()
                self._child = None
                self._child = _Child(self._environment, self._take, self._lost)
            try:
                if request is not None:
                    self._child.send(request)
                return
            except OSError:
                self._child.alive = False
                if attempt == 2:
                    raise

    def _take(self, answer: Result | int) -> None:
        with self._changed:
            asked = self._asked
            serial = answer if isinstance(answer, int) else answer.serial
            ends = isinstance(answer, int | Failed | ChecksReady)
            if ends and asked is not None and asked.serial == serial:
                self._asked = None
            replaced = asked is not None and serial < asked.serial
            if self._closing or (replaced and isinstance(answer, Progress | Failed)):
                return
        if not isinstance(answer, int):
            self._on_result(answer)

    def _lost(self, child: _Child) -> None:
        """Answer the request that a dead child leaves behind, unless it waits to be sent to the next one."""
        with self._changed:
            request = self._asked
            left = child.sent is not None and request is not None and request.serial == child.sent
            if self._closing or not left or request is None:
                return
            if child.answered != request.serial and self._sent_again != request.serial:
                # It died before it began: that is no fault of the request, which goes to the next child, once.
                self._sent_again = request.serial
                self._waiting = request
                self._changed.notify_all()
                return
            self._asked = None
        self._on_result(Failed(request.serial, request.revision, child.last_words()))


class _Child:
    """The process, its line, and the thread that reads what it sends."""

    def __init__(
        self,
        environment: Mapping[str, str],
        take: Callable[[Result | int], None],
        lost: Callable[[_Child], None],
    ) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            self.process = subprocess.Popen(
                [sys.executable, "-P", "-c", _START, str(ROOT), str(theirs.fileno()), str(os.getpid())],
                pass_fds=[theirs.fileno()], env=dict(environment), stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL, stderr=None if environment.get("HALFSTOP_DEBUG") else subprocess.DEVNULL,
            )  # fmt: skip
        self.line = Connection(ours.detach())
        # Held while a request is handed over, so that it counts as lost only if it went out.
        self._handing = threading.Lock()
        self.sent: int | None = None
        self.answered: int | None = None
        self.alive = True
        self._ended = False
        self._take, self._lost = take, lost
        self._reader = threading.Thread(target=self._read, name="worker results", daemon=True)
        self._reader.start()

    def send(self, request: PreviewRequest | PoseRequest) -> None:
        with self._handing:
            self.line.send(request)
            self.sent = request.serial

    def last_words(self) -> str:
        """Why the child is no more, in one line."""
        code = self.process.returncode
        if code is not None and code < 0:
            with suppress(ValueError):
                return (
                    f"the picture's worker was ended by {signal.Signals(-code).name}; the next change starts it again"
                )
        return f"the picture's worker stopped (status {code}); the next change starts it again"

    def end(self) -> None:
        """Ask the child to end, then make it."""
        if self._ended:
            return
        self._ended = True
        self.alive = False
        with suppress(OSError):
            self.line.send(None)
        try:
            self.process.wait(FAREWELL_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if threading.current_thread() is not self._reader:
            self._reader.join(FAREWELL_S)
        self.line.close()

    def _read(self) -> None:
        try:
            while True:
                answer: Result | int = self.line.recv()
                self.answered = answer if isinstance(answer, int) else answer.serial
                self._take(answer)
        except (EOFError, OSError):
            pass
        self.alive = False
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(FAREWELL_S)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        # Wait for a request on its way.
        with self._handing:
            pass
        self._lost(self)


# The module is imported by name, so that results are the same types on both ends of the line.
_START = (
    "import sys; sys.path.insert(0, sys.argv[1]); from sim.room.preview.worker import serve; "
    "serve(int(sys.argv[2]), int(sys.argv[3]))"
)
