"""The end of every procedure: verdict, likely cause with its evidence, proposed disposition.

A cause is named only where the readings clearly show it; otherwise it is "don't know". The table of
dispositions is a proposal of the shop's rules (P), never a finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from procedures.decide import decide
from procedures.scan import Outcome, Verdict
from procedures.steps import Run

GROUNDED = ("ground bond", "ground bond, after")  # a lead that fell off would show 0 mA
UNKNOWN = "don't know"
CORRODED = frozenset({"rust", "pit", "burnt"})  # no maker's fault: water chemistry or use

DISPOSITIONS: Mapping[str, str] = {  # cause of a failed part: what to do with it
    "pinhole near the middle": "scrap",
    "pinhole": "scrap",
    "damp filler": "dry and retest",
    "hot failure": "scrap",
    "seal leak": "repair",
    "weak or dead capacitor or stuck rotor": "repair",
    "water in the cell (check valve)": "scrap",
    "lamp or ballast dead": "repair",
    "water in the motor, comes back when humid": "scrap",
    "breakdown between primary and secondary": "scrap",
    "element open or wrong": "scrap",
    "trips below its range": "diagnosis only, never resale",
}
REJECTS: Mapping[str, tuple[str, ...]] = {
    "look": ("look",),
    "dead test": ("ground bond", "ohms", "insulation", "primary to secondary"),
}
NO_WARRANTY = frozenset({"water in the cell (check valve)", "trips below its range"})


def conclude(
    run: Run,
    required: Sequence[str],
    cautions: tuple[str, ...],
    cause: str = UNKNOWN,
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
    return Outcome(
        verdict=found,
        conditions=tuple(run.conditions),
        checks=tuple(run.checks),
        cause=cause_of(run, found, cause),
        disposition=disposition(run, found, cause),
        cautions=cautions,
        limits=tuple(limit.row() for limit in run.limits.values()),
        facts=dict(run.facts),
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


def cause_of(run: Run, verdict: Verdict, cause: str) -> str:
    """The cause in words; a complaint that nothing confirms is "no fault found"."""
    if verdict.verdict == "pass" and cause == UNKNOWN and run.part.complaint:
        return "no fault found"
    return cause


def disposition(run: Run, verdict: Verdict, cause: str) -> str:
    """What to do with the part, proposed."""
    part = run.part
    if verdict.verdict == "pass":
        unexplained = part.complaint and not part.change and cause == UNKNOWN
        return "no fault found" if unexplained else "resell"
    if verdict.verdict == "none":
        return "hold, not proved" if verdict.rule == "not proved" else "dry and retest"
    clean = not any(c.name == "look" and c.words in CORRODED for c in run.checks)
    if part.warranty and clean and cause not in NO_WARRANTY:
        return "warranty claim"
    return DISPOSITIONS.get(cause, "scrap")
