"""The command that says where traced light is kept between runs, how much of it there is, and empties that place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from sim.quantities.errors import HalfstopError, one_line
from sim.quantities.open_file import size_text

if TYPE_CHECKING:
    from sim.render.cache.disk import Entry, LayerStore


def add_commands(app: typer.Typer) -> None:
    """Register the command of this module."""
    app.command()(cache)


def cache(
    clear: Annotated[bool, typer.Option("--clear", help="Remove all that is kept; the next run traces anew.")] = False,
) -> None:
    """Say where traced light is kept from run to run, and how much; --clear empties it."""
    from sim.render.cache.disk import store_from_environment

    store = store_from_environment()
    if clear and store is not None:
        print(cleared_line(store))
    else:
        print(f"cache: {cache_text(store)}")


def cache_text(store: LayerStore | None) -> str:
    """Place and size of what is kept, as the rest of a line."""
    if store is None:
        return "off: every run traces anew; HALFSTOP_CACHE names a folder to keep layers in"
    try:
        entries = store.entries()
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        return one_line(f"{store.folder}: cannot be used ({why}): every run traces anew; HALFSTOP_CACHE names another")
    return one_line(f"{store.folder}: {_amount(entries)}, at most {size_text(store.limit_bytes)}")


def cleared_line(store: LayerStore) -> str:
    """Empty the store; what went, as a line. Raises `HalfstopError` where something stayed."""
    try:
        gone, stayed = store.clear()
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        raise HalfstopError(f"{store.folder}: cannot be read ({why}); HALFSTOP_CACHE names another") from None
    if stayed:
        raise HalfstopError(
            f"{store.folder}: {_amount(gone)} removed, {_amount(stayed)} may not be removed by this user; "
            "remove the folder as its owner"
        )
    return one_line(f"cache: {store.folder}: {_amount(gone)} removed")


def cache_line(environ: Mapping[str, str]) -> str:
    """The line that `halfstop doctor` has on it."""
    from sim.render.cache.disk import store_from_environment

    return f"cache: {cache_text(store_from_environment(environ))}; halfstop cache --clear empties it"


def _amount(entries: Sequence[Entry]) -> str:
    count = len(entries)
    return f"{count} {'entry' if count == 1 else 'entries'}, {size_text(sum(entry.size_bytes for entry in entries))}"
