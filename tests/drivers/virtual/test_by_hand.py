"""What a technician's hands do to the virtual bench itself, seen in its inputs and values."""

from __future__ import annotations

import pytest

from drivers.errors import Refused
from drivers.virtual.by_hand import HELD, MOVED, connect, interlock
from drivers.virtual.plant import Plant


def _closed(plant: Plant, *names: str) -> None:
    for name in ("contactor_1", "contactor_2", *names):
        plant.set_output(name, True)
    plant.step(0.5)


@pytest.mark.parametrize("volts", [0.0, 24.0, 120.0])
def test_the_bus_carries_what_is_connected(volts: float) -> None:
    plant = Plant({})
    plant.lid(True)
    connect(plant, volts)
    _closed(plant, "lid_lock", "feed_line_line")
    assert plant.values()["supply_v"] == pytest.approx(volts, abs=2.5)
    assert plant.values()["bay_v"] == pytest.approx(2.0 * volts, abs=5.0)


@pytest.mark.parametrize("volts", [-1.0, 131.0, float("nan")])
def test_no_other_voltage_is_connected_and_none_under_load(volts: float) -> None:
    plant = Plant({})
    with pytest.raises(Refused, match="0 to 130 V"):
        connect(plant, volts)
    plant.lid(True)
    _closed(plant)
    with pytest.raises(Refused, match="contactors are closed"):
        connect(plant, 0.0)


@pytest.mark.parametrize("name", sorted(HELD | MOVED.keys()))
def test_each_interlock_opens_and_closes_and_nothing_else_moves(name: str) -> None:
    plant = Plant({})
    plant.lid(True)
    plant.set_output("aid_water", True)
    plant.set_output("aid_flow", True)
    plant.step(20.0)
    before = plant.inputs()
    interlock(plant, name, True)
    moved = {key for key, on in plant.inputs().items() if on is not before[key]}
    assert moved == {name}
    interlock(plant, name, False)
    assert plant.inputs() == before


def test_an_unknown_interlock_is_refused() -> None:
    with pytest.raises(Refused, match="no interlock 'moon'"):
        interlock(Plant({}), "moon", True)


def test_a_lamp_draws_and_its_bay_is_seen_lit() -> None:
    plant = Plant({})
    plant.mount_lamp(2)
    plant.lid(True)
    assert plant.eyes("lit_bay", 1) == "none"
    _closed(plant, "lid_lock", "bay_2", "feed_line_neutral")
    assert plant.eyes("lit_bay", 1) == "bay 2"
    assert plant.values()["load_a"] == pytest.approx(0.5, abs=0.05)  # 60 W at 120 V
    with pytest.raises(Refused, match="lid is locked"):
        plant.mount_lamp(1)
