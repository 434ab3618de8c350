"""Where a part stands: who has it, what was decided about it, and what speaks against selling it.

Read-only. Everything here follows from records; nothing is kept besides. Kinds and bodies::

    custody      part, to, by; from, place, note where given
    disposition  part, what, by; closing and proposed (filled in by the store), override, note
    sale         part, buyer, by; disposition (filled in), price_minor and currency where given
    quarantine   part, reason, by, recheck (a date); closing (the pass in doubt), proof where one failed
    release      part, reason, by; quarantine, closing (filled in), override
    recall       family, model, date_code, serial ("" is any; a serial is a beginning), reason, by
    amendment    amends (a record's number), words, by; part where it is about one
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, select

from results import history
from results.errors import NotFound
from results.history import Attempt, Filters
from results.record import Record, folded, place_of
from results.tables import RECORDS

R = RECORDS.c
COUNTED = ("pass", "fail", "none")


@dataclass(frozen=True, slots=True)
class Standing:
    """One part as its records have it. ``records``: all that name it, oldest first, but closings;
    ``attempts`` newest first."""

    part: str
    intake: Record
    records: Sequence[Record]
    attempts: Sequence[Attempt]
    recalls: Sequence[Record]
    simulated: bool | None

    def of(self, kind: str) -> list[Record]:
        """Its records of one kind, newest first."""
        return [one for one in reversed(self.records) if one.kind == kind]

    @property
    def holder(self) -> str:
        """Who has it: the buyer, else whom it was handed to last; "" where nothing says so."""
        for one in reversed(self.records):
            if one.kind in ("custody", "sale"):
                return str(one.body["buyer" if one.kind == "sale" else "to"])
        return ""

    @property
    def quarantines(self) -> list[Record]:
        """Those that nobody has released it from, newest first."""
        released = {name for one in self.of("release") for name in one.body.get("quarantine", ())}
        return [one for one in self.of("quarantine") if one.number not in released]

    @property
    def disposition(self) -> Record | None:
        """The newest one."""
        return next(iter(self.of("disposition")), None)

    @property
    def counted(self) -> Attempt | None:
        """The newest attempt that proved anything, or is still open."""
        return next((a for a in self.attempts if a.verdict in (None, *COUNTED)), None)

    def after(self, later: str, earlier: str) -> bool:
        """Whether one of its records came after another, in the order of arrival."""
        places = [one.number for one in self.records]
        return places.index(later) > places.index(earlier)


def standing(connection: Connection, number: str, simulated: bool | None) -> Standing:
    """How a part stands; ``simulated``: what the home holds. Raises NotFound, ChainBroken."""
    known = history.parts(connection, [place_of(number)])
    if not known:
        raise NotFound(f"part {number}", "not registered in this home", "register it: intake")
    part = str(known[0].body["part"])
    query = select(R.json, R.sha256).where(R.part == place_of(part)).order_by(R.id)
    rows = connection.execute(query).all()
    return Standing(
        part,
        known[0],
        [history.whole(row.json, row.sha256) for row in rows],
        history.attempts(connection, None, Filters(part=part)),
        recalls_of(connection, known[0]),
        simulated,
    )


def recalls_of(connection: Connection, intake: Record) -> list[Record]:
    """The recall notices that a part falls under, newest first."""
    notices = history.of_kind(connection, "recall", None, None)
    return [one for one in notices if _falls_under(intake, one)]


def _falls_under(intake: Record, recall: Record) -> bool:
    """Whatever a notice names must fit; what the plate doesn't tell may fit, so it counts as fitting."""
    plate = {name: folded(str(intake.body.get(name, ""))) for name in MATCHED}
    named = {name: folded(str(recall.body[name])) for name in MATCHED}
    return all(
        not named[name] or not plate[name] or plate[name].startswith(named[name])
        if name == "serial"
        else named[name] in ("", plate[name]) or not plate[name]
        for name in MATCHED
    )


MATCHED = ("family", "model", "date_code", "serial")
