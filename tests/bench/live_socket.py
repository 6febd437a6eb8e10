"""Moves of a hand through the room's socket, as fast as they are drawn, without a browser: see `tests.bench.live`."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import websockets.sync.client

from sim.scene.read import load_scene
from tests.bench.live_page import summary
from tests.bench.served import memory_mb, served

LONG_SIDE_PX, SAMPLES = 600, 8
# Moves before memory is looked at for the first time: by then all that is kept has been made.
SETTLED_AFTER = 1000


def socket_times(scene_file: Path, moves: int) -> dict[str, Any]:
    """Live pictures a second while a hand moves so often, and how much memory server and worker take on meanwhile."""
    light, where = next((name, each.place.position_m) for name, each in load_scene(scene_file).lights.items())
    with served(scene_file, LONG_SIDE_PX, SAMPLES) as room:
        parts = urlsplit(room.address)
        room.rest()
        with websockets.sync.client.connect(
            f"ws://{parts.netloc}{parts.path}room", origin=f"http://{parts.netloc}", max_size=1 << 26, proxy=None
        ) as socket:
            time.sleep(5.0)
            pids, before, drawn = room.pids(), {}, 0
            began_s = time.monotonic()
            for number in range(moves):
                if number == min(SETTLED_AFTER, moves // 2):
                    before = {name: memory_mb(pid) for name, pid in pids.items()}
                drawn += _move(socket, light, where, number)
            rate = drawn / (time.monotonic() - began_s)
            after = {name: memory_mb(pid) for name, pid in pids.items()}
            socket.send(json.dumps({"type": "let_go"}))
    grown = {f"{name}_moves_mb": summary([after[name] - before[name]]) for name in pids}
    return {"socket_per_s": summary([rate], most=False), **grown}


def _move(socket: Any, light: str, where: tuple[float, float, float], number: int) -> int:
    """Send one place of a light, take in and answer what has come; returns how many live pictures that were."""
    x, y, z = where
    to_m = [x + 0.3 * math.sin(number / 9), y, z + 0.2 * math.sin(number / 7)]
    socket.send(json.dumps({"type": "hand", "poses": [{"op": "move", "what": ["light", light], "to_m": to_m}]}))
    drawn, end_s = 0, time.monotonic() + 1 / 60
    while (left_s := end_s - time.monotonic()) > 0:
        try:
            data = socket.recv(timeout=left_s)
        except TimeoutError:
            break
        if isinstance(data, bytes):
            head = json.loads(data[4 : 4 + int.from_bytes(data[:4], "little")])
            socket.send(json.dumps({"type": "drawn", "serial": head["serial"]}))
            drawn += 1
    return drawn
