"""Rooms to test: a real server in a thread or a process, and a client that speaks as a page does."""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import numpy as np
import websockets.sync.client
from websockets.exceptions import ConnectionClosed

from sim.light.develop import encoded
from sim.room.app import bound_socket, serve
from sim.room.gate import new_token
from sim.room.preview.worker_client import WorkerClient
from sim.room.protocol import MESSAGES
from sim.room.session import RoomSession

ROOT = Path(__file__).resolve().parents[2]
# Far more than is needed on a quiet machine.
PATIENCE_S = 120.0
SIMPLE = """\
# A set for tests.
halfstop: 1
title: Two lights
room: {size: {width: 6 m, height: 3.2 m, length: 9 m}, front: 6 m, walls: 0.3, ceiling: 0.5, floor: 0.2}
camera:
  place: {at: [0 m, 1.4 m, 4.5 m]}
  aim: chest
  focal_length: 85 mm
  sensor: {width: 36 mm, height: 24 mm}
  orientation: portrait
  aperture: f/8       # what the key is to read
  shutter: 1/160 s
  iso: 100
  focus: face
  white_balance: 5600 K
sitter: {figure: simple, turn: 20°}
backdrop: {kind: canvas, size: {width: 3 m, height: 3 m}, distance: 2 m, contrast: 0}
lights:
  # The key, on camera left.
  key:
    source: {kind: flash, energy: 400 W·s}
    power: 1/4        # two stops under full
    modifier: {kind: softbox, width: 90 cm, height: 120 cm}
    place: {bearing: -60°, distance: 1.6 m, height: 1.9 m}
    aim: face
  fill:
    source: {kind: flash, energy: 400 W·s}
    power: 1/16
    modifier: {kind: umbrella, diameter: 105 cm, surface: white}
    place: {bearing: 30°, distance: 2.5 m, height: 2 m}
    aim: chest
meters:
  lapel: {at: chest, kind: dome, facing: camera}
"""


class StillWorker(WorkerClient):
    """A worker that traces nothing and remembers what it was asked."""

    asked: list[Any] = []

    def __init__(self, on_result: Any, environment: Any = None) -> None:
        self.on_result = on_result
        type(self).asked = []

    def ask(self, order: Any) -> None:
        type(self).asked.append(order)

    def close(self) -> None:
        pass


def scene_file(folder: Path, text: str = SIMPLE, name: str = "set.yaml") -> Path:
    """A scene written into a folder."""
    path = folder / name
    path.write_bytes(text.encode("utf-8"))
    return path


@contextmanager
def served(path: Path | None, state: Path, **options: Any) -> Iterator[Served]:
    """A room served from a thread of this process; ends tidily."""
    options = {"long_side_px": 60, "samples": 4, "out": state.parent / "out", "fill_library": False, **options}
    ready: list[Any] = []
    failed: list[BaseException] = []
    up = threading.Event()
    token = new_token()

    async def run() -> None:
        session = RoomSession(path, state, **options)
        loop = asyncio.get_running_loop()

        def on_ready(address: str) -> None:
            ready.extend((address, session, loop))
            up.set()

        # As the command does: on the port of the last time, where a page may be waiting.
        await serve(session, bound_socket(rather=session.way_back.port), token, on_ready, signals=False)

    def work() -> None:
        try:
            asyncio.run(run())
        except BaseException as error:
            failed.append(error)
        finally:
            up.set()

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    assert up.wait(PATIENCE_S)
    if failed:
        thread.join()
        raise failed[0]
    address, session, loop = ready
    try:
        yield Served(address, token, session)
    finally:
        loop.call_soon_threadsafe(session.on_end)
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
    if failed:
        raise failed[0]


