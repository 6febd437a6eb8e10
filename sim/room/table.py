"""How the panes of the page were left, kept in the user's state folder from one time to the next."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from pydantic import ValidationError

from sim.quantities.atomic_write import write_whole
from sim.room.document.state_folder import bytes_from_file
from sim.room.protocol.messages import Table
from sim.room.protocol.requests import KeepTable

TABLE_FILE = "table.json"
MOST_BYTES = 10_000


def table_message(state_folder: Path) -> Table:
    """What the last page left; everything open at its usual size where nothing was kept or it cannot be read."""
    try:
        data = json.loads(bytes_from_file(state_folder / TABLE_FILE, MOST_BYTES))
        kept = KeepTable.model_validate({"type": "keep_table", **data})
    except (OSError, ValueError, TypeError, RecursionError, ValidationError):
        kept = KeepTable(type="keep_table", folded=(), sizes={})
    return {"type": "table", "folded": list(kept.folded), "sizes": dict(kept.sizes)}


def keep_table(state_folder: Path, kept: KeepTable) -> None:
    """Keep how the panes stand; a folder that cannot be written to costs no more than that."""
    data = json.dumps({"folded": list(kept.folded), "sizes": kept.sizes}).encode()
    with suppress(OSError):
        state_folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(state_folder / TABLE_FILE, data, private=True)
