"""A meter that lies plausibly is found out by its positive control: no pass, and no reject either.

The faults are the virtual bench's own; that a control belongs to each measurement is common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.virtual.faults import Faults
from drivers.virtual.plant import Plant
from drivers.virtual.scenario import DEMO, load
from procedures.load_meter import AT_REST, OPEN
from procedures.scan import NOT_BELIEVED
from tests.procedures.harness import prove, setup
from tests.procedures.test_demo_parts import part_of

SHELF = load(DEMO)
LAMP, PUMP, LIGHT, TRANSFORMER, OZONE = (
    "GW30-1180",
    "CP01-8001",
    "LT12-8001",
    "TR50-8001",
    "OC05-8001",
)
STALLED, BROKEN = "MW10-3987", "DP12-8801"
Values = dict[str, float]


def lying(kind: str, where: str) -> Callable[[Plant], None]:
    """From before the part is looked at until the end."""

    def prepare(plant: Plant) -> None:
        Faults(plant).begin(kind, where)

    return prepare


def for_a_while(
    plant: Plant, from_s: Callable[[], float | None], seconds: float, lie: Values
) -> None:
    """Readings of ``lie`` instead of the true ones, for ``seconds`` once ``from_s`` says when."""

    def change(values: Values) -> None:
        start_s = from_s()
        if start_s is not None and start_s <= plant.t_s < start_s + seconds:
            values.update({name: value for name, value in lie.items() if name in values})

    plant.meters.lying.append(change)


def first_on(plant: Plant, contact: str) -> Callable[[], float | None]:
    """When a contact was first seen closed."""
    seen: list[float] = []

    def when() -> float | None:
        if plant.contacts[contact] and not seen:
            seen.append(plant.t_s)
        return seen[0] if seen else None

    return when


# ---- dead tests --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["frozen", "over_range", "drift", "scale", "blind"])
@pytest.mark.parametrize("where", ["bond", "insulation"])
def test_a_test_meter_that_lies_neither_passes_nor_fails_a_sound_part(
    kind: str, where: str
) -> None:
    outcome, _ = prove(SHELF, TRANSFORMER, part_of(TRANSFORMER), prepare=lying(kind, where))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert NOT_BELIEVED in outcome.verdict.reason


@pytest.mark.parametrize("kind", ["frozen", "over_range", "drift"])
def test_a_breakdown_to_the_secondary_is_not_passed_by_a_meter_that_lies(kind: str) -> None:
    """0.3 Mohm, which no leakage reading shows. Frozen: the digits of a sound part before it."""

    def prepare(plant: Plant) -> None:
        plant.meters.last_dead["insulation_mohm"] = 900.0
        lying(kind, "insulation")(plant)

    outcome, follower = prove(SHELF, BROKEN, part_of(BROKEN), prepare=prepare)
    assert outcome.verdict.verdict == "none"
    assert "rated run, warm" not in follower.stages
    assert prove(SHELF, BROKEN, part_of(BROKEN))[0].verdict.verdict == "fail"


@pytest.mark.parametrize(("serial", "verdict"), [(TRANSFORMER, "pass"), (LAMP, "fail")])
def test_a_coarse_meter_that_shows_each_resistor_by_the_same_digits_is_believed(
    serial: str, verdict: str
) -> None:
    """Over the range with the part, then the known resistor, alike in every sample: no hang."""

    def coarse(values: Values) -> Values:
        names = values.keys() & {"insulation_mohm", "resistance_ohm"}
        return {**values, **{name: float(round(values[name])) for name in names}}

    outcome, _ = prove(SHELF, serial, part_of(serial), tamper=coarse)
    assert outcome.verdict.verdict == verdict, outcome.verdict


def test_a_meter_that_lies_for_a_moment_rejects_nothing() -> None:
    """Over its range for just as long as the part is measured for the first time."""

    def prepare(plant: Plant) -> None:
        for_a_while(plant, first_on(plant, "source_bond"), 3.6, {"bond_ohm": 3.0})

    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), prepare=prepare)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert "of the same part" in outcome.verdict.reason


def test_a_meter_that_lies_for_a_moment_passes_no_breakdown_to_the_secondary() -> None:
    def prepare(plant: Plant) -> None:
        on = first_on(plant, "source_insulation_secondary")
        for_a_while(plant, on, 5.1, {"insulation_mohm": 800.0})

    outcome, _ = prove(SHELF, BROKEN, part_of(BROKEN), prepare=prepare)
    assert outcome.verdict.verdict == "none"
    assert "of the same part" in outcome.verdict.reason


def test_a_changeover_relay_that_hangs_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """The part reads as the known resistor does: then it is not the part that is read."""

    def prepare(plant: Plant) -> None:
        plant.contacts = plant.outputs = {**plant.outputs, "known_resistors": True}
        monkeypatch.setattr(plant, "set_output", _but("known_resistors", plant.set_output))

    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), prepare=prepare)
    assert outcome.verdict.verdict == "none"
    assert "can't tell the part from its known resistor" in outcome.verdict.reason


def _but(stuck: str, move: Callable[[str, bool], None]) -> Callable[[str, bool], None]:
    return lambda name, on: None if name == stuck else move(name, on)


def test_a_sound_meter_shows_its_known_resistor_and_it_is_recorded() -> None:
    outcome, _ = prove(SHELF, TRANSFORMER, part_of(TRANSFORMER))
    assert outcome.verdict.verdict == "pass"
    controls = [c for c in outcome.checks if c.name.endswith("known resistor")]
    assert {c.name.split(",")[0] for c in controls} == {
        "ground bond",
        "primary to secondary",
        "insulation",
    }
    assert all(c.met is True for c in controls)


def test_without_known_resistors_the_record_says_that_the_meter_was_trusted() -> None:
    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), bench=setup(known={}))
    assert outcome.verdict.verdict == "pass"
    controls = [c for c in outcome.checks if c.name.endswith("known resistor")]
    assert controls
    assert all(c.met is None and c.words.startswith("not done") for c in controls)


# ---- load meter --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["frozen", "scale", "blind", "drift"])
@pytest.mark.parametrize("serial", [PUMP, LIGHT, OZONE])
def test_a_load_meter_that_lies_neither_passes_nor_fails_a_sound_part(
    kind: str, serial: str
) -> None:
    outcome, _ = prove(SHELF, serial, part_of(serial), prepare=lying(kind, "load_a"))
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")
    assert NOT_BELIEVED in outcome.verdict.reason


def test_a_blind_load_meter_is_named_with_what_to_do() -> None:
    outcome, _ = prove(SHELF, PUMP, part_of(PUMP), prepare=lying("blind", "load_a"))
    assert "although the winding is intact: prove the meter" in outcome.verdict.reason


def test_a_load_meter_that_says_nothing_fails_no_motor() -> None:
    def silent(values: Values) -> Values:
        return {name: value for name, value in values.items() if name != "load_a"}

    outcome, _ = prove(SHELF, PUMP, part_of(PUMP), tamper=silent)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("none", "not proved")


@pytest.mark.parametrize("kind", ["", "blind", "frozen"])
def test_a_dead_lamp_fails_all_the_same_because_its_circuit_reads_open(kind: str) -> None:
    prepare = lying(kind, "load_a") if kind else lambda plant: None
    outcome, _ = prove(SHELF, LAMP, part_of(LAMP), prepare=prepare)
    assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "function")
    opened = next(c for c in outcome.checks if c.name == OPEN)
    assert opened.met is True


@pytest.mark.parametrize("kind", ["over_range", "frozen", "scale"])
def test_a_sound_lamp_is_not_failed_by_two_meters_that_lie_together(kind: str) -> None:
    """The load meter reads nothing and the ohm meter open: its known resistor tells."""

    def both(plant: Plant) -> None:
        faults = Faults(plant)
        faults.begin("blind", "load_a")
        plant.meters.last_dead["resistance_ohm"] = float("inf")
        faults.begin(kind, "ohms")

    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), prepare=both)
    assert outcome.verdict.verdict == "none"


def test_without_an_ohm_meter_too_little_current_proves_nothing() -> None:
    bench = replace(setup(), sources=setup().sources - {"ohms"})
    outcome, _ = prove(SHELF, LAMP, part_of(LAMP), bench=bench)
    assert outcome.verdict.verdict == "none"
    assert "nothing else shows that it is open" in outcome.verdict.reason


def test_a_load_meter_that_hangs_at_the_inrush_does_not_make_a_pump_a_stalled_one() -> None:
    """Frozen for three seconds at five times the plate's current, then as it should be."""

    def prepare(plant: Plant) -> None:
        on = first_on(plant, "feed_line_line")
        for_a_while(plant, on, 4.0, {"load_a": 5.4321})

    outcome, follower = prove(SHELF, PUMP, part_of(PUMP), prepare=prepare)
    assert outcome.verdict.verdict in ("pass", "none")
    assert "rated run, warm, load meter" in follower.stages
    assert not any(c.met is False for c in outcome.checks)


def test_a_stalled_pump_fails_by_a_coarse_meter_too() -> None:
    """Whole amperes: the same digits each time, but none in between."""

    def coarse(values: Values) -> Values:
        return {**values, "load_a": float(round(values["load_a"]))}

    for tamper in (dict, coarse):
        outcome, _ = prove(SHELF, STALLED, part_of(STALLED), tamper=tamper)
        assert (outcome.verdict.verdict, outcome.verdict.rule) == ("fail", "function")


def test_a_load_meter_that_reads_something_at_rest_proves_nothing() -> None:
    def off_zero(values: Values) -> Values:
        return {**values, "power_w": values["power_w"] + 6.0}

    outcome, _ = prove(SHELF, LIGHT, part_of(LIGHT), tamper=off_zero)
    assert outcome.verdict.verdict == "none"
    assert "with everything off" in outcome.verdict.reason
    rest = {c.name: c.met for c in outcome.checks if c.name.startswith(AT_REST)}
    assert rest == {f"{AT_REST}, load_a": True, f"{AT_REST}, power_w": None}
