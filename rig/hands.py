"""Who answers prompts and works lid, arm and reset: a person at the bench, or a virtual bench's hands.

Both are called once per scan and never block it. The virtual hands see the part only as a technician
would: by its serial number and by looking; what is wrong with it stays in the virtual bench.
"""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.errors import Refused
from drivers.virtual.remote import RemoteBench
from procedures.scan import Ask
from rig.deeds import deeds
from rig.guard_seen import Decision
from rig.scan_loop import Tender

ARM_AGAIN_SCANS = 150
END = "\x04"  # what the reader leaves when no line can come any more
NEEDS = {
    "arm": "Close the lid. Release ARM, then press and hold it until the bench says it is on.",
    "reset_gfci": "The GFCI has opened. Reset it by hand.",
}


@dataclass(slots=True)
class VirtualHands(Tender):
    """The hands of a virtual bench, through its control channel, for one bay. With ``person``, the
    questions go to that person and the hands only work lid, arm and reset."""

    remote: RemoteBench
    bay: int
    person: Person | None = None
    pressed_scans: int = -1  # -1: not pressing
    gone: str = ""
    done: str = ""  # the question whose deeds are done

    def answers_as(self) -> str:
        """The hands, unless a person answers."""
        return "" if self.person else "the virtual bench's hands"

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        """Do what a person would do now."""
        if self.pressed_scans >= 0:
            self._hold(decision)
        elif decision.person_needed == "arm":
            self._press()
        elif decision.person_needed == "reset_gfci":
            self.remote.hands("reset_gfci")
        if ask is None or ask.key in answers:
            self.done = ""
            return False
        if not self._did(ask):
            return False
        if self.person is not None and ask.key != "reset_gfci":
            waiting = self.person.answer(ask, answers)
            self.gone = self.person.gone  # the hands stay; the person may go
            return waiting
        answers[ask.key] = self._answer(ask)
        return False

    def _press(self) -> None:
        """Two scans: the guard must see the button released before it sees it pressed."""
        if self.pressed_scans == -1:
            self.remote.hands("lid", closed=True)
            self.remote.hands("arm", pressed=False)
            self.pressed_scans = 0

    def _hold(self, decision: Decision) -> None:
        self.pressed_scans += 1
        if self.pressed_scans == 3:
            self.remote.hands("arm", pressed=True)
        if decision.state in ("live", "testing") or self.pressed_scans > ARM_AGAIN_SCANS:
            self.remote.hands("arm", pressed=False)
            self.pressed_scans = -1

    def _answer(self, ask: Ask) -> str | float:
        if ask.key == "reset_gfci":
            self.remote.hands("reset_gfci")
            return "yes"
        seen = self.remote.hands("eyes", key=ask.key, bay=self.bay)
        return float(seen) if ask.kind == "number" else seen

    def _did(self, ask: Ask) -> bool:
        """Do what the question asks for, once; not while the lid is locked."""
        if self.done == ask.key:
            return True
        try:
            for deed in deeds(ask.key, self.bay):
                self.remote.hands(deed.act, **deed.how)
        except Refused:  # again at the next scan; the question has its deadline
            return False
        self.done = ask.key
        return True


def _read_line(lines: queue.SimpleQueue[str]) -> None:
    with contextlib.suppress(OSError, ValueError):  # closed, in any of its ways
        for line in sys.stdin:
            lines.put(line.strip())
    lines.put(END)


@dataclass(slots=True)
class Person(Tender):
    """A person at a terminal. ``say`` prints a prompt; answers come in by a thread of their own.
    ``asking`` is told when a question begins to stand and when it is answered, so that a live line
    leaves the cursor alone."""

    say: Callable[[str], None]
    asking: Callable[[bool], None] = lambda _stands: None
    lines: queue.SimpleQueue[str] = field(default_factory=queue.SimpleQueue)
    reader: threading.Thread | None = None
    said: str = ""
    gone: str = ""
    stands: bool = False

    def tend(self, ask: Ask | None, decision: Decision, answers: dict[str, str | float]) -> bool:
        """Say once what is needed; take a line when one has been typed."""
        if decision.person_needed:
            self._say_once(NEEDS[decision.person_needed])
        asked = ask is not None and ask.key not in answers and self.answer(ask, answers)
        return asked or bool(decision.person_needed)

    def answer(self, ask: Ask, answers: dict[str, str | float]) -> bool:
        """Put the question once; take the line that was typed. True while it is not answered."""
        self._listen()
        self._ask(True)
        self._say_once(_words(ask))
        if not self.lines.empty():
            self._take(ask, self.lines.get(), answers)
        self._ask(ask.key not in answers)
        return ask.key not in answers

    def _ask(self, stands: bool) -> None:
        if stands != self.stands:
            self.stands = stands
            self.asking(stands)

    def _listen(self) -> None:
        if self.reader is None:
            self.reader = threading.Thread(target=_read_line, args=(self.lines,), daemon=True)
            self.reader.start()

    def _say_once(self, words: str) -> None:
        if words != self.said:
            self.said = words
            self.say(words)

    def _take(self, ask: Ask, line: str, answers: dict[str, str | float]) -> None:
        if line == END:
            self.gone = f"standard input is closed: nobody can answer '{ask.words}'"
            return
        answer = parse_answer(ask, line)
        if answer is None:
            self.said = ""  # say it again
            self.say(f"'{line}' is no answer to that.")
            return
        self.said = ""
        answers[ask.key] = answer


def _words(ask: Ask) -> str:
    kinds = {
        "confirm": "[yes]",
        "choice": " | ".join(f"{n}: {c}" for n, c in enumerate(ask.choices, 1)),
        "number": f"[{ask.unit}]",
    }
    return f"{ask.words} {kinds[ask.kind]}"


def parse_answer(ask: Ask, line: str) -> str | float | None:
    """The answer that a typed line gives, or None when it gives none."""
    word = line.strip().lower()
    if ask.kind == "confirm":
        return "yes" if word in ("y", "yes") else None
    if ask.kind == "choice":
        by_number = {str(n): choice for n, choice in enumerate(ask.choices, 1)}
        return by_number.get(word) or next((c for c in ask.choices if c.lower() == word), None)
    return _number(word)


def _number(word: str) -> float | None:
    try:
        value = float(word)
    except ValueError:
        return None
    return value if abs(value) < 1e12 else None  # refuses nan and infinity too
