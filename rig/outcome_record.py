"""Outcome to record: a procedure's floats become a record's integers, and back for screens.

With ``recording.py`` (parts) the only place that knows both vocabularies. µA, mV, ms; anything else in
millionths of its unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from procedures.scan import Check, Condition, Gauge, Likely, Outcome
from results.record import LARGEST
from rig.wave_record import wave_body

if TYPE_CHECKING:
    from procedures.budget import Budget, Line

Body = dict[str, Any]


def millionths(value: float | None) -> int | None:
    """A float as an integer of millionths; None stays None."""
    return None if value is None else round(value * 1e6)


def _thousandths(value: float | None) -> int | None:
    return None if value is None else round(value * 1e3)


def _finite(value: Any, per_one: float) -> int | None:
    """Missing, infinite, or more than a record can hold is null: no bound, degrees without end."""
    number = float(value) * per_one
    return round(number) if abs(number) < LARGEST else None


def _line_body(line: Line) -> Body:
    """Value, standard uncertainty and sensitivity in millionths of their units, contribution in nA."""
    return {
        "input": line.name,
        "value_millionths": _finite(line.value, 1e6),
        "unit": line.unit,
        "u_millionths": _finite(line.u, 1e6),
        "distribution": line.distribution,
        "sensitivity_millionths": _finite(line.sensitivity, 1e6),
        "contribution_na": _finite(line.contribution, 1e6),
        "dof_thousandths": _finite(line.dof, 1e3),
    }


def budget_body(budget: Budget | None) -> Body | None:
    """Where an uncertainty comes from, a line per input; mA throughout, u in nA, dof null: infinite."""
    if budget is None:
        return None
    return {
        "u_na": _finite(budget.u, 1e6),
        "dof_thousandths": _finite(budget.dof, 1e3),
        "k_millionths": _finite(budget.k, 1e6),
        "lines": [_line_body(line) for line in budget.lines],
    }


def condition_body(condition: Condition, began_s: float = 0.0) -> Body:
    """One condition: currents in µA, voltage in mV, temperature in thousandths of °C, times in ms since
    the attempt began (``began_s`` on the control clock), as in its trace."""
    c = condition
    return {
        "name": c.name,
        "feed": c.feed,
        "basis": c.basis,
        "y_ua": _thousandths(c.y_ma),
        "u_ua": None if c.basis == "above" else _thousandths(c.u_ma),  # only a lower bound is known
        "resistive_ua": _thousandths(c.resistive_ma),
        "capacitive_ua": _thousandths(c.capacitive_ma),
        "dc_ua": _thousandths(c.dc_ma),
        "second_ua": _thousandths(c.second_ma),
        "supply_mv": _thousandths(c.supply_v),
        "samples": c.samples,
        "start_ms": _thousandths(c.start_s - began_s),
        "end_ms": _thousandths(c.end_s - began_s),
        "temperature_mc": _thousandths(c.temperature_c),
        "rise_ua": _thousandths(c.rise_ma),
        "control_seen": c.control_seen,
        "counts": c.counts,
        "after_ms": _thousandths(c.after_s),
        "note": c.note,
        "budget": budget_body(c.budget),
        "wave": wave_body(c.wave),
        "wave_words": c.wave_words,
    }


def check_body(check: Check) -> Body:
    """One check: its value in millionths of its unit."""
    return {
        "name": check.name,
        "value_millionths": millionths(check.value),
        "unit": check.unit,
        "allowed": check.allowed,
        "met": check.met,
        "words": check.words,
    }


def _fact_body(value: float | str) -> int | str | None:
    return value if isinstance(value, str) else millionths(float(value))


def facts_body(facts: Mapping[str, float | str]) -> Body:
    """Facts: strings as they are, numbers in millionths under ``<name>_millionths``."""
    return {
        name if isinstance(value, str) else f"{name}_millionths": _fact_body(value)
        for name, value in facts.items()
    }


def limits_body(limits: tuple[tuple[str, float, str, str, str, str, str], ...]) -> list[Body]:
    """Limits as they were when they decided."""
    keys = ("name", "value_millionths", "unit", "source", "mark", "version", "set")
    return [dict(zip(keys, (row[0], millionths(row[1]), *row[2:]), strict=True)) for row in limits]


def gauge_body(gauge: Gauge) -> Body:
    """What a verdict is held against: a limit, how the worst stands to it, and whether it decides."""
    plain = ("set", "version", "limit", "unit", "source", "mark", "decides", "standing", "words")
    value = {"value_millionths": millionths(gauge.value)}
    return {**{name: getattr(gauge, name) for name in plain}, **value}


def likely_body(likely: Likely | None) -> Body | None:
    """A likely cause with its evidence; confidence in millionths."""
    if likely is None:
        return None
    return {
        "cause": likely.cause,
        "confidence_millionths": millionths(likely.confidence),
        "evidence": [one._asdict() for one in likely.evidence],
        "next": likely.next,
    }


def closing_body(outcome: Outcome, began_s: float = 0.0) -> Body:
    """The part of a closing record that the procedure's outcome fills; ``began_s`` as above."""
    verdict = outcome.verdict
    return {
        "verdict": verdict.verdict,
        "rule": verdict.rule,
        "reason": verdict.reason,
        "worst": condition_body(verdict.worst, began_s) if verdict.worst else None,
        "conformity_millionths": millionths(verdict.conformity),
        "conditions": [condition_body(c, began_s) for c in outcome.conditions],
        "checks": [check_body(c) for c in outcome.checks],
        "cause": outcome.cause,
        "disposition": outcome.disposition,
        "cautions": list(outcome.cautions),
        "limits": limits_body(outcome.limits),
        "facts": facts_body(outcome.facts),
        "gauges": [gauge_body(gauge) for gauge in outcome.gauges],
        "likely": likely_body(outcome.likely),
    }


def ended_body(verdict: str, rule: str, reason: str, cautions: tuple[str, ...]) -> Body:
    """A closing without an outcome: aborted, interrupted, or ended by the guard."""
    return {
        "verdict": verdict,
        "rule": rule,
        "reason": reason,
        "worst": None,
        "conformity_millionths": None,
        "conditions": [],
        "checks": [],
        "cause": "don't know",
        "disposition": "",
        "cautions": list(cautions),
        "limits": [],
        "facts": {},
        "gauges": [],
        "likely": None,
    }
