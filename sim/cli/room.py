"""The command that opens a scene as a page in the browser: the rehearsal room."""

from __future__ import annotations

import os
import shlex
import sys
import threading
import webbrowser
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sim.quantities.errors import HalfstopError

if TYPE_CHECKING:
    from sim.room.home.folders import Folders

PlacesArgument = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="[SCENE] [FOLDER]...",
        help="Scene file, such as my-portrait.yaml, and folders that the page may open and save in; without a scene, a "
        "start page; without anything, the current folder.",
        show_default=False,
    ),
]


def add_commands(app: typer.Typer) -> None:
    """Register the commands of this module."""
    app.command(name="open")(open_room)


def open_room(
    places: PlacesArgument = None,
    port: Annotated[
        int, typer.Option(metavar="N", min=0, max=65535, help="Port on this machine; 0 takes a free one.")
    ] = 0,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
    size: Annotated[
        int | None,
        typer.Option(
            metavar="PIXELS", min=60, max=1600, help="Long side of the picture; without it, that at which it is shown."
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder that exports go to, in a folder of the scene's name.")
    ] = Path("out"),
) -> None:
    """Open a scene in the browser: move lights, see the picture, read the meters, save; or choose one on a start page.

    Serves this machine alone, until Ctrl-C; changes that are not saved are kept and offered next time.
    """
    import asyncio

    from sim.render.cache.disk import store_from_environment
    from sim.room.app import bound_socket, serve
    from sim.room.document.state_folder import state_folder_from_environment
    from sim.room.gate import new_token
    from sim.scene.read import load_scene

    scene, folders = _scene_and_folders(places or [])
    # Refuse a bad scene before anything is started.
    if scene is not None:
        load_scene(scene)
    from sim.room.session import RoomSession
    from sim.room.way_back import WayBack

    state = state_folder_from_environment()
    command = shlex.join(["halfstop", "open", *(str(place.absolute()) for place in places or folders.roots)])
    # A page that lost an earlier run looks for this one on the same port.
    listener = bound_socket(port, rather=WayBack(state, scene or folders.roots[0]).port)

    async def run() -> bool:
        session = RoomSession(
            scene, state, folders=folders, command=command, out=out, long_side_px=size,
            store=store_from_environment(),
        )  # fmt: skip
        what = str(scene or "halfstop")
        await serve(session, listener, new_token(), lambda address: _tell(what, address, not no_browser))
        return session.saved

    try:
        saved = asyncio.run(run())
    finally:
        listener.close()
    kept = "everything is saved" if saved else (
        "changes that are not saved are kept, and offered when the scene is opened again"
    )  # fmt: skip
    print(f"closed; {kept}", flush=True)


def _scene_and_folders(places: list[Path]) -> tuple[Path | None, Folders]:
    """The scene file among what was named, if there is one, and the folders: its own, or the current one at least."""
    from sim.room.home.folders import Folders

    named = [place for place in places if place.is_dir()]
    scenes = [place for place in places if place not in named]
    if len(scenes) > 1:
        what = f"{scenes[1]}: a second scene; one is open at a time"
        raise HalfstopError(f"{what}: name one scene, and any number of folders")
    own = [scenes[0].parent] if scenes else []
    return (scenes[0] if scenes else None), Folders.named([*own, *named] or [Path()])


def _tell(scene: str, address: str, wants_browser: bool) -> None:
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
