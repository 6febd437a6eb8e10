"""Where the room keeps what is not saved yet, from session to session."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from sim.quantities.errors import HalfstopError


def state_folder_from_environment(environ: Mapping[str, str] = os.environ) -> Path:
    """The user's folder for journals: HALFSTOP_STATE, or the place that the XDG base directories give for state.

    Source: XDG Base Directory Specification 0.8, `$XDG_STATE_HOME`, default `$HOME/.local/state`.
    Does not: make the folder.
    """
    asked, state_home, home = (environ.get(name, "").strip() for name in ("HALFSTOP_STATE", "XDG_STATE_HOME", "HOME"))
    if asked:
        return Path(asked).expanduser()
    # The specification has relative paths ignored.
    if state_home and Path(state_home).is_absolute():
        return Path(state_home) / "halfstop" / "room"
    if home:
        return Path(home) / ".local" / "state" / "halfstop" / "room"
    raise HalfstopError("there is no home folder to keep unsaved changes in; set HALFSTOP_STATE to a folder")
