"""Which shop's store a home hands its records over to, and opening the two together."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.home import data_dir

if TYPE_CHECKING:
    from results.places import Place
    from results.store import Store

STORE_VARIABLE = "MILLIPROOF_STORE"
OPTION = "milliproof.store"  # where --store is kept in click's context


def asked_url() -> str | None:
    """What --store says in the command that is running."""
    context = click.get_current_context(silent=True)
    return context.meta.get(OPTION) if context else None


def store_url() -> str | None:
    """--store, else MILLIPROOF_STORE; None: the home is all there is."""
    asked = asked_url()  # an empty one is refused: whoever typed it meant some store
    return (os.environ.get(STORE_VARIABLE) or None) if asked is None else asked


def open_store(home: Path | None, simulated: bool | None = None) -> Store:
    """The records of a home, together with the shop's store when one is named.

    What could not be handed over is said when the command ends. Raises ResultsError, HomeUnusable.
    """
    return opened_together(data_dir(home), simulated, store_url())


def opened_together(where: Path, simulated: bool | None, url: str | None) -> Store:
    """The same for a home that is known and a URL that the caller has chosen."""
    from results.store import Store

    store = Store.open(where, simulated, url)
    context = click.get_current_context(silent=True)
    if store.shop is not None and context is not None:
        context.call_on_close(_teller(store))
    return store


def named_place(home: Path | None) -> Place:
    """The one store that a command is about: the server's when a URL is named, else the home's."""
    from results.places import in_home, on_server

    url = store_url()
    return on_server(url) if url is not None else in_home(data_dir(home))


def named_store(home: Path | None) -> Store:
    """The same, open. Raises ResultsError, HomeUnusable."""
    from results.store import Store

    return Store.open_place(named_place(home))


def _teller(store: Store) -> Callable[[], None]:
    def tell() -> None:
        from rig.commands.output import say

        if store.shop is not None and store.shop.words:
            say(store.shop.words)

    return tell
