"""Connections that begin a request and never end it: each is dropped in time, and keeps nobody else waiting."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from rooms import Served, StillWorker, scene_file, served

from sim.room import timed_connection

# In place of the seconds that a user's room allows.
WITHIN_S = 1.0
# Long enough that a busy machine gives the page sooner, where nothing holds it up.
HELD_S = 5.0
CONNECTIONS = 50


@pytest.fixture()
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """A room that waits for requests a short time; nothing is painted."""
    monkeypatch.setattr(timed_connection, "REQUEST_WITHIN_S", WITHIN_S)
    with served(scene_file(tmp_path), tmp_path / "state", worker=StillWorker) as served_room:
        yield served_room


def connected(room: Served, data: bytes = b"") -> socket.socket:
    """A connection to the room that has sent some bytes."""
    line = socket.create_connection(("127.0.0.1", room.port), timeout=60)
    line.sendall(data)
    return line


def request(room: Served, rest: bytes = b"\r\n", method: bytes = b"GET") -> bytes:
    """A request for the page up to its host, and what is to follow."""
    path = room.address.split(str(room.port), 1)[1].encode()
    return b"%s %s HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n%s" % (method, path, room.port, rest)


def is_held(line: socket.socket) -> bool:
    """Whether a connection that was sent nothing is still open."""
    return not select.select([line], [], [], 0)[0]


def is_dropped(line: socket.socket) -> bool:
    """Whether the room ends a connection; waits for that, and passes over what it still says."""
    try:
        while line.recv(1 << 16):
            pass
    except ConnectionResetError:
        pass
    except TimeoutError:
        return False
    return True


def test_fifty_half_requests_hold_nothing_up_and_are_dropped(room: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timed_connection, "REQUEST_WITHIN_S", HELD_S)
    silent, halves = (b"", b"GET", request(room, b"")), request(room, b"Content-Length: 9\r\n\r\n12345", b"POST")
    with ExitStack() as held:
        lines = [held.enter_context(connected(room, silent[i % len(silent)])) for i in range(CONNECTIONS)]
        half_sent = held.enter_context(connected(room, halves))
        assert room.get("").status == 200 and all(is_held(line) for line in lines)
        assert all(is_dropped(line) for line in (*lines, half_sent))


def test_a_request_that_comes_bit_by_bit_is_dropped_as_well(room: Served) -> None:
    with connected(room, request(room, b"X: ")) as line:
        began = time.monotonic()
        with pytest.raises((ConnectionResetError, BrokenPipeError)):
            while time.monotonic() - began < 60:
                line.sendall(b"x")
                time.sleep(WITHIN_S / 10)


def test_half_a_second_request_is_dropped(room: Served) -> None:
    with connected(room, request(room)) as line:
        assert line.recv(12) == b"HTTP/1.1 200"
        line.sendall(request(room, b""))
        assert is_dropped(line)


def test_what_was_asked_whole_stays(room: Served) -> None:
    with room.client() as tab:
        tab.wait("state")
        with connected(room) as line:
            assert is_dropped(line)
        # An open socket outlives the time for a request.
        assert tab.edit({"op": "set", "path": ["title"], "value": "Later"})["type"] == "state"
