"""The bench proof at the start of the day: is this bench fit to judge a part, and to protect?

Not a test of the GFCI by UL 943, and the device's own test button is no proof. Bay empty, lid locked.
A check that needs an output that is not fitted is recorded as not done, with what stays unprovable.
Currents in mA, times in s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from procedures.limits import COMMON
from procedures.outcome import conclude
from procedures.proof_run import Proof
from procedures.proof_steps import PROOF_STEPS, close_proof
from procedures.scan import (
    FEEDS,
    PROOF_OUTPUTS,
    Check,
    Declaration,
    Part,
    Procedure,
    Setup,
    Source,
    Verdict,
)
from procedures.steps import Run

BOND: frozenset[Source] = frozenset({"bond"})
CAUTIONS = (
    "The bay must be empty and the lid closed; the bench trips its own GFCI on purpose.",
    "Reset the GFCI by hand only when the bench asks for it.",
)


@dataclass(frozen=True, slots=True)
class BenchProof:
    """``fixture_ma``: by feed the bench's own leakage vector (resistive, capacitive) at nominal volts.

    ``unproved`` names what the bench lacks and what can't be proved without it.
    """

    passed: bool
    checks: tuple[Check, ...]
    fixture_ma: Mapping[str, tuple[float, float]]
    unproved: tuple[str, ...] = ()


def proof_declaration(setup: Setup) -> Declaration:
    """Everything the bench proof may use: all feeds, its own outputs, the bond source."""
    return Declaration(
        "bench proof",
        feeds=frozenset(FEEDS) & setup.feeds,
        sources=BOND & setup.sources,
        proof=frozenset(PROOF_OUTPUTS) & setup.proof,
        control=False,
        bench_proof=True,
        cautions=CAUTIONS,
    )


def bench_proof(setup: Setup, done: Callable[[BenchProof], None] = lambda proof: None) -> Procedure:
    """The whole proof; ``done`` receives the result just before the outcome is returned."""
    limits = MappingProxyType({limit.name: limit for limit in COMMON.limits})
    run = Run(Part("bench", "bench proof"), replace(setup, fixture_ma={}), limits)
    proof = Proof(run)
    for step in PROOF_STEPS:
        yield from step(proof)
    yield from close_proof(proof)
    result = _result(proof)
    done(result)
    outcome = conclude(run, (), CAUTIONS, verdict=_verdict(result))
    return replace(outcome, disposition="")  # a bench is neither resold nor scrapped


def _result(proof: Proof) -> BenchProof:
    checks = tuple(proof.run.checks)
    refused = [check for check in checks if check.met is False]
    unproved = tuple(f"{c.name}: {c.words}" for c in checks if c.met is None)
    complete = bool(checks) and set(proof.fixture_ma) == set(proof.run.setup.feeds)
    return BenchProof(complete and not refused, checks, dict(proof.fixture_ma), unproved)


def _verdict(result: BenchProof) -> Verdict:
    refused = [f"{c.name} ({c.words or c.value})" for c in result.checks if c.met is False]
    if result.passed:
        done = sum(check.met is True for check in result.checks)
        words = f"{done} checks met, {len(result.unproved)} not done"
        return Verdict("pass", "bench proof", words)
    words = "; ".join(refused) or "the fixture's leakage could not be measured on each feed"
    return Verdict("fail", "bench proof", f"not proved: {words}")