class Served:
    """A running room: its address, and requests to it."""

    def __init__(self, address: str, token: str = "", session: RoomSession | None = None) -> None:
        self.address, self.token, self.session = address, token, session
        self.port = urlsplit(address).port

    def get(
        self, path: str, *, method: str = "GET", host: str | None = None, origin: str | None = None, token: bool = True
    ) -> http.client.HTTPResponse:
        """Ask for a path below the token as it is written, with no tidying; the body is in `.body`."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        whole = f"{urlsplit(self.address).path}{path}" if token else path
        connection.putrequest(method, whole, skip_host=True)
        connection.putheader("Host", host or f"127.0.0.1:{self.port}")
        if origin is not None:
            connection.putheader("Origin", origin)
        connection.endheaders()
        answer = connection.getresponse()
        answer.body = answer.read()  # type: ignore[attr-defined]
        connection.close()
        return answer

    def client(self, **options: Any) -> Client:
        """A new tab."""
        return Client(self.address, **options)


class Client:
    """A tab: sends requests, gathers messages, keeps the newest of each kind."""

    def __init__(self, address: str, *, origin: str | None = "own", path: str = "room") -> None:
        parts = urlsplit(address)
        own = f"http://{parts.netloc}"
        self.connection = websockets.sync.client.connect(
            f"ws://{parts.netloc}{parts.path}{path}", origin=own if origin == "own" else origin,
            max_size=1 << 24, open_timeout=PATIENCE_S, proxy=None,
        )  # fmt: skip
        self.socket = self.connection.__enter__()
        self.newest: dict[str, dict[str, Any]] = {}
        self.heard: list[dict[str, Any]] = []
        # Of the newest live picture.
        self.layers = b""
        self.last = 0

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.__exit__(None, None, None)

    def hear(self, timeout_s: float = PATIENCE_S) -> dict[str, Any]:
        """The next message."""
        data = self.socket.recv(timeout=timeout_s)
        if isinstance(data, bytes):
            length = int.from_bytes(data[:4], "little")
            message, self.layers = json.loads(data[4 : 4 + length]), data[4 + length :]
        else:
            message = json.loads(data)
        # What is said is what was agreed.
        MESSAGES.validate_python(message)
        if message["type"] == "refused":
            message["text"] = "; ".join(filter(None, (message[key] for key in ("key", "what", "expected", "cure"))))
        self.newest[message["type"]] = message
        self.heard.append(message)
        return message

    def wait(self, kind: str, fits: Any = lambda message: True, timeout_s: float = PATIENCE_S) -> dict[str, Any]:
        """The newest message of a kind that fits, heard already or still to come."""
        found = self.newest.get(kind)
        if found is not None and fits(found):
            return found
        end_s = time.monotonic() + timeout_s
        while (left_s := end_s - time.monotonic()) > 0:
            try:
                message = self.hear(left_s)
            except TimeoutError:
                break
            if message["type"] == kind and fits(message):
                return message
        last = [message["type"] for message in self.heard[-12:]]
        raise AssertionError(f"no {kind} that fits in {timeout_s} s; last heard {last}")

    def ask(self, kind: str, **fields: Any) -> dict[str, Any]:
        """Send a request and return its answer: done or refused."""
        self.last += 1
        number = self.last
        self.socket.send(json.dumps({"type": kind, "id": number, **fields}))
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            message = self.hear()
            if message["type"] in ("done", "refused") and message["id"] == number:
                return message
        raise AssertionError(f"no answer to {kind}")

    def tell(self, kind: str, **fields: Any) -> None:
        """Send what is not answered."""
        self.socket.send(json.dumps({"type": kind, **fields}))

    def edit(self, *edits: dict[str, Any], merge: str | None = None) -> dict[str, Any]:
        """Send edits and expect them to be taken; returns the state."""
        answer = self.ask("edit", edits=list(edits), merge=merge)
        assert answer["type"] == "done", answer
        return self.newest["state"]

    @property
    def state(self) -> dict[str, Any]:
        """The newest state."""
        return self.wait("state")


def layer_of(room: Served, frame: dict[str, Any], name: str, kind: str = "view") -> np.ndarray:
    """A layer of a frame as a page gets it, linear (h, w, 3)."""
    answer = room.get(f"frame/{frame['serial']}/{quote(name)}/{kind}")
    assert answer.status == 200 and len(answer.body) == frame["width"] * frame["height"] * 3 * 2
    pixels = np.frombuffer(answer.body, "<f2").reshape(frame["height"], frame["width"], 3).astype(np.float32)
    return pixels * np.float32(frame["scale"][kind][frame["names"].index(name)])


def picture_of(room: Served, state: dict[str, Any], frame: dict[str, Any], only: tuple[str, ...] = ()) -> np.ndarray:
    """The picture (h, w, 3) uint8 of a frame and a state by Python's own development.

    Arguments: `only` lights that are heard, otherwise those that are not muted.
    """
    linear = np.zeros((frame["height"], frame["width"], 3))
    for light in state["lights"]:
        if light["name"] in only if only else not light["muted"]:
            linear += layer_of(room, frame, light["name"]) * np.array(light["weight_rgb"])
    return encoded(linear * np.array(state["exposure"]["grey_scale"]))


def power(name: str, value: str) -> dict[str, Any]:
    """An edit of a light's dial."""
    return {"op": "set", "path": ["lights", name, "power"], "value": value}


@contextmanager
def command(path: Path, state: Path, *arguments: str, **environ: str) -> Iterator[Opened]:
    """`halfstop open` in a process of its own; killed at the end if it still runs."""
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "sim", "open", str(path), "--no-browser", "--size", "60", *arguments],
        cwd=path.parent, text=True, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT), "HALFSTOP_STATE": str(state), "HALFSTOP_CACHE": "off", **environ},
    )  # fmt: skip
    try:
        line = process.stdout.readline()
        if " is open at " not in line:
            raise AssertionError(f"{line}{process.communicate(timeout=PATIENCE_S)}")
        yield Opened(process, Served(line.split(" is open at ")[1].strip()))
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()


class Opened:
    """A room in a process of its own."""

    def __init__(self, process: subprocess.Popen[str], room: Served) -> None:
        self.process, self.room = process, room

    def end(self, number: int) -> tuple[int, str, str]:
        """Send a signal and wait; returns exit code, output and errors."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out, err


def gone(pid: int, within_s: float = 20.0) -> bool:
    """Whether a process ends within a time; one that is dead but not yet waited for counts as ended."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] in "ZX":
                return True
        except OSError:
            return True
        time.sleep(0.05)
    return False


def children(pid: int) -> list[int]:
    """Process ids of all children of a process, and of theirs."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(stat.read_text().rsplit(")", 1)[1].split()[1]) == pid:
                found.append(int(stat.parent.name))
        except (OSError, ValueError):
            continue
    return [*found, *(deeper for child in found for deeper in children(child))]


__all__ = [
    "SIMPLE", "Client", "ConnectionClosed", "Opened", "Served", "StillWorker", "children", "command", "gone",
    "layer_of", "picture_of", "power", "scene_file", "served",
]  # fmt: skip
