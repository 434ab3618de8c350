"""What may become of a part: what a disposition has to agree with, and what no person can override.

The shop's rules (P). They are asked inside of the transaction that stores the record, so that nothing
comes between the question and the answer, and no caller can leave them out.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import Connection

from results import custody
from results.custody import Standing
from results.errors import BadRecord

Body = Mapping[str, Any]
RESELL = "resell"
WHAT = (
    *(RESELL, "no fault found", "return to owner", "repair", "dry and retest"),
    *("warranty claim", "hold", "scrap"),
)
ALWAYS = ("hold", "return to owner")  # it is somebody's; the tag says what is wrong with it
# the procedure's proposal, by how it begins: what a single person may decide
AGREES: Mapping[str, tuple[str, ...]] = {
    "resell": (RESELL, "no fault found"),
    "no fault found": ("no fault found",),
    "hold": ("dry and retest", "repair"),
    "dry and retest": ("dry and retest", "repair"),
    "repair": ("repair", "scrap"),
    "warranty claim": ("warranty claim", "scrap"),
    "": ("dry and retest", "repair"),
}
FAILED = ("scrap", "repair")  # of what else is proposed for a part that failed
NEVER_SOLD = ("gfci",)  # shop policy: a used protective device is a diagnosis, never goods


def refusals(part: Standing) -> list[str]:
    """Everything that speaks against selling a part, in words; nobody can override any of it."""
    newest = part.counted
    found = (
        (part.intake.body["family"] in NEVER_SOLD, "a used GFCI is never resold (shop policy)"),
        (bool(part.simulated), "its records are simulated"),
        (newest is None, "it was never proved"),
        (newest is not None and newest.verdict is None, "an attempt on it is still open"),
        (
            newest is not None and newest.verdict in ("fail", "none"),
            f"its newest attempt that counts is no pass but {_said(part)}",
        ),
        (_came_in_again(part), "it came in again since it passed: prove it again"),
    )
    words = [what for bad, what in found if bad]
    words += [f"recalled ({one.number}): {one.body['reason']}" for one in part.recalls]
    words += [f"in quarantine ({q.number}): {q.body['reason']}" for q in part.quarantines]
    return words


def _said(part: Standing) -> str:
    newest = part.counted
    if newest is None:
        return ""
    return f"{newest.verdict} ({newest.closing}: {newest.reason})"


def _came_in_again(part: Standing) -> bool:
    newest = part.counted
    return newest is not None and part.after(part.intake.number, newest.number)


def two_persons(body: Body, why: str) -> None:
    """Raise BadRecord unless the body's override has a reason and a second person's name."""
    given = body.get("override") or {}
    reason, second = (str(given.get(name, "")).strip() for name in ("reason", "second"))
    where, remedy = f"part {body['part']}", "give a reason, and a second person's name"
    if not reason or not second:
        raise BadRecord(where, f"{why}: it takes an override", remedy)
    if " ".join(second.casefold().split()) == " ".join(str(body["by"]).casefold().split()):
        raise BadRecord(where, f"{second} can't be the second person too", remedy)


# ---- what each kind must agree with ---------------------------------------------------------------


def of_disposition(part: Standing, body: Body, _at_ms: int) -> Body:
    """Checked and completed: which attempt it rests on, and what that proposed."""
    if body["what"] not in WHAT:
        known = ", ".join(WHAT)
        raise BadRecord(f"disposition {body['what']!r}", "unknown", f"use one of {known}")
    newest = part.counted
    proposed = newest.disposition if newest else ""
    if body["what"] == RESELL:
        _refuse(part)
    if body["what"] not in allowed(part):
        was = proposed or "nothing: no attempt has told"
        two_persons(body, f"{body['what']} is not what was proposed ({was})")
    closing = (newest.closing or "") if newest else ""
    return {**body, "part": part.part, "closing": closing, "proposed": proposed}


def allowed(part: Standing) -> tuple[str, ...]:
    """Which dispositions one person may decide; the others take two."""
    newest = part.counted
    proposed = newest.disposition if newest else ""
    failed = newest is not None and newest.verdict == "fail"
    begun = (more for name, more in AGREES.items() if name and proposed.startswith(name))
    agreed = next(begun, AGREES[""] if not proposed else ())
    return (*ALWAYS, *agreed, *(FAILED if failed else ()))


def _refuse(part: Standing) -> None:
    against = refusals(part)
    if against:
        raise BadRecord(f"part {part.part}", f"can't be resold: {'; '.join(against)}")


def of_sale(part: Standing, body: Body, _at_ms: int) -> Body:
    """A sale rests on a disposition to resell that still holds."""
    _refuse(part)
    decided, newest = part.disposition, part.counted
    if decided is None or decided.body["what"] != RESELL:
        raise BadRecord(f"part {part.part}", "has no disposition to resell", "dispose it first")
    if newest is not None and decided.body["closing"] != newest.closing:
        raise BadRecord(f"part {part.part}", "was tried again since", "dispose it again")
    if part.of("sale") and part.after(part.of("sale")[0].number, decided.number):
        raise BadRecord(f"part {part.part}", f"was sold already ({part.of('sale')[0].number})")
    return {**body, "part": part.part, "disposition": decided.number}


def of_quarantine(part: Standing, body: Body, at_ms: int) -> Body:
    """A date to check it again is a must, and lies ahead."""
    today = datetime.datetime.fromtimestamp(at_ms / 1000, datetime.UTC).date()
    try:
        due = datetime.date.fromisoformat(body["recheck"])
    except ValueError as fault:
        remedy = "give a date such as 2026-03-31"
        raise BadRecord(f"recheck {body['recheck']!r}", "is no date", remedy) from fault
    if due < today:
        raise BadRecord(f"recheck {body['recheck']}", "has passed", "give a day to come")
    return {**body, "part": part.part}


def of_release(part: Standing, body: Body, _at_ms: int) -> Body:
    """Released by a pass since, or by two persons."""
    held = part.quarantines
    if not held:
        raise BadRecord(f"part {part.part}", "is not in quarantine")
    newest = part.counted
    since = newest is not None and part.after(newest.number, held[0].number)
    passed = since and newest is not None and newest.verdict == "pass"
    if not passed:
        two_persons(body, "it has not passed since it was put there")
    closing = (newest.closing or "") if passed and newest else ""
    names = [one.number for one in held]
    return {**body, "part": part.part, "quarantine": names, "closing": closing}


def of_custody(part: Standing, body: Body, _at_ms: int) -> Body:
    """From whom it comes is known."""
    return {"from": part.holder, **body, "part": part.part}


CHECKS: Mapping[str, Callable[[Standing, Body, int], Body]] = {
    "custody": of_custody,
    "disposition": of_disposition,
    "sale": of_sale,
    "quarantine": of_quarantine,
    "release": of_release,
}


def checked(
    connection: Connection, kind: str, body: Body, at_ms: int, simulated: bool | None
) -> Body:
    """A body of one of these kinds, checked against the part's records and completed.

    Raises BadRecord, NotFound.
    """
    if not str(body["by"]).strip():
        raise BadRecord(f"{kind} record", "names nobody", "say who: --by")
    part = custody.standing(connection, str(body["part"]), simulated)
    return CHECKS[kind](part, body, at_ms)
