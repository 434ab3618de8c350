"""Commissioning a bench: from bench file and home to its record."""

from __future__ import annotations

from importlib.metadata import version
from typing import Any

from procedures.commissioning import Commissioned, commission, commissioning_declaration
from procedures.commissioning_run import Plan
from rig.bench import setup_of
from rig.bench_file import Bench
from rig.outcome_record import check_body
from rig.proving import Place, opening_facts
from rig.run import Attempt, Result, attempt
from rig.scan_loop import Tender, Watcher
from rig.standing import permit_commissioning
from rig.stopping import noted


def plan_of(bench: Bench, bay: int) -> Plan:
    """What the procedure needs of the file besides the set-up."""
    return Plan(bench.bays, bay, bench.spec.watchdog.timeout_s, bench.scan_s)


def commission_bench(
    place: Place, bay: int, name: str, tender: Tender, watchers: tuple[Watcher, ...] = ()
) -> tuple[Result, str]:
    """Lead through it on an empty bench; the result and the commissioning record's number."""
    permit_commissioning(place)
    setup = setup_of(place.bench, {}, {})
    done: list[Commissioned] = []
    what = Attempt(
        {**opening_facts(place, bay), "part": "", "family": "commissioning"},
        commissioning_declaration(setup),
        commission(setup, plan_of(place.bench, bay), done.append),
        bay,
        False,
        tender,
        watchers,
    )
    with noted(what.stop):  # an attempt and what follows from it belong together
        result = attempt(place.ours, place.store, place.home, what)
        body = _body(place, result, done, name)
        record = place.store.append("commissioning", place.bench.id, body)
    return result, record.number


def _body(place: Place, result: Result, done: list[Commissioned], name: str) -> dict[str, Any]:
    found = done[0] if done else None
    whole = found is not None and found.passed and result.closing["verdict"] == "pass"
    return {
        "passed": whole,
        "reason": result.closing["reason"],
        "digest": place.bench.digest,
        "version": version("milliproof"),
        "by": name,
        "attempt": result.record.number if result.record else "",
        "stages": list(found.stages) if found else [],
        "checks": [check_body(check) for check in found.checks] if found else [],
    }
