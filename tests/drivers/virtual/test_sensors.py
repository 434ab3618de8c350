"""Instruments: within their accuracy statements, at their own rate, absent when their source is off."""

from __future__ import annotations

import pytest

from drivers.virtual.circuit import Fixture
from drivers.virtual.instruments import STATED
from drivers.virtual.names import COILS, DISCRETES
from drivers.virtual.plant import Plant
from drivers.virtual.truth import LeakTruth, PartTruth
from tests.drivers.virtual.operate import Operator, heater

ALWAYS = {
    "leakage_ma",
    "leakage_dc_ma",
    "leakage_resistive_ma",
    "leakage_capacitive_ma",
    "second_leakage_ma",
    "second_leakage_resistive_ma",
    "second_leakage_capacitive_ma",
    "supply_v",
    "supply_2_v",
    "frequency_hz",
    "bay_v",
    "bay_dc_v",
    "load_a",
    "power_w",
    "temperature_c",
    "conductivity_ms_cm",
    "injection_ma",
}
MIXED = PartTruth(
    family="light",
    rated_w=50.0,
    leaks=(LeakTruth(resistive_ma=1.2, capacitive_ma=0.9),),
)


def half_width(name: str, true: float) -> float:
    percent, floor = STATED[name]
    return abs(true) * percent / 100.0 + floor


@pytest.mark.parametrize("seed", range(8))
def test_each_reading_lies_within_its_statement(seed: int) -> None:
    bench = Operator(MIXED, seed=seed)
    plant = bench.live("line_neutral", 2.0)
    values, world = plant.values(), plant.world
    true_ma = 1000.0 * world.earth_a
    expected = {
        "leakage_resistive_ma": ("leakage_ma", true_ma.real),
        "leakage_capacitive_ma": ("leakage_ma", true_ma.imag),
        "leakage_ma": ("leakage_ma", abs(true_ma)),
        "second_leakage_ma": ("second_leakage_ma", abs(true_ma)),
        "supply_v": ("supply_v", plant.supply.leg_1_v),
        "supply_2_v": ("supply_2_v", plant.supply.leg_2_v),
        "load_a": ("load_a", abs(world.load_a)),
        "bay_v": ("bay_v", plant.supply.leg_1_v),
        "temperature_c": ("temperature_c", plant.water.temperature_c),
        "conductivity_ms_cm": ("conductivity_ms_cm", 2.7),
    }
    for name, (statement, true) in expected.items():
        assert values[name] == pytest.approx(true, abs=half_width(statement, true)), name


def test_two_benches_have_different_instruments_and_one_bench_always_the_same() -> None:
    readings = [Operator(MIXED, seed=s).live("line_neutral").values() for s in (1, 2, 1)]
    assert readings[0] != readings[1]
    assert readings[0] == readings[2]


def test_dead_meters_have_no_value_while_their_source_is_off() -> None:
    assert set(Operator(MIXED).plant.values()) == ALWAYS


@pytest.mark.parametrize(
    ("source", "name", "true"),
    [
        ("bond", "bond_ohm", 0.03),
        ("ohms", "resistance_ohm", 240.0**2 / 5500.0),  # R = U²/P = 10.47 ohm
        ("insulation", "insulation_mohm", 0.12),
        ("insulation_low", "insulation_mohm", 0.12),
        ("insulation_secondary", "insulation_mohm", 1000.0),
    ],
)
def test_dead_tests(source: str, name: str, true: float) -> None:
    """1 mA at 120 V is 120 kohm; a capacitor does not conduct DC."""
    part = heater(LeakTruth(spread=True, resistive_ma=1.0, capacitive_ma=0.5))
    bench = Operator(part)
    values = bench.source(source)
    assert values[name] == pytest.approx(true, abs=half_width(name, true))
    assert set(values) == ALWAYS | {name}
    assert set(bench.plant.values()) == ALWAYS
    assert bench.plant.account.hazards == 0


def test_no_part_no_bond() -> None:
    assert "bond_ohm" not in Operator(None).source("bond")


def test_nothing_is_measured_dead_while_a_contactor_is_closed() -> None:
    bench = Operator(heater())
    bench.live("both_hot")
    bench.on(["source_ohms"])
    bench.plant.step(2.0)
    assert "resistance_ohm" not in bench.plant.values()
    assert bench.plant.account.kinds["source"] == 1


def test_leakage_is_sampled_five_times_a_second() -> None:
    plant = Operator(MIXED).live("line_neutral")
    seen = []
    for _ in range(100):
        plant.step(0.02)
        seen.append(plant.values()["leakage_ma"])
    assert len(set(seen)) in (10, 11)


