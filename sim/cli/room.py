"""The command that opens a scene as a page in the browser: the rehearsal room."""

from __future__ import annotations

import os
import sys
import threading
import webbrowser
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

SceneArgument = Annotated[Path, typer.Argument(metavar="SCENE", help="Scene file, such as my-portrait.yaml.")]


def add_commands(app: typer.Typer) -> None:
    """Register the commands of this module."""
    app.command(name="open")(open_room)


def open_room(
    scene: SceneArgument,
    port: Annotated[
        int, typer.Option(metavar="N", min=0, max=65535, help="Port on this machine; 0 takes a free one.")
    ] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
    size: Annotated[int, typer.Option(metavar="PIXELS", min=60, max=1600, help="Long side of the picture.")] = 600,
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder that exports go to, in a folder of the scene's name.")
    ] = Path("out"),
) -> None:
    """Open a scene on a sheet in the browser: move lights, see the picture, read the meters, save.

    Serves this machine alone, until Ctrl-C; changes that are not saved are kept and offered next time.
    """
    import asyncio

    from sim.render.cache.disk import store_from_environment
    from sim.room.app import bound_socket, serve
    from sim.room.document.state_folder import state_folder_from_environment
    from sim.room.gate import new_token
    from sim.scene.read import load_scene

    # Refuse a bad scene before anything is started.
    load_scene(scene)
    from sim.room.session import RoomSession

    listener = bound_socket(port)

    async def run() -> bool:
        session = RoomSession(
            scene, state_folder_from_environment(), out=out, long_side_px=size, store=store_from_environment()
        )
        await serve(session, listener, new_token(), lambda address: _tell(scene, address, not no_browser))
        return session.saved

    try:
        saved = asyncio.run(run())
    finally:
        listener.close()
    kept = "everything is saved" if saved else (
        "changes that are not saved are kept, and offered when the scene is opened again"
    )  # fmt: skip
    print(f"closed; {kept}", flush=True)


def _tell(scene: Path, address: str, wants_browser: bool) -> None:
    print(f"{scene} is open at {address}", flush=True)
    print("End it with Ctrl-C.", flush=True)
    if wants_browser and has_browser():
        # Some browsers take their time before the call returns.
        threading.Thread(target=_open_browser, args=(address,), daemon=True).start()


def _open_browser(address: str) -> None:
    with suppress(webbrowser.Error, OSError):
        webbrowser.open(address)


def has_browser() -> bool:
    """Whether a browser with windows can be opened here; one in the terminal would take the terminal."""
    if sys.platform.startswith("linux") and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return False
    with suppress(webbrowser.Error):
        return webbrowser.get() is not None
    return False
