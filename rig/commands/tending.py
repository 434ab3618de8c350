"""Who answers the prompts of a command, and the words that stand around every run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.commands.output import say
from rig.errors import RigError
from rig.hands import Person, VirtualHands
from rig.scan_loop import Tender

if TYPE_CHECKING:
    from rich.progress import Progress

    from rig.proving import Place

BEFORE = "Software is not protection. Do not open. Lock out, test before touch."
AFTER = (
    "Before you reach in: lock out and tag out, test before touch. Local codes and licensed practice "
    "come first."
)


class YesOnlyVirtual(RigError):
    """--yes on a bench that has not proved to be virtual."""


def refuse_yes(place: Place, yes: bool) -> None:
    """--yes is for virtual benches only."""
    if yes and not place.ours.virtual:
        raise YesOnlyVirtual(
            "--yes",
            f"bench {place.bench.id} shows no run token: it is not a virtual bench",
            "leave --yes away and answer the prompts",
        )


def tender_for(place: Place, bay: int, yes: bool, progress: Progress) -> Tender:
    """A person, or the hands of a virtual bench; with --yes these answer the questions too. While a
    question stands, the live lines of ``progress`` pause."""
    person = Person(say, lambda stands: progress.stop() if stands else progress.start())
    if place.ours.remote is None:
        return person
    return VirtualHands(place.ours.remote, bay, None if yes else person)


def caution(place: Place, words: str) -> None:
    """Say the caution, and that all of it is simulated where it is."""
    if place.ours.virtual:
        say("SIMULATED: a virtual bench; nothing here says anything about a real part.")
    say(words)