@pytest.mark.parametrize("seed", range(5))
def test_positive_control_and_references(seed: int) -> None:
    """480 kohm and 160 kohm at 120 V drive 0.25 and 0.75 mA, 16.6 nF 0.751 mA leading."""
    bench = Operator(PartTruth(family="light", rated_w=10.0), seed=seed)
    plain = bench.leakage_ma("line_neutral")
    control = bench.leakage_ma("line_neutral", 1.0, "positive_control") - plain
    assert control == pytest.approx(0.25, abs=0.25 * 0.006)
    bench.on(["positive_control"], False)
    resistive = bench.leakage_ma("line_neutral", 1.0, "reference_resistive") - plain
    assert resistive == pytest.approx(0.75, abs=0.75 * 0.006)
    bench.on(["reference_resistive"], False)
    capacitive = bench.leakage_ma("line_neutral", 1.0, "reference_capacitive") - plain
    assert capacitive == pytest.approx(0.751j, abs=0.751 * 0.006)


@pytest.mark.parametrize("seed", range(5))
def test_imbalance_of_the_second_sensor_stays_small(seed: int) -> None:
    """At most 0.0003 % of the load current; a 0.01 % one would fake 2.3 mA at 23 A."""
    bench = Operator(heater(), seed=seed)
    bench.water()
    plant = bench.live("line_line", 2.0)
    faked_ma = 1000.0 * abs(plant.fixture.imbalance * plant.world.load_a)
    assert 0.0 < faked_ma < 23.0 * 3e-6 * 1000.0
    values = plant.values()
    difference = values["second_leakage_resistive_ma"] - values["leakage_resistive_ma"]
    assert abs(difference) < 0.06


def test_known_load_is_4_8_and_1_2_kw() -> None:
    bench = Operator(None)
    assert bench.live("line_line", 1.0, "known_load").values()["power_w"] == pytest.approx(
        4800, 0.05
    )
    bench.off()
    assert bench.live("line_neutral").values()["power_w"] == pytest.approx(1200, rel=0.05)
    assert bench.plant.account.hazards == 0


def test_neutral_reference_is_there_upstream_and_not_downstream() -> None:
    bench = Operator(None)
    bench.on(["neutral_upstream"])
    bench.plant.step(0.2)
    assert bench.plant.values()["injection_ma"] == pytest.approx(10.0, rel=0.02)
    bench.on(["neutral_upstream"], False)
    bench.on(["neutral_downstream"])
    bench.plant.step(0.2)
    assert bench.plant.values()["injection_ma"] < 0.02


def test_voltage_check_reads_24_v_only_on_a_dead_bus() -> None:
    bench = Operator(None)
    assert bench.plant.values()["bay_v"] < 1.0
    bench.on(["voltage_check"])
    bench.plant.step(0.1)
    assert bench.plant.values()["bay_v"] == pytest.approx(24.0, abs=0.75)
    assert bench.live("line_neutral").values()["bay_v"] == pytest.approx(120.0, rel=0.03)


def test_one_contactor_alone_leaves_the_bus_dead() -> None:
    for name in ("contactor_1", "contactor_2"):
        bench = Operator(None)
        bench.on([name])
        bench.plant.step(1.0)
        assert bench.plant.values()["bay_v"] < 1.0
        assert not bench.plant.inputs()[f"{name}_open"]


def test_stored_charge_decays_within_two_seconds() -> None:
    bench = Operator("MW10-4410")
    bench.live("line_line", 2.0)
    bench.off()
    first = abs(bench.plant.values()["bay_dc_v"])
    assert first > 60.0
    bench.plant.step(2.0)
    assert abs(bench.plant.values()["bay_dc_v"]) < 1.0


def test_supply_stays_within_its_band() -> None:
    plant = Plant({})
    volts = []
    for _ in range(600):
        plant.step(1.0)
        volts.append(plant.supply.leg_1_v)
    assert 118.2 <= min(volts) < max(volts) <= 121.8
    assert max(volts) - min(volts) > 0.3


def test_every_output_and_input_is_there() -> None:
    plant = Plant({})
    assert set(plant.outputs) == set(COILS)
    assert set(plant.inputs()) == set(DISCRETES)
    with pytest.raises(KeyError):
        plant.set_output("bay_9", True)


def test_fixture_resistors_err_by_at_most_half_a_percent() -> None:
    from random import Random

    for seed in range(50):
        fixture = Fixture.drawn(Random(seed))
        assert 1.0 / fixture.series_s == pytest.approx(47_000.0, rel=0.005)
        assert 1.0 / fixture.control_s == pytest.approx(480_000.0, rel=0.005)


@pytest.mark.parametrize(
    ("source", "name", "known"),
    [
        ("source_bond", "bond_ohm", 1.0),
        ("source_ohms", "resistance_ohm", 100.0),
        ("source_insulation_low", "insulation_mohm", 5.0),
        ("source_insulation_secondary", "insulation_mohm", 5.0),
    ],
)
def test_behind_the_changeover_the_test_meters_see_the_known_resistors(
    source: str, name: str, known: float
) -> None:
    plant = Plant({})
    for output in ("known_resistors", source):
        plant.set_output(output, True)
    plant.step(2.0)
    percent, floor = STATED[name]
    assert plant.values()[name] == pytest.approx(known, abs=known * percent / 100 + floor)
