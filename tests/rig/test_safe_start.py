"""A program that starts on a bench it knows nothing about: no relay moves under load."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.virtual.plant import Plant
from procedures.scan import Declaration
from rig.bench_file import load_bench
from rig.safe_start import is_route, make_safe
from rig.scan_loop import ScanLoop
from tests.rig.plant_loop import PlantClock, PlantStation, plant_loop

EXAMPLE = Path(__file__).parents[2] / "rig" / "examples" / "split_phase.toml"
ROUTE = ("bay_1", "feed_line_neutral")


@pytest.fixture
def left_live() -> Plant:
    """As a program leaves it that was killed a moment ago: live, the watchdog not yet out."""
    plant = Plant({})
    plant.lid(True)
    for name in (*ROUTE, "lid_lock"):
        plant.set_output(name, True)
    plant.step(0.5)
    for name in ("contactor_1", "contactor_2"):
        plant.set_output(name, True)
    plant.step(0.5)
    assert plant.live
    assert plant.account.hazards == 0
    return plant


def loop_on(plant: Plant) -> ScanLoop:
    return plant_loop(plant, load_bench(EXAMPLE), Declaration("test"))


def start(plant: Plant) -> tuple[bool, ScanLoop]:
    loop = loop_on(plant)
    return make_safe(loop.stations, loop.wiring, PlantClock(plant)), loop


def test_the_supply_goes_first_and_the_relays_when_the_bus_is_dead(left_live: Plant) -> None:
    dead, _ = start(left_live)
    assert dead
    assert not any(left_live.outputs.values())
    assert left_live.account.hazards == 0


def test_all_at_once_would_move_relays_under_load(left_live: Plant) -> None:
    """The control: without the order the same bench counts a hazard."""
    PlantStation(left_live, {}).make_safe()
    assert "route" in left_live.account.kinds


def test_a_bus_that_stays_live_keeps_its_relays_and_the_lid_locked(left_live: Plant) -> None:
    for contactor in left_live.contactors.values():
        contactor.welds = True
    dead, loop = start(left_live)
    assert not dead
    assert all(left_live.outputs[name] for name in (*ROUTE, "lid_lock"))
    decision = loop.switch_off()  # the guard of the next run finds out
    assert decision.state == "locked out"
    assert all(left_live.outputs[name] for name in (*ROUTE, "lid_lock"))
    assert left_live.account.hazards == 0


def test_routes_are_what_the_plant_calls_routes() -> None:
    from drivers.virtual.names import COILS, ROUTE_OUTPUTS

    assert {name for name in COILS if is_route(name)} == ROUTE_OUTPUTS
