"""The end of every procedure: verdict, likely cause with its evidence, proposed disposition, and what the
verdict is held against.

The cause comes from the table of signatures (``causes.py``); dispositions are a proposal of the shop's
rules (P), never a finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from procedures.cause_table import Signature
from procedures.causes import BY_CAUSE, EITHER, UNKNOWN, likely
from procedures.decide import decide
from procedures.gauges import exceeds_warranty, gauges
from procedures.scan import Likely, Outcome, Verdict
from procedures.steps import Run
from procedures.story import Story

GROUNDED = ("ground bond", "ground bond, after")  # a lead that fell off would show 0 mA
CORRODED = frozenset({"rust", "pit", "burnt"})  # no maker's fault: water chemistry or use
NO_FAULT, NOTHING_WRONG = "no fault found", "nothing wrong found"
DRY = "dry and retest"
HOLD = "hold: it passed, but look for the likely cause first"

REJECTS: Mapping[str, tuple[str, ...]] = {
    "look": ("look",),
    "dead test": ("ground bond", "ohms", "insulation", "primary to secondary"),
}


def conclude(
    run: Run,
    required: Sequence[str],
    cautions: tuple[str, ...],
    verdict: Verdict | None = None,
) -> Outcome:
    """The outcome of what ``run`` has measured. ``verdict`` only where no leakage rule applies."""
    part = run.part
    found = verdict or decide(
        run.conditions,
        (*GROUNDED, *required),
        run.checks,
        run.limits,
        part.attempt,
        "; ".join(filter(None, (part.change, run.change))),
        rising=run.rising,
        doubts=run.doubts,
    )
    found = in_words(run, found)
    cause = cause_of(run, found)
    return Outcome(
        verdict=found,
        conditions=tuple(run.conditions),
        checks=tuple(run.checks),
        cause=cause.cause,
        disposition=disposition(run, found, cause.cause),
        cautions=cautions,
        limits=tuple(limit.row() for limit in run.limits.values()),
        facts=dict(run.facts),
        gauges=gauges(part, found, run.checks, run.limits),
        likely=cause,
    )


def in_words(run: Run, verdict: Verdict) -> Verdict:
    """The same verdict, named by what was refused, or by what kept everything from being measured."""
    if verdict.rule == "rejected":
        return replace(verdict, rule=reject_kind(run))
    if verdict.rule == "not proved" and run.unexplained:  # what is missing is missing because of it
        words = f"not proved: {run.unexplained}: {run.doubts[run.unexplained]}"
        return replace(verdict, reason=words)
    bond = run.check("ground bond")
    if verdict.rule == "not proved" and bond is not None and bond.met is not True:
        return replace(verdict, reason=f"not proved: {bond.words or 'ground bond not measured'}")
    return verdict


def reject_kind(run: Run) -> str:
    """Which kind of check rejected the part: the look, a dead test, or else a function check."""
    refused = next((check.name for check in run.checks if check.met is False), "")
    kinds = (kind for kind, starts in REJECTS.items() if refused.startswith(starts))
    return next(kinds, "function")


def cause_of(run: Run, verdict: Verdict) -> Likely:
    """The likely cause; a complaint that nothing confirms is "no fault found".

    That nothing is wrong is only said of a part that passed, and a sound one needs no cause.
    """
    found = likely(story_of(run))
    if found.cause != NOTHING_WRONG:
        return found
    if verdict.verdict != "pass":
        return replace(found, cause=UNKNOWN, evidence=(), next="")
    return replace(found, cause=NO_FAULT if run.part.complaint else UNKNOWN)


def story_of(run: Run) -> Story:
    """What a likely cause is told from."""
    found = (tuple(run.conditions), tuple(run.checks), dict(run.facts), dict(run.swings))
    return Story(run.part, run.limits, *found)


def disposition(run: Run, verdict: Verdict, cause: str) -> str:
    """What to do with the part, proposed."""
    part = run.part
    if verdict.verdict == "pass":
        unexplained = part.complaint and not part.change and cause in (UNKNOWN, NO_FAULT)
        wrong = cause not in (UNKNOWN, NO_FAULT) and not _sound(cause)
        return HOLD if wrong else "no fault found" if unexplained else "resell"
    if verdict.verdict == "none":
        return "hold, not proved" if verdict.rule == "not proved" else DRY
    row = _row(cause)
    if part.warranty and _clean(run) and _claimable(run, verdict) and (row is None or row.warranty):
        return "warranty claim"
    if row is None:
        return "scrap"
    return DRY if row.sound else row.disposition


def _claimable(run: Run, verdict: Verdict) -> bool:
    """A leakage claims only above the warranty gate; a failed check claims by itself."""
    refused = any(check.met is False for check in run.checks)
    return refused or exceeds_warranty(run.limits, verdict.worst)


def _clean(run: Run) -> bool:
    return not any(c.name == "look" and c.words in CORRODED for c in run.checks)


def _row(cause: str) -> Signature | None:
    """A cause's signature; of two that nothing tells apart, the first."""
    return BY_CAUSE.get(cause.split(EITHER)[0])


def _sound(cause: str) -> bool:
    row = BY_CAUSE.get(cause)
    return row is not None and row.sound
