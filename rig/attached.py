"""What goes into a bundle besides records and readings: each kind by a function of its own.

A function takes the store and a record's number and returns files by their names in the bundle:
``photos/<sha256>.<type>``, ``report.pdf`` (``results.bundle.ATTACHED``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from results.store import Store

Attach = Callable[["Store", str], Mapping[str, bytes]]
KINDS: tuple[Attach, ...] = ()


def attached(store: Store, number: str) -> dict[str, bytes]:
    """All that there is for a record."""
    return {name: data for kind in KINDS for name, data in kind(store, number).items()}
