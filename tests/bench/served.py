"""A room served from a process of its own, so that what is measured in a page competes with no measuring.

`python -m tests.bench.served SCENE STATE_FOLDER LONG_SIDE_PX SAMPLES` prints the address, then answers lines:

    rest    printed once nothing is traced or metered
    pids    process ids: the server's own and that of the worker's child
    end     ends
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sim.quantities.errors import HalfstopError

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 300.0


class Room:
    """A room in another process: its `address`, and what is asked of it."""

    def __init__(self, process: subprocess.Popen[str], address: str) -> None:
        self._process, self.address = process, address

    def ask(self, line: str) -> str:
        """The answer to a line."""
        assert self._process.stdin is not None and self._process.stdout is not None
        print(line, file=self._process.stdin, flush=True)
        return self._process.stdout.readline().strip()

    def rest(self) -> None:
        """Wait until nothing is traced or metered."""
        if self.ask("rest") != "rested":
            raise HalfstopError("the worker came to no rest")

    def pids(self) -> dict[str, int]:
        """Process ids of `server` and `worker`."""
        found: dict[str, int] = json.loads(self.ask("pids"))
        return found


@contextmanager
def served(scene_file: Path, long_side_px: int, samples: int) -> Iterator[Room]:
    """A copy of a scene served by a child process; ended on leaving."""
    with tempfile.TemporaryDirectory(prefix="halfstop-bench-") as folder:
        copy, state = Path(folder) / scene_file.name, Path(folder) / "state"
        shutil.copy(scene_file, copy)
        state.mkdir()
        (state / "tour-done").touch()
        command = [sys.executable, "-P", "-m", "tests.bench.served", str(copy), str(state), str(long_side_px)]
        process = subprocess.Popen(
            [*command, str(samples)], cwd=ROOT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert process.stdin is not None and process.stdout is not None
        try:
            address = process.stdout.readline().strip()
            if not address:
                raise HalfstopError("the room could not be served")
            yield Room(process, address)
        finally:
            # Its end of input ends it.
            process.stdin.close()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            process.stdout.close()


def process_s(pids: Iterable[int]) -> float:
    """Processor time (s) that processes have taken so far, all threads together."""
    fields = [Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split() for pid in pids]
    return sum(int(each[11]) + int(each[12]) for each in fields) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Memory (MB) that a process holds now."""
    lines = Path(f"/proc/{pid}/status").read_text("utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1000


# -- in the child --------------------------------------------------------------------------------


async def _serve(scene: Path, state: Path, long_side_px: int, samples: int) -> None:
    from sim.room.app import bound_socket, serve
    from sim.room.gate import new_token
    from sim.room.session import RoomSession

    session = RoomSession(
        scene, state, out=state.parent / "out", long_side_px=long_side_px, samples=samples,
        environ={"HALFSTOP_CACHE": "off"}, fill_library=False,
    )  # fmt: skip
    loop = asyncio.get_running_loop()

    def on_ready(address: str) -> None:
        print(address, flush=True)
        threading.Thread(target=_answer, args=(session, loop), daemon=True).start()

    await serve(session, bound_socket(), new_token(), on_ready)


def _answer(session: Any, loop: asyncio.AbstractEventLoop) -> None:
    async def rest() -> str:
        end_s = loop.time() + PATIENCE_S
        while not session.preview.resting:
            if loop.time() > end_s:
                return "restless"
            await asyncio.sleep(0.05)
        return "rested"

    for line in sys.stdin:
        match line.strip():
            case "rest":
                print(asyncio.run_coroutine_threadsafe(rest(), loop).result(), flush=True)
            case "pids":
                worker = session.preview._worker
                print(json.dumps({"server": os.getpid(), "worker": worker.child_pid}), flush=True)
            case "end":
                break
    loop.call_soon_threadsafe(session.on_end)


if __name__ == "__main__":
    asyncio.run(_serve(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])))
