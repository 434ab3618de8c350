"""What must keep a part from passing: missing wetness, sensors, control, feeds, ground, plate.

Every case is a sound part, or one whose only fault is the one named; none of them may pass.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.virtual.plant import Plant
from drivers.virtual.scenario import load
from drivers.virtual.truth import LeakTruth, PartTruth
from procedures.catalog import FAMILIES, check_plate, family
from procedures.errors import BadPlate, UnknownFamily
from procedures.limits import limits_for
from procedures.scan import Part
from tests.procedures.harness import Follower, drive, prove, setup
from tests.procedures.test_demo_parts import SHELF, part_of

HEATER, PUMP, CONVERTER, LIGHT = "HT55-8001", "PM10-8001", "AC60-8001", "LT12-8001"
Values = dict[str, float]


def _without(*names: str) -> Callable[[Values], Values]:
    return lambda values: {k: v for k, v in values.items() if k not in names}


def _scaled(name: str, factor: float) -> Callable[[Values], Values]:
    return lambda values: {**values, name: values[name] * factor}


def _custom(base: str, **truth: object) -> dict[str, PartTruth]:
    return {"X": SHELF[base].model_copy(update=truth)}


def test_tap_water_proves_nothing_wet() -> None:
    def tap(plant: Plant) -> None:
        plant.water.conductivity_ms_cm = 0.4

    outcome, _ = prove(SHELF, HEATER, part_of(HEATER), prepare=tap)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "water conductivity" in outcome.verdict.reason


def test_a_pinhole_fails_in_tap_water_too() -> None:
    def tap(plant: Plant) -> None:
        plant.water.conductivity_ms_cm = 0.4

    outcome, _ = prove(SHELF, "OF55-0231", part_of("OF55-0231"), prepare=tap)
    assert outcome.verdict.verdict == "fail"


def test_a_second_sensor_that_reads_another_figure_is_no_pass() -> None:
    """Half of 0.17 mA is missing from the second reading: more than both accuracies together."""
    outcome, _ = prove(
        SHELF,
        CONVERTER,
        part_of(CONVERTER),
        tamper=_scaled("second_leakage_capacitive_ma", 0.3),
    )
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "disagree" in outcome.verdict.reason


@pytest.mark.parametrize("name", ["leakage_resistive_ma", "second_leakage_resistive_ma"])
def test_a_blind_channel_shows_no_control_and_opens_no_full_feed(name: str) -> None:
    outcome, follower = prove(SHELF, LIGHT, part_of(LIGHT), tamper=_scaled(name, 0.001))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "positive control" in outcome.verdict.reason
    assert "rated run, warm" not in follower.stages


@pytest.mark.parametrize("name", ["leakage_resistive_ma", "leakage_capacitive_ma", "supply_v"])
def test_a_missing_reading_is_never_a_number(name: str) -> None:
    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), tamper=_without(name))
    assert outcome.verdict.verdict == "none"
    assert not outcome.conditions


def test_a_converter_without_its_dc_reading_is_not_proved() -> None:
    outcome, _ = prove(SHELF, CONVERTER, part_of(CONVERTER), tamper=_without("leakage_dc_ma"))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "DC part read" in outcome.verdict.reason


@pytest.mark.parametrize(
    ("serial", "name"),
    [(HEATER, "power_w"), ("CP01-8001", "load_a"), (LIGHT, "power_w")],
)
def test_a_function_that_could_not_be_read_is_not_proved(serial: str, name: str) -> None:
    """A motor whose current can't be read is stopped: its inrush could not be seen to decay."""
    outcome, _ = prove(SHELF, serial, part_of(serial), tamper=_without(name))
    assert outcome.verdict.verdict != "pass"


def test_a_bench_without_the_other_way_round_proves_no_light() -> None:
    feeds = setup().feeds - {"neutral_line"}
    bench = replace(setup(), feeds=feeds)
    assert family("light").lacks(bench) == ["feed neutral_line"]
    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), bench=bench)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")


def test_an_open_bond_rejects_a_class_one_part_before_anything_is_energised() -> None:
    shelf = _custom(LIGHT, bond_ohm=0.5)
    outcome, follower = prove(shelf, "X", part_of(LIGHT))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "dead test")
    assert "limited step" not in follower.stages


def test_the_lead_is_allowed_for_in_the_bond() -> None:
    shelf = _custom(LIGHT, bond_ohm=0.05, lead_ohm=0.12)
    assert prove(shelf, "X", part_of(LIGHT, lead_ohm=0.12))[0].verdict.verdict == "pass"
    assert prove(shelf, "X", part_of(LIGHT))[0].verdict.verdict == "fail"


