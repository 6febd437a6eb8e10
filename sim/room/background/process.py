"""A child process of the room that is asked and answers by lines of JSON; see `sim.room.background.worker`."""

from __future__ import annotations

import asyncio
import os
import sys
from contextlib import suppress
from pathlib import Path

from sim.room.background.messages import Answer, Request, answer_from_line, line_from_request

LONGEST_LINE = 1 << 20
END_WITHIN_S = 6.0


class Child:
    """One child; started by `start`, asked by `ask`, heard by `answer`."""

    def __init__(self, *, nice: int = 0, environ: dict[str, str] | None = None) -> None:
        self._nice = nice
        self._environ = environ or {}
        self._process: asyncio.subprocess.Process | None = None

    @property
    def alive(self) -> bool:
        """Whether the child runs."""
        return self._process is not None and self._process.returncode is None

    async def start(self) -> None:
        """Start the child; it waits for requests."""
        home = str(Path(__file__).resolve().parents[3])
        path = os.pathsep.join(filter(None, (home, os.environ.get("PYTHONPATH", ""))))
        command = [sys.executable, "-P", "-W", "ignore", "-m", "sim.room.background.worker"]
        if self._nice and sys.platform != "win32":
            command = ["nice", "-n", str(self._nice), *command]
        self._process = await asyncio.create_subprocess_exec(
            *command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL, limit=LONGEST_LINE,
            env={**os.environ, **self._environ, "PYTHONPATH": path},
            # Keep Ctrl-C in the terminal for the room alone.
            start_new_session=True,
        )  # fmt: skip

    async def ask(self, request: Request) -> None:
        """Send a request."""
        assert self._process is not None and self._process.stdin is not None
        with suppress(BrokenPipeError, ConnectionResetError):
            self._process.stdin.write(line_from_request(request))
            await self._process.stdin.drain()

    async def answer(self) -> Answer | None:
        """The next answer, or None when the child has ended."""
        assert self._process is not None and self._process.stdout is not None
        line = await self._process.stdout.readline()
        return answer_from_line(line) if line.endswith(b"\n") else None

    async def end(self) -> None:
        """End the child: by its closed stdin and a request, in the end by force."""
        process = self._process
        if process is None or process.returncode is not None:
            return
        with suppress(ProcessLookupError):
            process.terminate()
        try:
            await asyncio.wait_for(process.wait(), END_WITHIN_S)
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
