"""Every procedure inherits these: a family that is added to the catalogue is attacked by itself.

A sound part of each family is proved on the plant through the real guard and scan loop
(``tests/rig/plant_loop.py``); see ``hostile.py`` for what is tried and when.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Generator, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from drivers.virtual.plant import Plant
from drivers.virtual.scenario import load
from procedures.bench_proof import bench_proof, proof_declaration
from procedures.catalog import FAMILIES
from procedures.limits import limits_for
from procedures.scan import Declaration, Demand, Outcome, Procedure, Scan, Setup
from rig.bench import setup_of
from rig.bench_file import Bench, load_bench
from rig.guard_table import BY_STATE
from rig.scan_loop import RunEnded, ScanLoop
from tests.procedures.harness import proved, setup
from tests.procedures.hostile import REFUSED, Watched, hostile
from tests.procedures.test_demo_parts import part_of
from tests.rig.plant_loop import plant_loop

SHELF = load()
BENCH_FILE = Path(__file__).parents[2] / "rig" / "examples" / "split_phase.toml"
PROOF = "bench proof"
RUNS = [*FAMILIES, PROOF]
SOUND: dict[str, str] = {
    truth.family: serial for serial, truth in SHELF.items() if serial.endswith("-8001")
}
REACHED = set(BY_STATE) - {"locked out"}  # a sound bench never locks out


@cache
def bench() -> Bench:
    return load_bench(BENCH_FILE, datetime.date(2026, 11, 25))


@cache
def fixture_ma() -> dict[str, tuple[float, float]]:
    return dict(proved(Plant(SHELF), setup())[0].fixture_ma)


def prepared(name: str) -> tuple[ScanLoop, Procedure, Plant]:
    """A sound part in bay 1, its procedure, and a loop on the plant."""
    plant, ours = Plant(SHELF), setup_of(bench(), fixture_ma(), {})
    declaration, procedure = _started(name, ours, plant)
    return plant_loop(plant, bench(), declaration), procedure, plant


def _started(name: str, ours: Setup, plant: Plant) -> tuple[Declaration, Procedure]:
    if name == PROOF:
        return proof_declaration(ours), bench_proof(ours)
    part = part_of(SOUND[name])
    plant.mount(1, part.serial)
    family = FAMILIES[name]
    return family.declaration(part, ours), family.start(part, ours, limits_for(name, part))


@cache
def attacked(name: str) -> Watched:
    """One whole run, attacked at every turn; the run itself takes no notice."""
    loop, procedure, plant = prepared(name)
    guard = Watched(loop.guard.facts, loop.guard.declaration)
    loop.guard = guard
    outcome = loop.prove(procedure)
    assert outcome.verdict.verdict == ("none" if name == "gfci" else "pass"), outcome.verdict
    assert plant.account.hazards == 0
    assert not plant.live
    return guard


@pytest.mark.parametrize("name", RUNS)
def test_nothing_undeclared_is_granted_at_any_turn_of_a_run(name: str) -> None:
    """The assertions stand in ``Watched``; here: that every state was reached and attacked."""
    guard = attacked(name)
    assert guard.states == REACHED
    assert len(guard.known) > 20


@pytest.mark.parametrize("name", RUNS)
def test_every_output_of_the_bench_was_tried(name: str) -> None:
    guard = attacked(name)
    assert guard.outputs == set(bench().spec.outputs)
    own = guard.declaration
    kinds = {f"feed {n}" for n in setup().feeds - own.feeds}
    kinds |= {f"source {n}" for n in setup().sources - own.sources}
    kinds |= {f"aid {n}" for n in setup().aids - own.aids}
    kinds |= {f"proof {n}" for n in setup().proof - own.proof}
    if name != PROOF:
        kinds |= {"contactors [1]", "contactors [2]", "contactors []", "withheld heartbeat"}
    assert guard.tried >= kinds


def test_the_families_differ_in_what_they_may_use() -> None:
    """Else the suite above would attack one and the same declaration ten times."""
    own = [attacked(name).declaration for name in RUNS]
    assert len({(d.feeds, d.sources, d.aids, d.proof) for d in own}) >= 5
    assert all(d.sources != frozenset(setup().sources) or d.aids != setup().aids for d in own)


def slipping_in(
    procedure: Procedure, state: str, attack: Callable[[Demand], Demand]
) -> Generator[Demand, Scan, Outcome]:
    """The procedure, but from the first scan in ``state`` on it asks for the undeclared."""
    demand = next(procedure)
    while True:
        scan = yield demand
        demand = procedure.send(scan)
        if scan.state == state:
            while True:
                yield attack(demand)


def attacks(name: str) -> Iterator[tuple[str, int]]:
    """A different attack for each state, so that together they go through the whole list."""
    for n, state in enumerate(sorted(REACHED - {"unproved"})):
        yield state, 5 * n + 3 * RUNS.index(name)


@pytest.mark.parametrize("name", RUNS)
def test_a_procedure_that_asks_for_it_is_ended_and_all_is_off(name: str) -> None:
    """Through the whole loop, relays and all: the plant's own account stays clean."""
    for state, n in attacks(name):
        loop, procedure, plant = prepared(name)

        def attack(now: Demand, loop: ScanLoop = loop, n: int = n) -> Demand:
            every = list(hostile(loop.guard.declaration, loop.guard.facts, now))
            return every[n % len(every)].demand

        with pytest.raises(RunEnded, match=REFUSED) as ended:
            loop.prove(slipping_in(procedure, state, attack))
        assert not ended.value.person
        assert plant.account.hazards == 0, (state, plant.account)
        assert not plant.live
        assert not [output for output, on in plant.outputs.items() if on], state


def test_the_suite_would_notice_a_guard_that_lets_things_pass(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its own proof: with a declaration that the guard does not look at, it fails."""
    monkeypatch.setattr("rig.guard.declared", lambda _view: True)
    loop, procedure, _ = prepared("light")
    loop.guard = Watched(loop.guard.facts, replace(loop.guard.declaration))
    with pytest.raises(AssertionError, match="light"):
        loop.prove(procedure)
