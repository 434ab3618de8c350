"""What goes into a bundle besides records and readings: each kind by a function of its own.

A function takes the store and a record's number and returns files by their names in the bundle:
``photos/<sha256>.<type>``, ``report.pdf`` (``results.bundle.ATTACHED``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from results.record import Record
    from results.store import Store

Attach = Callable[["Store", str], Mapping[str, bytes]]


def photos(store: Store, number: str) -> dict[str, bytes]:
    """The photos that the intakes of a record's part name; they are in the home, not on a server."""
    from results.photos import read

    part = part_of(store, number)
    if store.place.path is None or not part:
        return {}
    home = store.place.path.parent
    named = [one for intake in store.standing(part).of("intake") for one in _named(intake)]
    return {f"photos/{one['sha256']}.{one['type']}": read(home, one) for one in named}


def part_of(store: Store, number: str) -> str:
    """Which part a record is about; of a closing its opening says it. Empty: none."""
    record = store.get(number)
    if record.kind == "closing":
        record = store.get(str(record.body["opening"]))
    return str(record.body.get("part") or "")


def _named(intake: Record) -> list[dict[str, Any]]:
    return list(intake.body.get("photos", ()))


KINDS: tuple[Attach, ...] = (photos,)


def attached(store: Store, number: str) -> dict[str, bytes]:
    """All that there is for a record."""
    return {name: data for kind in KINDS for name, data in kind(store, number).items()}
