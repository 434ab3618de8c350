"""What the hands of a virtual bench do when a prompt asks for more than a word: by the prompt's key.

A person at a real bench does it and answers; here the same prompt moves the plant.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from procedures.commissioning_dead import INTERLOCKS


class Deed(NamedTuple):
    """An act of the control channel's ``hands`` with what it takes."""

    act: str
    how: Mapping[str, Any]


OPEN_LID, CLOSE_LID = Deed("lid", {"closed": False}), Deed("lid", {"closed": True})


def _interlock(key: str) -> Iterator[Deed]:
    """Keys like ``open level_ok`` and ``close level_ok``; for ARM, open means pressed."""
    verb, _, name = key.partition(" ")
    if verb in ("open", "close") and name in (*INTERLOCKS, "gfci_live"):
        yield Deed("interlock", {"name": name, "opened": verb == "open"})


def deeds(key: str, bay: int) -> tuple[Deed, ...]:
    """What to do, in order; empty for a question that only wants an answer."""
    empty = (OPEN_LID, Deed("unmount", {"bay": bay}))
    by_key: Mapping[str, tuple[Deed, ...]] = {
        "bay_empty": empty,
        "no_mains": (*empty, CLOSE_LID, Deed("supply", {"v": 0.0})),
        "extra_low": (Deed("supply", {"v": 24.0}),),
        "mains_lamp": (*empty, Deed("lamp", {"bay": bay}), CLOSE_LID, Deed("supply", {"v": 120.0})),
        "lamp_out": (*empty, CLOSE_LID),
    }
    return by_key.get(key) or tuple(_interlock(key))