def test_a_lead_that_falls_off_during_the_run_takes_the_pass_away() -> None:
    """Without the ground conductor every leakage reads 0 mA: a pass by blindness."""
    shelf = _custom(LIGHT, protective_class="II")
    part = part_of(LIGHT, protective_class="II")
    plant, bench = Plant(shelf, seed=1), setup()
    plant.mount(1, "X")
    chosen = family("light")
    follower = Follower(plant, chosen.declaration(part, bench))

    def cut(values: Values) -> Values:
        return _without("bond_ohm")(values) if "rated run, warm" in follower.stages else values

    follower.tamper = cut
    outcome = drive(chosen.start(part, bench, limits_for("light", part)), follower)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "ground bond, after" in outcome.verdict.reason


def test_a_bulge_is_a_reject_and_the_part_stays_dead() -> None:
    shelf = _custom(HEATER, eyes={"look": "bulge"})
    outcome, follower = prove(shelf, "X", part_of(HEATER))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "look")
    assert "limited step, cold dry" not in follower.stages


@pytest.mark.parametrize("watts", [4600.0, 6500.0])
def test_an_element_outside_ten_percent_of_its_plate_is_a_reject(watts: float) -> None:
    shelf = _custom(HEATER, rated_w=watts)
    outcome, _ = prove(shelf, "X", part_of(HEATER))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "dead test")
    assert outcome.cause == "another element than the plate says"


def test_a_bolted_fault_is_found_at_the_limited_step() -> None:
    """A few ohms behind 47 kohm: 2.55 mA flow, no bound can be given, no full feed opens."""
    dead_short = (LeakTruth(resistive_ma=200.0),)  # 600 ohm
    outcome, follower = prove(_custom(LIGHT, leaks=dead_short), "X", part_of(LIGHT))
    assert outcome.verdict.verdict == "fail"
    assert outcome.verdict.worst is not None
    assert outcome.verdict.worst.basis == "prospective"
    assert outcome.verdict.worst.y_ma > 50.0
    assert "rated run, warm" not in follower.stages


def test_a_sudden_breakdown_that_trips_the_gfci_fails_and_nothing_is_energised_again() -> None:
    """Cold as good as sound, then far above any cut-off at once: the GFCI may be the first."""
    sudden = LeakTruth(law="breakdown", resistive_ma=0.1, to_ma=190.0, after_s=30.0, rise_s=0.05)
    outcome, follower = prove(_custom(HEATER, leaks=(sudden,)), "X", part_of(HEATER))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "above the cut-off")
    assert "both ends hot, hot wet" not in follower.stages


def test_a_retest_counts_only_after_a_recorded_change() -> None:
    again = part_of("LK01-2201", attempt=2)
    outcome, _ = prove(SHELF, "LK01-2201", again)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "retest without a change")
    changed = part_of("LK01-2201", attempt=2, change="cleaned")
    assert prove(SHELF, "LK01-2201", changed)[0].verdict.verdict == "pass"


def test_a_second_attempt_that_is_still_too_close_fails() -> None:
    again = part_of("OF40-0312", attempt=2, change="dried")
    outcome, _ = prove(SHELF, "OF40-0312", again)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "still no pass")


# ---- catalog -----------------------------------------------------------------------------------------


def test_an_unknown_family_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(UnknownFamily, match="heater"):
        family("heatr")


def test_a_plate_that_lacks_what_its_family_needs_is_refused_at_once() -> None:
    with pytest.raises(BadPlate, match="rated_w"):
        check_plate(Part("P-1", "heater", rated_v=240.0))
    part = Part("P-2", "pump", rated_v=240.0, rated_a=10.0, speeds=2)
    with pytest.raises(BadPlate, match="low_a"):
        family("pump").start(part, setup(), limits_for("pump", part))
    swapped = Part("", "pump", rated_v=240.0, rated_a=3.5, low_a=10.0, speeds=2)
    with pytest.raises(BadPlate, match=r"low_a 10 is above rated_a 3\.5"):
        check_plate(swapped)


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_a_family_says_what_it_does_and_needs_and_a_full_bench_lacks_nothing(name: str) -> None:
    one = FAMILIES[name]
    assert one.does
    assert one.required
    assert one.cautions
    assert one.lacks(setup()) == []
    bare = setup(feeds=frozenset({"limited"}), aids=frozenset(), sources=frozenset())
    poor = replace(bare, quantities=frozenset({"leakage_ma", "bay_v"}), proof=frozenset())
    assert "reading leakage_resistive_ma" in one.lacks(poor)


def test_the_shelf_and_the_catalog_know_the_same_families() -> None:
    assert {truth.family for truth in load().values()} == set(FAMILIES)
