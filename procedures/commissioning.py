"""Commissioning: is this bench wired as its file says, and do its protections protect?

A person is led through it once, and again whenever the bench file or the program changes. Voltage
comes last and in steps: none, extra-low, mains with a lamp, known leaks; a stage in which anything was
not met ends it. What is not fitted is recorded as not done. Voltages in V, times in s.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

from procedures.commissioning_dead import (
    contactors_follow,
    interlocks,
    no_mains,
    outputs_alone,
    sources_alone,
    watchdog_drops,
)
from procedures.commissioning_live import extra_low, known_leaks, lamp
from procedures.commissioning_run import Plan
from procedures.limits import COMMON
from procedures.outcome import conclude
from procedures.proof_run import Proof
from procedures.proof_steps import close_proof
from procedures.scan import (
    FEEDS,
    GFCI_INJECTOR,
    KNOWN_RESISTORS,
    PROOF_OUTPUTS,
    Check,
    Declaration,
    Part,
    Procedure,
    Setup,
    Verdict,
)
from procedures.steps import Run, Step

CAUTIONS = (
    "A qualified person commissions the bench; local codes and licensed practice come first.",
    "Lock out and tag out before each change of wiring; test before touch.",
    "All bays empty, lid closed. Test sources put up to 500 V DC on the clips.",
)


class Stage(NamedTuple):
    """One stage by its name."""

    name: str
    step: Callable[[Proof, Plan], Step[None]]


STAGES: tuple[Stage, ...] = (
    Stage("no mains", no_mains),
    Stage("each output alone", outputs_alone),
    Stage("each test source alone", sources_alone),
    Stage("each contactor alone", contactors_follow),
    Stage("each interlock opened once", interlocks),
    Stage("watchdog", watchdog_drops),
    Stage("extra-low voltage", extra_low),
    Stage("mains with a lamp", lamp),
    Stage("known leaks", known_leaks),
)


@dataclass(frozen=True, slots=True)
class Commissioned:
    """``stages`` are those that were met, in order; ``unproved`` what the bench lacks."""

    passed: bool
    reason: str
    stages: tuple[str, ...]
    checks: tuple[Check, ...]
    unproved: tuple[str, ...]


def commissioning_declaration(setup: Setup) -> Declaration:
    """Everything commissioning may use: whatever is fitted, before the bench is commissioned."""
    return Declaration(
        "commissioning",
        feeds=frozenset(FEEDS) & setup.feeds,
        sources=setup.sources,
        aids=setup.aids,
        proof=frozenset({*PROOF_OUTPUTS, GFCI_INJECTOR, KNOWN_RESISTORS}) & setup.proof,
        control=False,
        bench_proof=True,
        commissioning=True,
        cautions=CAUTIONS,
    )


def commission(
    setup: Setup, plan: Plan, done: Callable[[Commissioned], None] = lambda result: None
) -> Procedure:
    """The whole of it; ``done`` receives the result at its end, also when the guard ends the run."""
    limits = MappingProxyType({limit.name: limit for limit in COMMON.limits})
    run = Run(Part("bench", "commissioning"), replace(setup, fixture_ma={}, hand={}), limits)
    proof, met, closed = Proof(run), list[str](), False
    try:
        for stage in STAGES:
            yield from stage.step(proof, plan)
            if run.rejected():
                break
            met.append(stage.name)
        yield from close_proof(proof)
        closed = True
    finally:
        result = _result(proof, tuple(met), closed)
        done(result)
    verdict = Verdict("pass" if result.passed else "fail", "commissioning", result.reason)
    return conclude(run, (), CAUTIONS, verdict=verdict)


def _result(proof: Proof, met: tuple[str, ...], closed: bool) -> Commissioned:
    checks = tuple(proof.run.checks)
    refused = [f"{c.name} ({c.words or c.value})" for c in checks if c.met is False]
    unproved = tuple(f"{c.name}: {c.words}" for c in checks if c.met is None)
    passed = closed and len(met) == len(STAGES) and not refused
    done = sum(check.met is True for check in checks)
    reason = f"{done} checks met, {len(unproved)} not done"
    if not passed:
        reason = f"not commissioned: {'; '.join(refused) or 'not carried through'}"
    return Commissioned(passed, reason, met, checks, unproved)
