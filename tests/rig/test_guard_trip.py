"""A GFCI that trips while nothing is on: the device that was proved is not the one that is reset."""

from __future__ import annotations

import pytest

from procedures.scan import Demand
from tests.rig.guard_world import COMMISSIONING, World, live


def tripped_while_off(world: World) -> None:
    """Off and proved off, then the GFCI opens for a scan and is reset by hand."""
    for _ in range(20):
        world.step(Demand("idle"))
    assert world.guard.memory.state == "off"
    world.force["gfci_live"] = False
    world.step(Demand("idle"))
    del world.force["gfci_live"]


def wanting_live(world: World) -> str:
    """Ask for the limited feed for 10 s with ARM worked; the last refusal."""
    waiting = ""
    for n in range(100):
        world.pressed = n > 3
        decision = world.step(live())
        waiting = decision.waiting or waiting
        assert not {"contactor_1", "contactor_2"} & decision.on
    return waiting


def test_a_trip_while_off_voids_the_bench_proof() -> None:
    world = World()
    tripped_while_off(world)
    assert world.guard.memory.proof_void
    assert "bench proof" in wanting_live(world)


def test_without_the_trip_the_same_demand_is_granted() -> None:
    world = World()
    for _ in range(20):
        world.step(Demand("idle"))
    with pytest.raises(AssertionError):
        wanting_live(world)


def test_proofs_trip_it_on_purpose() -> None:
    world = World(declaration=COMMISSIONING)
    tripped_while_off(world)
    assert not world.guard.memory.proof_void
