"""Each hazard is counted when provoked, once per onset; proper switching counts none."""

from __future__ import annotations

import pytest

from drivers.errors import Refused
from drivers.virtual.names import SOURCES
from drivers.virtual.plant import Plant
from tests.drivers.virtual.operate import DEMO, FEEDS, Operator, heater, leak_ohm


def kinds(plant: Plant) -> dict[str, int]:
    return dict(plant.account.kinds)


def test_proper_switching_is_no_hazard() -> None:
    bench = Operator(heater())
    bench.water()
    for feed in FEEDS:
        bench.live(feed)
    for source in SOURCES:
        bench.source(source)
    assert bench.plant.account.hazards == 0


@pytest.mark.parametrize("name", ["bay_1", "feed_both_hot", "aid_high_speed", "known_load"])
def test_route_relays_move_while_live(name: str) -> None:
    bench = Operator(heater())
    bench.live("both_hot")
    bench.on([name], not bench.plant.outputs[name])
    assert kinds(bench.plant) == {"route": 1}
    hazard = bench.plant.account.entries[0]
    assert name in hazard.words
    assert hazard.t_s == pytest.approx(bench.plant.t_s)


def test_two_bays_live() -> None:
    bench = Operator(heater())
    bench.live("both_hot", 1.0, "bay_2")
    assert kinds(bench.plant) == {"two bays": 1}


def test_live_with_the_lid_unlocked_counts_each_onset() -> None:
    bench = Operator(heater())
    bench.live("both_hot")
    for _ in range(2):
        bench.on(["lid_lock"], False)
        bench.plant.step(2.0)
        bench.on(["lid_lock"])
        bench.plant.step(2.0)
    assert kinds(bench.plant) == {"lid": 2}


def test_stop_drops_the_contactors_and_commanding_against_it_counts() -> None:
    bench = Operator(heater())
    plant = bench.live("both_hot")
    plant.stop(True)
    plant.step(0.1)
    assert plant.inputs()["contactor_1_open"]
    assert plant.inputs()["contactor_2_open"]
    assert not plant.inputs()["stop_healthy"]
    assert plant.account.hazards == 0
    bench.off()
    bench.on(["contactor_1"])
    assert kinds(plant) == {"stop": 1}


def test_releasing_stop_does_not_restart() -> None:
    bench = Operator(heater())
    plant = bench.live("both_hot")
    plant.stop(True)
    plant.step(0.5)
    plant.stop(False)
    plant.step(1.0)
    assert not plant.live
    bench.live("both_hot")
    assert plant.live


def test_leakage_above_the_cut_off_for_too_long() -> None:
    """4 mA: the GFCI holds it, the software must not."""
    bench = Operator(heater(leak_ohm(0.0, 30_000.0)))
    bench.live("both_hot", 1.4)
    assert bench.plant.account.hazards == 0
    bench.plant.step(0.4)
    assert kinds(bench.plant) == {"leakage": 1}


@pytest.mark.parametrize("feed", ["line_neutral", "neutral_line", "line_line"])
@pytest.mark.parametrize("aids", [(), ("aid_water",)])
def test_heating_dry_or_without_flow(feed: str, aids: tuple[str, ...]) -> None:
    bench = Operator(heater())
    bench.on(aids)
    bench.plant.step(20.0)
    bench.live(feed)
    assert kinds(bench.plant) == {"dry fire": 1}


@pytest.mark.parametrize("feed", ["limited", "both_hot"])
def test_no_heating_voltage_no_dry_fire(feed: str) -> None:
    bench = Operator(heater())
    bench.live(feed, 5.0)
    assert bench.plant.account.hazards == 0


def test_flow_lost_while_heating() -> None:
    bench = Operator(heater())
    bench.water()
    bench.live("line_line")
    bench.on(["aid_flow"], False)
    bench.plant.step(0.2)
    assert kinds(bench.plant) == {"dry fire": 1}


@pytest.mark.parametrize("source", SOURCES)
def test_source_with_the_lid_open(source: str) -> None:
    plant = Plant(DEMO)
    plant.set_output(f"source_{source}", True)
    plant.step(0.1)
    assert kinds(plant) == {"source": 1}


