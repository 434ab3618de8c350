"""Cautions that a person confirms: the family's before anything is energised, lockout at the end.

Wrapped around every procedure. A caution that scrolls past protects nobody; a confirmed one is no
protection either, but somebody has read it, and the record says who and when.
"""

from __future__ import annotations

from collections.abc import Callable, Generator

from procedures.scan import Ask, Demand, Outcome, Procedure, Scan

BEFORE, END = "cautions", "cautions_end"
PATIENT_S = 86_400.0  # nothing is on; a soak may end at night
END_ASK = Ask(
    END,
    "Before anyone reaches in: supply locked out and tagged out, tested before touch, local codes and "
    "licensed practice first. Confirmed?",
    deadline_s=PATIENT_S,
)


def cautioned(
    inner: Procedure, cautions: tuple[str, ...], ended: Callable[[Outcome], None]
) -> Procedure:
    """``inner`` between the two confirmations; ``ended`` gets its outcome before the last one, so
    that whoever never confirms that doesn't lose what was measured."""
    if cautions:
        words = " ".join(cautions)
        question = Ask(BEFORE, f"{words} Read, and done?", deadline_s=PATIENT_S)
        yield from _confirmed(question)
    outcome = yield from inner
    ended(outcome)
    yield from _confirmed(END_ASK)
    return outcome


def _confirmed(question: Ask) -> Generator[Demand, Scan, None]:
    """Nothing on, until it is confirmed."""
    want = Demand(question.key, ask=question, stage_s=PATIENT_S)
    scan = yield want
    while question.key not in scan.answers:
        scan = yield want
