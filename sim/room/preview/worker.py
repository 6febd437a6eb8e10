"""The worker's own process: takes the latest request, traces in short launches, sends results back.

What is kept from request to request: the renderer, the posed sitter, the stage's shapes, the layers by their keys
(`sim.render.cache.disk`), and the picture that was sent last. A first picture is traced at half the size with few rays
and only in the lights that moved, where the camera and the sitter stayed; the other layers are shown as they were.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection

from sim.quantities.errors import HalfstopError, one_line
from sim.room.preview.job import Replaced
from sim.room.preview.messages import Failed, PoseRequest, PreviewRequest, Result
from sim.room.preview.renderer import IncrementalRenderer

# Give the page and its server the right of way.
NICENESS = 5
# How often the child looks whether its parent still lives, beside the line that ends with it.
LOOK_EVERY_S = 1.0


def serve(line: int, parent_pid: int) -> None:
    """Answer requests that come over a socket until it closes; both ends speak `sim.room.preview.messages`."""
    # Ctrl-C in the terminal is for the parent, which then closes the line.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(OSError):
        os.nice(NICENESS)
    connection = Connection(line)
    inbox = Inbox(connection, parent_pid)
    renderer = IncrementalRenderer()
    with suppress(HalfstopError):
        renderer.warm_up()
    try:
        while True:
            request = inbox.take()
            answer(renderer, request, connection.send, inbox.has_newer)
            # Its bare serial tells that nothing more comes of a request.
            connection.send(request.serial)
            if isinstance(request, PoseRequest):
                continue
            with suppress(Replaced, HalfstopError):
                renderer.compile_ahead(inbox.has_newer)
    except (BrokenPipeError, ConnectionResetError):
        return


def answer(
    renderer: IncrementalRenderer,
    request: PreviewRequest | PoseRequest,
    send: Callable[[Result], None],
    has_newer: Callable[[], bool] = lambda: False,
) -> None:
    """Send every result of one request, or the one line that says why there are none."""
    try:
        if isinstance(request, PoseRequest):
            renderer.follow_hand(request, send, has_newer)
        else:
            renderer.answer(request, send, has_newer)
    except Replaced:
        return
    except HalfstopError as error:
        send(Failed(request.serial, request.revision, one_line(str(error))))
    except (BrokenPipeError, ConnectionResetError):
        raise
    except Exception as error:
        # Start from nothing next time, since it is unknown what was left half done.
        renderer.clear()
        line = f"the picture could not be made ({type(error).__name__}: {one_line(str(error))})"
        send(Failed(request.serial, request.revision, line))


class Inbox:
    """The newest request that came over the line and was not taken yet; ends the process with the line."""

    def __init__(self, line: Connection, parent_pid: int) -> None:
        self._line, self._parent_pid = line, parent_pid
        self._came = threading.Condition()
        self._newest: PreviewRequest | PoseRequest | None = None
        threading.Thread(target=self._listen, name="requests", daemon=True).start()

    def has_newer(self) -> bool:
        """Whether a request waits."""
        return self._newest is not None

    def take(self) -> PreviewRequest | PoseRequest:
        """The newest request, as soon as there is one."""
        with self._came:
            self._came.wait_for(self.has_newer)
            request, self._newest = self._newest, None
        assert request is not None
        return request

    def _listen(self) -> None:
        try:
            while True:
                while not self._line.poll(LOOK_EVERY_S):
                    if os.getppid() != self._parent_pid:
                        os._exit(0)
                request = self._line.recv()
                if request is None:
                    os._exit(0)
                with self._came:
                    self._newest = request
                    self._came.notify()
        except (EOFError, OSError):
            os._exit(0)