def test_lid_is_guard_locked() -> None:
    bench = Operator(heater())
    with pytest.raises(Refused, match="locked"):
        bench.plant.lid(False)
    with pytest.raises(Refused, match="locked"):
        bench.plant.unmount(1)
    bench.on(["lid_lock"], False)
    bench.plant.step(0.5)
    bench.plant.lid(False)
    assert not bench.plant.inputs()["lid_closed"]


def test_an_open_lid_does_not_lock() -> None:
    plant = Plant(DEMO)
    plant.set_output("lid_lock", True)
    plant.step(1.0)
    assert not plant.inputs()["lid_locked"]
    plant.lid(True)
    plant.step(0.2)
    assert not plant.inputs()["lid_locked"]
    plant.step(0.2)
    assert plant.inputs()["lid_locked"]


def test_mounting_mistakes_are_refused_in_words() -> None:
    plant = Plant(DEMO)
    plant.mount(1, "LK01-2201")
    for bay, serial, words in (
        (2, "LK01-2201", "already"),
        (5, "x", "no bay 5"),
        (2, "x", "shelf"),
    ):
        with pytest.raises(Refused, match=words):
            plant.mount(bay, serial)


def test_contactor_times() -> None:
    """Pull-in 30 ms, drop-out 20 ms, mirror contacts."""
    plant = Operator(heater()).plant
    plant.set_output("contactor_1", True)
    plant.step(0.025)
    assert plant.inputs()["contactor_1_open"]
    plant.step(0.010)
    assert not plant.inputs()["contactor_1_open"]
    plant.set_output("contactor_1", False)
    plant.step(0.015)
    assert not plant.inputs()["contactor_1_open"]
    plant.step(0.010)
    assert plant.inputs()["contactor_1_open"]


def test_water_takes_its_time() -> None:
    plant = Plant(DEMO)
    plant.set_output("aid_water", True)
    plant.set_output("aid_flow", True)
    plant.step(14.8)
    assert not plant.inputs()["level_ok"]
    plant.step(0.4)
    assert plant.inputs()["level_ok"]
    assert not plant.inputs()["flow_ok"]
    plant.step(2.2)
    assert plant.inputs()["flow_ok"]
    plant.set_output("aid_water", False)
    plant.step(0.2)
    assert not plant.inputs()["level_ok"]
    assert not plant.inputs()["flow_ok"]
    plant.step(10.0)
    assert plant.water.level == 0.0


def test_feed_relays_are_interlocked() -> None:
    plant = Plant(DEMO)
    plant.set_output("feed_limited", True)
    plant.set_output("feed_line_line", True)
    assert plant.feed == "limited"
    assert not plant.inputs()["feeds_open"]


# ---- the relay board's watchdog --------------------------------------------------------------------


def test_watchdog_drops_what_is_dangerous_and_holds_the_rest() -> None:
    bench = Operator(heater())
    plant = bench.live("both_hot", 0.2, "positive_control")
    plant.beat(1)
    plant.step(0.9)
    assert plant.live
    plant.step(0.2)
    assert not plant.outputs["contactor_1"]
    assert not plant.outputs["positive_control"]
    assert plant.outputs["bay_1"]
    assert plant.outputs["feed_both_hot"]
    plant.step(0.1)
    assert plant.inputs()["contactor_1_open"]
    assert plant.inputs()["contactor_2_open"]
    plant.beat(2)
    plant.step(0.2)
    assert not plant.live  # must be commanded again
    bench.on(["contactor_1", "contactor_2"])
    plant.step(0.2)
    assert plant.live


def test_a_beat_that_does_not_change_is_none() -> None:
    bench = Operator(heater())
    plant = bench.live("both_hot", 0.2)
    plant.beat(7)
    for _ in range(12):
        plant.step(0.1)
        plant.beat(7)
    assert not plant.live


def test_changing_beats_keep_it_up() -> None:
    bench = Operator(heater())
    plant = bench.live("both_hot", 0.2)
    for n in range(100):
        plant.beat(n % 2)
        plant.step(0.9)
    assert plant.live


def test_a_guarded_board_drops_without_any_beat() -> None:
    plant = Plant(DEMO, guarded=True)
    plant.step(1.5)
    plant.set_output("source_bond", True)
    plant.step(0.1)
    assert not plant.outputs["source_bond"]
