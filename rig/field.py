"""Guided isolation at a spa: one step at a time, each on record, until the culprit is known.

The steps come from ``procedures.suspects``. Shut off, lock out and test dead stand before each change.
Nothing here measures or switches: a person does, with the spa's own breaker.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from procedures.suspects import WIRING, Clue, Split, Suspect, order
from results.record import Record
from results.store import Store
from rig.recording import SHOP

KIND = "isolation"
SAFETY = (
    "Shut off the breaker, lock it out, test dead at the terminals. Open up only then.",
    "Wait for capacitors to discharge. Never lift the ground, never bypass the GFCI.",
)
WAITS: dict[str, str] = {  # what to do before it counts as holding; common practice, no source
    "at once": "wait one minute",
    "after minutes": "run everything that is still connected for 20 minutes",
    "on purge": "start the purge and let it run to its end",
    "hot": "heat to the set temperature",
    "at random": "leave it on for a day; a shorter wait proves little",
    "light switched": "switch the light ten times",
}
ANSWERS = ("trips", "holds")
Answer = Callable[[Sequence[str], str], str]


@dataclass(slots=True)
class Isolation:
    """One spa's isolation. ``ask`` shows lines and returns one of ``ANSWERS``; it may raise to stop,
    and what was recorded so far stays."""

    store: Store
    spa: str
    by: str
    clues: Sequence[Clue]
    ask: Answer
    records: list[Record] = field(default_factory=list)

    def find(self, suspects: Sequence[Suspect]) -> str:
        """The culprit's family, ``WIRING``, or empty when nothing tripped any more."""
        self._note("begun", (), "", [f"{one.family} {one.chance:.4f}" for one in suspects])
        if self._step((), "everything connected") == "holds":
            self._note("ended", (), "", ["does not trip now: nothing can be isolated"])
            return ""
        plan: Split | str = order(suspects)
        while isinstance(plan, Split):
            answer = self._step(plan.off, "these disconnected, the others on")
            plan = plan.trips if answer == "trips" else plan.holds
        return self._confirmed(plan, [one for one in suspects if one.family != plan])

    def _confirmed(self, culprit: str, others: Sequence[Suspect]) -> str:
        """With the culprit alone taken away it must hold; else there is more than one."""
        if culprit == WIRING:
            off = tuple(one.family for one in others)
            held = self._step(off, "everything disconnected that can be") == "holds"
        else:
            held = self._step((culprit,), "only this disconnected") == "holds"
        if (culprit == WIRING) is held:
            words = "contradicts the steps before: more than one culprit, or it comes and goes"
            self._note("ended", (), "", [words])
            return ""
        self._note("ended", (), "", [f"culprit: {culprit}"])
        return culprit

    def _step(self, off: tuple[str, ...], what: str) -> str:
        waits = [WAITS[clue] for clue in self.clues] or [WAITS["at once"]]
        lines = [
            *SAFETY,
            f"Disconnect: {', '.join(off)}; insulate the ends." if off else "Disconnect nothing.",
            "Connect all the others. Close up, switch on.",
            f"Then {'; '.join(waits)}.",
        ]
        answer = self.ask(lines, f"Does it trip ({what})?")
        self._note("step", off, answer, lines)
        return answer

    def _note(self, what: str, off: tuple[str, ...], answer: str, words: Sequence[str]) -> None:
        body = {
            "spa": self.spa,
            "by": self.by,
            "what": what,
            "step": sum(one.body["what"] == "step" for one in self.records) + (what == "step"),
            "off": list(off),
            "answer": answer,
            "words": list(words),
            "clues": list(self.clues),
        }
        if self.records:
            body["begun"] = self.records[0].number
        self.records.append(self.store.append(KIND, SHOP, body))
